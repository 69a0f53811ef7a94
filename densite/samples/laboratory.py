"""What the laboratory found: its file turned into records, and results joined with their samples."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from densite.animals import Row, rows_of
from densite.errors import Level, Problem
from densite.placed import listing
from densite.records import folded
from densite.samples.labels import LabelBook, folded_label
from densite.samples.labfile import Determination

RESULT_COLUMNS = ("sample_label", "determination", "value", "laboratory", "reported_on", "result_file")
_JOINED = ("animal", "date", "tissue")


@dataclass(frozen=True)
class Returned:
    """What came back: ``rows`` to be handed in, ``problems`` of those left out, samples still ``missing``."""

    rows: pd.DataFrame
    problems: list[Problem]
    missing: list[str]


def returned(
    determinations: Sequence[Determination],
    samples: pd.DataFrame,
    results: pd.DataFrame,
    *,
    file: str,
    laboratory: str | None = None,
    reported_on: dt.date | None = None,
) -> Returned:
    """Match a laboratory's file with the register's samples.

    A row is matched where its label is the register's in any spelling. One that is a slip away from
    another is told, never matched. Rows in doubt are left out, so that what is returned can be handed in
    as it is; mend the file and read it again for the rest.

    Parameters
    ----------
    determinations : sequence of Determination
        From :func:`densite.samples.labfile.read_laboratory_file`.
    samples, results : DataFrame
        Records of these kinds.
    file : str
        Name of the file, for messages and the column result_file.
    laboratory : str, optional
        Who determined it, where the file does not say so.
    reported_on : date, optional
        Day of the laboratory's report.

    Returns
    -------
    Returned
        ``rows``: sample_label (as the register spells it), determination, value, laboratory,
        reported_on, result_file. ``missing``: labels without any result, on file or in this one.
    """
    book = LabelBook(samples["sample_label"])
    known = [(book.find(item.label), item) for item in determinations]
    problems = _unknown(book, (item for label, item in known if label is None), file)
    mine = [(label, item) for label, item in known if label is not None]
    on_file = _values(book, rows_of(results))
    sound, doubts = _without_contradictions(mine, on_file, file)
    rows = [(label, item.determination, item.value, laboratory, reported_on, file) for label, item in sound]
    have = {folded_label(label) for label, _ in mine} | {folded_label(label) for label, _ in on_file}
    missing = [label for label in samples["sample_label"] if folded_label(label) not in have]
    frame = pd.DataFrame(rows, columns=list(RESULT_COLUMNS), dtype=object)
    return Returned(frame, [*problems, *doubts], missing)


def joined(results: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Join results with the animals that the samples are from.

    From here a check of mothers against cubs takes its genotypes: one row a determination, with its animal.

    Parameters
    ----------
    results : DataFrame
        Records of this kind, or the rows of :class:`Returned`.
    samples : DataFrame
        Records of this kind.

    Returns
    -------
    DataFrame
        The columns of ``results``, in its order and with its index, with animal, date (on which the
        sample was taken) and tissue after sample_label; missing where no sample bears the label.
    """
    book = LabelBook(samples["sample_label"])
    known = {row["sample_label"]: row for row in rows_of(samples)}
    found = [known.get(book.find(label) or "", {}) for label in results["sample_label"]]
    frame = results.copy()
    for place, name in enumerate(_JOINED, start=list(results.columns).index("sample_label") + 1):
        frame.insert(place, name, pd.Series([row.get(name) for row in found], index=frame.index, dtype=object))
    return frame


def same_value(one: str, other: str) -> bool:
    """Say whether two values as laboratories write them are the same: case, blanks, 12 and 12.0 do not count."""
    a, b = (" ".join(value.casefold().split()) for value in (one, other))
    try:
        return a == b or float(a) == float(b)
    except ValueError:
        return False


Key = tuple[str, str]


def determined(label: str, determination: str) -> Key:
    """Return the key under which one determination on one sample is known, in any spelling."""
    return folded_label(label), str(folded(determination))


def _values(book: LabelBook, results: list[Row]) -> dict[Key, list[str]]:
    values: dict[Key, list[str]] = defaultdict(list)
    for row in results:
        label = book.find(row["sample_label"]) or row["sample_label"]
        values[determined(label, row["determination"])].append(row["value"])
    return values


def _unknown(book: LabelBook, items: Iterable[Determination], file: str) -> list[Problem]:
    """Tell each label that is not in the register once, at its first row."""
    first: dict[str, Determination] = {}
    for item in items:
        first.setdefault(item.label, item)
    return [
        Problem(Level.ERROR, f"no sample is labelled {label}", "sample_label", label, file, item.line,
                hint=meant(book, label))
        for label, item in first.items()
    ]  # fmt: skip


def meant(book: LabelBook, label: str) -> str:
    """Name what may be meant by a label that is not in the register, or what to do otherwise."""
    near = book.near(label)
    if near:
        return f"is {listing(near, most=3)} meant? Never joined by itself: mend the label where it is wrong"
    return "hand in the sample's own record, or mend the label"


def _without_contradictions(
    mine: Sequence[tuple[str, Determination]], on_file: dict[Key, list[str]], file: str
) -> tuple[list[tuple[str, Determination]], list[Problem]]:
    """Keep what says the same wherever it stands, once; tell what is said in two ways."""
    groups: dict[Key, list[tuple[str, Determination]]] = defaultdict(list)
    for label, item in mine:
        groups[determined(label, item.determination)].append((label, item))
    sound, problems = [], []
    for key, group in groups.items():
        (label, first), *_ = group
        values = [*on_file.get(key, ()), *(item.value for _, item in group)]
        if all(same_value(values[0], value) for value in values):
            sound.append((label, first))
        else:
            problems.append(_contradiction(label, first, values, file, recorded=key in on_file))
    return sound, problems


def _contradiction(label: str, item: Determination, values: list[str], file: str, *, recorded: bool) -> Problem:
    said = f"sample {label}: {item.determination} has two values: {listing(dict.fromkeys(values))}"
    hint = "ask the laboratory which one holds"
    if recorded:
        hint += "; one is on file already: hand in a correction if it is wrong"
    return Problem(Level.ERROR, said, "value", item.value, file, item.line, hint=hint)
