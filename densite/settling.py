"""Open questions that a person has looked at: kept with the den's first visit, so that they are not asked again."""

from __future__ import annotations

from collections.abc import Collection

from densite.corrections import found_one
from densite.errors import RegisterError
from densite.register import Register
from densite.review import Review
from densite.review.finding import Finding, key_of

SOURCE = "check"
_NOT_HERE = ("label", "visit", "value", "animal")  # mended by a correction, a derivation, or a row of the animals' side


def settle(
    register: Register, text: str, review: Review, *, about: Collection[str] = (), reason: str = ""
) -> list[str]:
    """Keep that a person has looked at a den's open questions and they stand as they are.

    Parameters
    ----------
    register : Register
        Open register.
    text : str
        The den's label or id.
    review : Review
        The open questions, from :meth:`densite.pipeline.Study.review`.
    about : collection of str
        Questions as :func:`densite.review.finding.key_of` names them; by default all of the den but what is not
        filled in.
    reason : str
        Why; kept in the journal.

    Returns
    -------
    list of str
        The questions that were settled.

    Raises
    ------
    RegisterError
        No such den, no visit to it, no reason, no such question, or the register cannot be written.
    """
    if not reason.strip():
        raise RegisterError("what is settled needs a reason, which is kept for good: --reason WHY")
    found = found_one(register, text)
    if found.kind != "den":
        raise RegisterError(f"{found.name} is a visit: name its den")
    den_id = str(found.records["den"][0])
    keys = _chosen([f for f in review.findings if f.den_id == den_id], about, found.name)
    visits = register.visits()
    own = visits.loc[visits["den_id"] == den_id].sort_values("observed_on", kind="stable")
    if own.empty:
        raise RegisterError(f"{found.name} has no visit: hand one in first")
    before = own["settled"].iloc[0]
    kept = [*(before.split(",") if isinstance(before, str) else ()), *keys]
    with register.writing(source=SOURCE, reason=reason.strip()) as connection:
        register.change(connection, "visit", str(own.index[0]), {"settled": ",".join(dict.fromkeys(kept))})
    return keys


def _chosen(open_here: list[Finding], about: Collection[str], name: str) -> list[str]:
    """Return the names of the questions to settle, all of which must be open at the den."""
    keys = [key for f in open_here if f.kind not in _NOT_HERE for key in _keys(f)]
    listed = ", ".join(keys) or "none"
    if unknown := [key for key in about if key not in keys]:
        raise RegisterError(f"{name} has no open question '{unknown[0]}'; open: {listed}")
    chosen = [key for key in keys if (key in about if about else not key.startswith("missing."))]
    if not chosen:
        raise RegisterError(f"{name} has no open question but what is not filled in; name it: {listed}")
    return chosen


def _keys(finding: Finding) -> list[str]:
    return [key_of(finding, name) for name in finding.missing] or [key_of(finding)]
