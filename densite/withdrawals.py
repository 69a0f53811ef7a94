"""Dens and visits withdrawn from sight with a reason, and withdrawals taken back; nothing is deleted."""

from __future__ import annotations

from dataclasses import dataclass

from densite import history
from densite.corrections import found_one
from densite.errors import RegisterError, seen
from densite.records import unseen
from densite.register import Register
from densite.register.schema import WITHDRAWN


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """What was withdrawn, or taken back: its name, and what of it goes out of sight or stays."""

    name: str
    undo: bool
    said: str


def withdraw(register: Register, text: str, *, reason: str, undo: bool = False) -> Withdrawal:
    """Withdraw a den or a visit, or take the withdrawal back. Nothing is deleted.

    Parameters
    ----------
    register : Register
        Open register.
    text : str
        A den's label, ``DEN/2026-02-24``, or an id.
    reason : str
        Why; kept in the journal.
    undo : bool
        Take the withdrawal back.

    Returns
    -------
    Withdrawal

    Raises
    ------
    RegisterError
        No such record, no reason, it is withdrawn already (or was not), or the register cannot be written.
    """
    if not reason.strip():
        raise RegisterError("a withdrawal needs a reason, which is kept for good: --reason WHY")
    if wrong := unseen(reason):
        raise RegisterError(f"the reason '{seen(reason)}' {wrong}")
    with register.writing(source="densite withdraw", reason=reason.strip()) as connection:
        found = found_one(register, text)
        table, record = found.kind, found.records[found.kind][0]
        gone = ("withdrawn",)
        held = (
            register.dens(only=gone, every=True, if_legible=True) if table == "den"
            else register.visits(only=gone, every=True)
        )  # fmt: skip
        if (held.at[record, "withdrawn"] == WITHDRAWN) != undo:
            raise RegisterError(f"{found.name} is {'not withdrawn' if undo else 'withdrawn already'}: nothing to do")
        register.change(connection, table, record, {"withdrawn": None if undo else WITHDRAWN})
    return Withdrawal(found.name, undo, _said_of(register, found, record, undo))


def _said_of(register: Register, found: history.Found, record: str, undo: bool) -> str:
    """Say what goes with a withdrawal: visits of a den; and what stays: the animals' records."""
    with_it, others = [], sum(len(ids) for table, ids in found.records.items() if table not in ("den", "visit"))
    if found.kind == "den" and (n := len(found.records["visit"])):
        with_it.append(f"{'in sight again with' if undo else 'out of sight with'} it: visits {n}")
    elif found.kind == "visit" and undo:
        den_id = register.visits(every=True).at[record, "den_id"]
        if den_id not in register.dens(only=(), if_legible=True).index:
            with_it.append("its den is still withdrawn, so it stays out of sight")
    if others and not undo:
        with_it.append(f"records of animals that name it stay: {others}")
    return "; ".join(with_it)
