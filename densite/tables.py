"""The table of den-type frequencies by landscape class, for people and for programs."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from densite.compare.frequencies import (
    ALL_CLASSES,
    METHODS,
    NO_CLASS,
    NO_DENS,
    NOT_RECORDED,
    UNKNOWN,
    frequencies,
)
from densite.errors import StatisticsError
from densite.intake.rejects import guarded_csv

WIDTH = 100
TITLE = "Den types by landscape class"

NOT_INDEPENDENT = (
    "Dens of one female are not independent, because females repeat den types: intervals are taken over "
    "females. Intervals marked independent (Wilson 1927) treat dens as if they were and are too narrow."
)
FEMALE_RULE = (
    "One row per den; a den used by several females counts once, for the first female recorded in it; "
    "a den without a known female counts as a female of its own."
)
UNCERTAIN_CLASS = "The class of {n} of {of} dens is uncertain: their location error could put them in another class."

_TEXT_HEADS = ("class", "dens", "females", "den type", "n", "share", "interval", "", "if independent")


@dataclass(frozen=True, slots=True)
class DenTypeTable:
    """Den types by landscape class, with everything that a reader must know to use it.

    Attributes
    ----------
    frame : DataFrame
        Tidy rows as :func:`densite.compare.frequencies.frequencies` returns them.
    definition : str
        How the landscape classes are defined, with measure and radius.
    method : str
        How shares and intervals are computed, with the mark of each method in the rows.
    caution : str
        That dens of one female are not independent.
    counts : Mapping
        Dens, dens with and without class, of unknown type, without female, of uncertain class, and
        known females. [dens, females]
    footnotes : tuple of str
        What the counts mean for the table, in sentences.
    confidence : float
        Confidence level of the intervals. [1]
    """

    frame: pd.DataFrame
    definition: str
    method: str
    caution: str
    counts: Mapping[str, int]
    footnotes: tuple[str, ...]
    confidence: float

    def __str__(self) -> str:
        """Read as the table for people."""
        return as_text(self)


def den_type_table(
    dens: pd.DataFrame,
    *,
    definition: str,
    types: Sequence[str],
    classes: Sequence[str],
    confidence: float = 0.95,
) -> DenTypeTable:
    """Make the table of den types by landscape class.

    Parameters
    ----------
    dens : DataFrame
        One row per den. Columns ``den_type``, ``landscape_class`` and ``female``; when present also
        ``class_certain`` (bool or missing) and ``reason`` (why a class is missing). A den that
        several females used over the years comes once, with the first female recorded in it.
    definition : str
        The sentence that defines the classes, as :func:`densite.gradient.definition` gives it.
    types, classes : sequence of str
        Types and classes in the order of the table.
    confidence : float
        Confidence level, between 0 and 1. [1]

    Returns
    -------
    DenTypeTable
        The tidy frame with definition, method, counts and footnotes.

    Raises
    ------
    StatisticsError
        A column is missing, the definition is empty, or a type or class is not listed.
    """
    needed = ("den_type", "landscape_class", "female")
    if missing := [column for column in needed if column not in dens.columns]:
        raise StatisticsError(f"dens lack the column {', '.join(missing)}; needed: {', '.join(needed)}")
    if not definition.strip():
        raise StatisticsError("a table of landscape classes needs the sentence that defines them")
    columns = [dens[column].to_numpy(dtype=object) for column in needed]
    frame = frequencies(*columns, types=types, classes=classes, confidence=confidence)
    counts = _counts(dens, frame)
    return DenTypeTable(
        frame=frame,
        definition=definition,
        method=_method(frame, confidence),
        caution=NOT_INDEPENDENT,
        counts=counts,
        footnotes=_footnotes(dens, counts),
        confidence=confidence,
    )


def as_text(table: DenTypeTable, *, width: int = WIDTH) -> str:
    """Lay the table out for a terminal.

    Parameters
    ----------
    table : DenTypeTable
        The table.
    width : int
        Width of the terminal, at least 90. [characters]

    Returns
    -------
    str
        Title, definition, rows, method, caution and footnotes; no line is longer than ``width``.
    """
    cells = [_cells(row) for row in table.frame.to_dict("records")]
    type_width = min(max([8, *(len(line[3]) for line in cells)]), 16)
    name_width = max(width - type_width - 62, 8)
    block = [_line(_heads(table), name_width, type_width), "-" * width]
    for name, rows in _grouped(table.frame, cells):
        block += [*_group_lines(name, rows, name_width, type_width), "-" * width]
    notes = [table.method, table.caution, FEMALE_RULE, *table.footnotes]
    parts = [TITLE, *wrapped(table.definition, width), "", *block, ""]
    return "\n".join([*parts, *(line for note in notes for line in wrapped(note, width))]) + "\n"


def as_csv(table: DenTypeTable) -> str:
    """Write tidy rows with the definition, method and caution as columns.

    Parameters
    ----------
    table : DenTypeTable
        The table.

    Returns
    -------
    str
        CSV with a header line; shares are plain numbers from 0 to 1, missing ones empty.
    """
    frame = table.frame.assign(
        confidence=table.confidence,
        class_definition=table.definition,
        interval_explained=table.frame["interval_method"].map(METHODS),
        caution=f"{table.caution} {FEMALE_RULE}",
        notes=" ".join(table.footnotes),
    )
    return guarded_csv(frame)


def as_markdown(table: DenTypeTable) -> str:
    """Write the table as Markdown, with the notes under it.

    Parameters
    ----------
    table : DenTypeTable
        The table.

    Returns
    -------
    str
        A heading, the definition, a pipe table, and the notes as a list.
    """
    heads = [head for head in _heads(table) if head]
    lines = [f"### {TITLE}", "", escaped(table.definition), ""]
    lines += [piped(heads), piped(["---", "--:", "--:", "---", "--:", "--:", "--:", "--:"])]
    for row in table.frame.to_dict("records"):
        cells = _cells(row)
        mark = f" {cells[7]}" if cells[7] else ""
        lines.append(piped([*cells[:6], cells[6] + mark, cells[8]]))
    notes = (table.method, table.caution, FEMALE_RULE, *table.footnotes)
    return "\n".join([*lines, "", *(f"- {escaped(note)}" for note in notes)]) + "\n"


def as_json(table: DenTypeTable) -> str:
    """Write the table as JSON.

    Parameters
    ----------
    table : DenTypeTable
        The table.

    Returns
    -------
    str
        One object with ``rows`` and everything that explains them; missing numbers are null.
    """
    rows = [
        {key: None if isinstance(value, float) and math.isnan(value) else value for key, value in row.items()}
        for row in table.frame.to_dict("records")
    ]
    told = {
        "title": TITLE,
        "class_definition": table.definition,
        "confidence": table.confidence,
        "method": table.method,
        "interval_methods": {name: METHODS[name] for name in _methods_used(table.frame)},
        "caution": table.caution,
        "female_rule": FEMALE_RULE,
        "counts": dict(table.counts),
        "footnotes": list(table.footnotes),
        "rows": rows,
    }
    return json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


WRITERS: Mapping[str, Callable[[DenTypeTable], str]] = {
    "txt": as_text,
    "csv": as_csv,
    "md": as_markdown,
    "json": as_json,
}


def _counts(dens: pd.DataFrame, frame: pd.DataFrame) -> dict[str, int]:
    """Count what a reader needs to see how complete the table is."""
    first = frame.drop_duplicates("landscape_class").set_index("landscape_class")
    with_class = int(first["dens"].to_dict()[ALL_CLASSES])
    loose = first["dens_without_female"].to_dict()
    females = {str(female).strip() for female in dens["female"].dropna().unique()} - {""}
    found = frame[frame["landscape_class"].isin([ALL_CLASSES, NO_CLASS])]
    return {
        "dens": len(dens),
        "dens_with_class": with_class,
        "dens_without_class": len(dens) - with_class,
        "dens_of_unknown_type": int(found.loc[found["den_type"] == UNKNOWN, "n"].sum()),
        "dens_without_type": int(found.loc[found["den_type"] == NOT_RECORDED, "n"].sum()),
        "dens_without_female": int(loose[ALL_CLASSES] + loose.get(NO_CLASS, 0)),
        "females": len(females),
        "dens_of_uncertain_class": _certainty(dens, False),
        "dens_of_unchecked_class": _certainty(dens, None),
    }


def _certainty(dens: pd.DataFrame, wanted: bool | None) -> int:
    """Count classed dens whose class is uncertain (False) or could not be checked (None)."""
    if "class_certain" not in dens.columns:
        return 0
    certain = dens.loc[~_unclassed(dens), "class_certain"]
    return int(certain.isna().sum()) if wanted is None else int((certain.dropna() == wanted).sum())


def _unclassed(dens: pd.DataFrame) -> pd.Series[bool]:
    """Tell which dens have no landscape class, looking once at each name."""
    named = dens["landscape_class"]
    return named.isna() | named.isin([name for name in named.dropna().unique() if not str(name).strip()])


def _method(frame: pd.DataFrame, confidence: float) -> str:
    """Say how shares and intervals were computed, naming only the methods that occur."""
    used = "; ".join(f"[{_mark(name)}] {METHODS[name]}" for name in _methods_used(frame))
    first = f"Shares are of all dens of the class, with {100 * confidence:g} % intervals over females"
    last = "if independent: Wilson 1927"
    return f"{first}: {used}; {last}." if used else f"{first}; {last}."


def _methods_used(frame: pd.DataFrame) -> list[str]:
    """List the interval methods that occur, in their fixed order."""
    occurring = set(frame["interval_method"])
    return [name for name in METHODS if name in occurring and name != NO_DENS]


def _mark(method: str) -> str:
    """Return the letter that stands for a method in the rows."""
    return "" if method == NO_DENS else "abc"[list(METHODS).index(method)]


def _footnotes(dens: pd.DataFrame, counts: Mapping[str, int]) -> tuple[str, ...]:
    """Tell in sentences what is unknown, missing or uncertain among the dens."""
    notes = [f"{counts['dens']} dens in all, of {counts['females']} known females."]
    if n := counts["dens_without_class"]:
        notes.append(f"{n} dens have no landscape class and stand under '{NO_CLASS}'{_reasons(dens)}.")
    if n := counts["dens_of_unknown_type"]:
        notes.append(f"{n} dens are of unknown type and are counted in every share.")
    if n := counts["dens_without_type"]:
        notes.append(f"{n} dens have no type at all ('{NOT_RECORDED}'): mend their records.")
    if n := counts["dens_without_female"]:
        notes.append(f"{n} dens have no known female: their intervals may be too narrow.")
    if "class_certain" in dens.columns:
        uncertain, classed = counts["dens_of_uncertain_class"], counts["dens_with_class"]
        notes.append(UNCERTAIN_CLASS.format(n=uncertain, of=classed))
    if n := counts["dens_of_unchecked_class"]:
        notes.append(f"{n} dens could not be checked so: their location error or surroundings are unknown.")
    return tuple(notes)


def _reasons(dens: pd.DataFrame) -> str:
    """List why classes are missing, most frequent first; reasons hold no coordinates."""
    if "reason" not in dens.columns:
        return ""
    reasons = dens.loc[_unclassed(dens), "reason"].fillna("").astype(str)
    told = reasons[reasons != ""].value_counts()
    return ": " + "; ".join(f"{reason} ({n})" for reason, n in told.items()) if len(told) else ""


def _heads(table: DenTypeTable) -> list[str]:
    """Return the column heads with the confidence level."""
    return [f"{100 * table.confidence:g} % {head}" if head == "interval" else head for head in _TEXT_HEADS]


def _cells(row: Mapping[Any, Any]) -> list[str]:
    """Return one row as text; the method's mark stands apart from its interval."""
    return [
        str(row["landscape_class"]), str(row["dens"]), str(row["females"]), str(row["den_type"]),
        str(row["n"]), _percent(row["share"], suffix=" %"), _interval(row["lower"], row["upper"]),
        _mark(str(row["interval_method"])), _interval(row["wilson_lower"], row["wilson_upper"]),
    ]  # fmt: skip


def _percent(share: float, *, suffix: str = "") -> str:
    """Return a share in percent with one decimal, or a dash."""
    return "-" if math.isnan(share) else f"{100 * share:.1f}{suffix}"


def _interval(lower: float, upper: float) -> str:
    """Return an interval in percent."""
    return "-" if math.isnan(lower) else f"{_percent(lower)} to {_percent(upper)}"


def _grouped(frame: pd.DataFrame, cells: list[list[str]]) -> list[tuple[str, list[list[str]]]]:
    """Gather the text rows by class, in the frame's order."""
    names = frame["landscape_class"].tolist()
    return [
        (name, [line for line, own in zip(cells, names, strict=True) if own == name]) for name in dict.fromkeys(names)
    ]


def _group_lines(name: str, rows: list[list[str]], name_width: int, type_width: int) -> list[str]:
    """Lay out the rows of one class, its wrapped name running down the first column."""
    names = textwrap.wrap(name, name_width) or [""]
    height = max(len(names), len(rows))
    names += [""] * (height - len(names))
    padded = rows + [[""] * len(_TEXT_HEADS)] * (height - len(rows))
    lines = []
    for i, (part, cells) in enumerate(zip(names, padded, strict=True)):
        counts = cells[1:3] if i == 0 else ["", ""]
        lines.append(_line([part, *counts, *cells[3:]], name_width, type_width))
    return lines


def _line(cells: Sequence[str], name_width: int, type_width: int) -> str:
    """Set one line: name and type to the left, numbers to the right."""
    name, dens, females, kind, n, share, interval, mark, independent = cells
    left = f"{name:<{name_width}} {dens:>5} {females:>7}  {kind[:type_width]:<{type_width}}"
    return f"{left} {n:>4} {share:>8} {interval:>13} {mark:<1} {independent:>14}".rstrip()


def wrapped(text: str, width: int) -> list[str]:
    """Break a note into lines, the second and further ones set in."""
    return textwrap.wrap(text, width, subsequent_indent="  ")


def piped(cells: Sequence[str]) -> str:
    """Return one line of a pipe table."""
    return "| " + " | ".join(escaped(cell) for cell in cells) + " |"


def escaped(text: str) -> str:
    """Keep names from breaking the table or turning into markup."""
    flat = " ".join(text.split())
    for sign in ("\\", "|", "*", "_", "`", "<", "[", "]"):
        flat = flat.replace(sign, "\\" + sign)
    return flat
