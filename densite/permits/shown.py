"""The permit ledger for people and programs."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pandas as pd

from densite.animals import Row, rows_of
from densite.animalterms import PROCEDURES

CAUTION = (
    "densite counts what the records and the permits say. Whether something was allowed is for the permits "
    "themselves, the animal-care protocol and local law."
)


def near_limits(ledger: pd.DataFrame, cubs: pd.DataFrame) -> list[str]:
    """Say which permits the next handling may use up.

    Parameters
    ----------
    ledger : DataFrame
        From :func:`densite.permits.ledger`.
    cubs : DataFrame
        Records of this kind: the largest litter among them says how many cubs one visit may bring.

    Returns
    -------
    list of str
        Permits still running with at most one animal left, or with fewer cubs left than the largest
        litter on file.
    """
    litter = int(cubs.groupby(["den_label", "date"]).size().max()) if len(cubs) else 0
    said = []
    for row in rows_of(ledger):
        if row["days_left"] < 0:
            continue
        if row["animals_left"] is not None and row["animals_left"] <= 1:
            said.append(f"permit {row['permit']}: {_left(row, 'animals')}")
        if row["cubs_left"] is not None and row["cubs_left"] < litter:
            largest = f"the largest litter on file has {litter}"
            said.append(f"permit {row['permit']}: {_left(row, 'cubs')}; {largest}")
    return said


def as_text(ledger: pd.DataFrame, near: list[str], *, today: str) -> str:
    """Lay the ledger out for a terminal.

    Parameters
    ----------
    ledger : DataFrame
        From :func:`densite.permits.ledger`.
    near : list of str
        From :func:`near_limits`.
    today : str
        Day of the count.

    Returns
    -------
    str
        A line for each permit with what was done under it, what is nearly used up, and the caution.
    """
    rows = rows_of(ledger)
    width = max([6, *(len(row["permit"]) for row in rows)])
    lines = [f"Permits on {today}", ""]
    lines.append(f"{'permit':<{width}}  {'valid':<24}  {'days left':>9}  {'animals':>9}  {'cubs':>9}  {'handlings':>9}")
    lines += [line for row in rows for line in _lines(row, width)] or ["none on file"]
    lines += ["", *(f"Nearly used up: {said}" for said in near)]
    return "\n".join([*lines, CAUTION]) + "\n"


def as_json(ledger: pd.DataFrame) -> str:
    """Write the ledger as a JSON list, one object a permit; days as text, numbers that are not stated as null."""
    return json.dumps(rows_of(ledger), indent=2, ensure_ascii=False, default=str) + "\n"


def _lines(row: Row, width: int) -> Iterator[str]:
    valid = f"{row['valid_from']} to {row['valid_to']}"
    days = str(row["days_left"]) if row["days_left"] >= 0 else "ended"
    animals, cubs = (_of(row[f"{who}_handled"], row[f"{who}_allowed"]) for who in ("animals", "cubs"))
    yield f"{row['permit']:<{width}}  {valid:<24}  {days:>9}  {animals:>9}  {cubs:>9}  {row['handlings']:>9}"
    done = "; ".join(f"{name} {row[name]}" for name in PROCEDURES if row[name])
    if done:
        yield f"{'':<{width}}  {done}"


def _left(row: Row, who: str) -> str:
    return f"{max(row[f'{who}_left'], 0):g} of {row[f'{who}_allowed']:g} {who} left"


def _of(handled: float, allowed: float | None) -> str:
    return f"{handled:g}" if allowed is None else f"{handled:g} of {allowed:g}"
