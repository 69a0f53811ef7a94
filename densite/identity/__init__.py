"""Who an animal is, from any mark of it or a piece of one, and what is known of it over the years."""

from densite.identity.asked import EXACT, FRAGMENT, SLIP
from densite.identity.life import DenUse, Identity, Litter, Measured, WornMark
from densite.identity.lookup import look_up
from densite.identity.words import as_json, as_text

__all__ = [
    "EXACT",
    "FRAGMENT",
    "SLIP",
    "DenUse",
    "Identity",
    "Litter",
    "Measured",
    "WornMark",
    "as_json",
    "as_text",
    "look_up",
]
