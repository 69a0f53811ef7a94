"""What does not fit on the front, so that nothing of the records is dropped."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from densite.animalterms import COMMON_TERMS
from densite.visitsheet import layout, vitals
from densite.visitsheet.content import SheetContent, terms_of
from densite.visitsheet.front import place_marks, record_name, vitals_cells, vitals_head
from densite.visitsheet.layout import term_of
from densite.visitsheet.markup import Pen, escaped, heading
from densite.visitsheet.values import common_thermometer, day_of, shown

Record = Mapping[str, Any]
Entry = tuple[str, str, str]

_BOOKKEEPING = frozenset({t.name for t in COMMON_TERMS} - {"observer", "notes"})


def back(content: SheetContent, cut: Sequence[Entry]) -> str:
    """Return the sections of the next page; empty where the front holds everything.

    Parameters
    ----------
    content : SheetContent
        The records.
    cut : sequence of (record, key, value)
        What the front had to cut short.

    Returns
    -------
    str
    """
    _, lines = vitals.grid(content.readings, content.handling.get("darted_at"))
    return _vitals(lines) + _entries([*cut, *_unprinted(content)])


def _vitals(lines: Sequence[vitals.Line]) -> str:
    if not lines:
        return ""
    pen = _Open()
    rows = "".join(f"<tr>{vitals_cells(line, pen)}</tr>" for line in lines)
    table = f'<table aria-label="Vitals, continued">{vitals_head()}<tbody>{rows}</tbody></table>'
    return f"<section><h2>Vitals, continued</h2>{table}</section>"


class _Open(Pen):
    """Writes values where cells grow with their text."""

    def write(self, text: str, room: float, *, record: str, key: str) -> str:  # noqa: ARG002  # as Pen's
        """Return the whole value, escaped."""
        return escaped(text)


def _entries(entries: Sequence[Entry]) -> str:
    if not entries:
        return ""
    records: dict[str, list[str]] = {}
    for record, key, text in entries:
        field = f"<div><dt>{heading(term_of(key))}:</dt> <dd>{escaped(text)}</dd></div>"
        records.setdefault(record, []).append(field)
    rows = "".join(
        f'<tr><th scope="row">{escaped(name)}</th><td><dl>{" ".join(fields)}</dl></td></tr>'
        for name, fields in records.items()
    )
    head = '<thead><tr><th scope="col">Record</th><th scope="col">Values</th></tr></thead>'
    table = f'<table><colgroup><col class="w38"><col></colgroup>{head}<tbody>{rows}</tbody></table>'
    return f"<section><h2>Longer texts, and what the front has no field for</h2>{table}</section>"


def _unprinted(content: SheetContent) -> Iterator[Entry]:
    """Yield every value of the records that the front does not show, such as whose sample it is if not hers."""
    head = {
        "animal": content.female,
        "female": content.female,
        "date": str(content.date),
        "den_label": content.den_label,
    }
    for kind, name, record, fields in _records(content):
        for term in terms_of(kind):
            text = "" if term.name in fields else shown(term, record, day=day_of(kind, record, content))
            if text and term.name not in _BOOKKEEPING and text != head.get(term.name):
                yield name, f"{kind}.{term.name}", text


def _records(content: SheetContent) -> Iterator[tuple[str, str, Record, frozenset[str]]]:
    """Yield kind, name, record and the fields of it that are on the front."""
    none: frozenset[str] = frozenset()
    _, marks = place_marks(content.marks)
    shown_rows = {
        "den": ((content.den,), 1), "visit": ((content.visit,), 1), "handling": (content.handlings, 1),
        "drug": (content.drugs, layout.DRUG_ROWS), "reading": (content.readings, len(content.readings)),
        "cub": (content.cubs, layout.CUB_COLUMNS), "sample": (content.samples, layout.SAMPLE_ROWS),
        "check": (content.checks, 1),
    }  # fmt: skip
    for kind, (records, room) in shown_rows.items():
        for i, record in enumerate(records):
            yield kind, _name(kind, record, i), record, _on_front(kind, content) if i < room else none
    for mark in content.marks:
        name = record_name("mark", shown(term_of("mark.mark_code"), mark))
        yield "mark", name, mark, none if mark in marks else _on_front("mark", content)


def _name(kind: str, record: Record, index: int) -> str:
    """Name a record by what tells it apart; the first of those that mostly stand alone needs nothing."""
    telling = {"reading": "reading.read", "cub": "cub.cub_no", "sample": "sample.sample_label"}
    if kind in telling:
        return record_name(kind, shown(term_of(telling[kind]), record) or index + 1)
    return record_name(kind, index + 1 if kind == "drug" or index else "")


def _on_front(kind: str, content: SheetContent) -> frozenset[str]:
    names = {key.split(".")[1] for key in layout.printed_keys() if key.split(".")[0] == kind}
    if kind == "reading" and not common_thermometer(content):
        names.discard("thermometer")  # no single box could be ticked
    if kind == "visit":
        names |= {"observer"}
    return frozenset(names)
