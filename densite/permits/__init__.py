"""Permits, and what was done under them: every handling counted against what its permits say.

Nothing here says that something was lawful: that is for the permit, the animal-care protocol and local law.
"""

from densite.permits.acts import procedures_done
from densite.permits.counts import findings, ledger
from densite.permits.permit import Permit, read_permits

__all__ = ["Permit", "findings", "ledger", "procedures_done", "read_permits"]
