"""The front of the sheet: every section of the work, filled from the records or empty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from densite.animalterms import KINDS
from densite.visitsheet import layout, vitals
from densite.visitsheet.content import SheetContent
from densite.visitsheet.layout import Column, Row, term_of
from densite.visitsheet.markup import Pen, cell, heading, row, table_head, title, width_class
from densite.visitsheet.values import shown, single_values

Record = Mapping[str, Any]


def front(content: SheetContent, pen: Pen, *, with_place: bool) -> str:
    """Return all sections of the front.

    Parameters
    ----------
    content : SheetContent
        The records; an empty one gives a blank sheet.
    pen : Pen
        Writes the values and keeps what does not fit.
    with_place : bool
        Print where the den is.

    Returns
    -------
    str
    """
    values = single_values(content, with_place=with_place)

    def rows(part: Sequence[Row]) -> str:
        return "".join(row(cells, values, pen, record=_record_of(cells)) for cells in part)

    left = (
        _section(rows(layout.APPROACH) + _drugs(content, pen)),
        _section(rows(layout.DOWN)),
        _section(rows(layout.VITALS_HEAD) + _vitals(content, pen)),
    )
    right = (_section(_marks(content, pen)), _section(rows(layout.MEASURES)), _section(_samples(content, pen)))
    female = f'<div class="band"><div class="left">{"".join(left)}</div><div class="right">{"".join(right)}</div></div>'
    parts = (_section(rows(layout.ARRIVE)), female, _section(_cubs(content, pen)), _section(rows(layout.DEN)),
             _section(rows(layout.LEAVING)), _section(rows(layout.CHECK)))  # fmt: skip
    return "".join(parts)


def _section(inner: str) -> str:
    return f"<section>{inner}</section>"


def _record_of(cells: Row) -> str:
    kinds = [cell.key.split(".")[0] for cell in cells if isinstance(cell, layout.Box)]
    return record_name(kinds[0])


def record_name(kind: str, number: int | str = "") -> str:
    """Return what a record is called beside its values: ``Cub 2``."""
    return f"{kind.capitalize()} {number}".strip()


def _drugs(content: SheetContent, pen: Pen) -> str:
    lines = _lines("drug", layout.DRUGS, content.drugs, layout.DRUG_ROWS, pen)
    return f'<table aria-label="Drugs given">{table_head(layout.DRUGS)}<tbody>{lines}</tbody></table>'


def _samples(content: SheetContent, pen: Pen) -> str:
    lines = _lines("sample", layout.SAMPLES, content.samples, layout.SAMPLE_ROWS, pen)
    head = table_head(layout.SAMPLES, above=title(layout.SAMPLES_TITLE))
    return f'<table aria-label="Samples">{head}<tbody>{lines}</tbody></table>'


def _lines(kind: str, columns: Sequence[Column], records: Sequence[Record], count: int, pen: Pen) -> str:
    """Return the rows of a table, empty ones after the last record."""
    padded = [*records[:count], *[{}] * (count - len(records))]
    made = (_cells(columns, record, pen, record_name(kind, i + 1)) for i, record in enumerate(padded))
    return "".join(f"<tr>{cells}</tr>" for cells in made)


def _cells(columns: Sequence[Column], record: Record, pen: Pen, name: str) -> str:
    texts = ((c, shown(term_of(c.key), record)) for c in columns)
    return "".join(cell(c.key, text, c.width, pen, record=name) for c, text in texts)


def _vitals(content: SheetContent, pen: Pen) -> str:
    lines, _ = vitals.grid(content.readings, content.handling.get("darted_at"))
    made = "".join(f"<tr>{vitals_cells(line, pen)}</tr>" for line in lines)
    return f'<table aria-label="Vitals">{vitals_head()}<tbody>{made}</tbody></table>'


def vitals_head() -> str:
    """Return the headings of the vitals' grid."""
    return table_head(layout.VITALS, first=(f"{heading(term_of('handling.darted'))} + min", layout.MINUTE_WIDTH))


def vitals_cells(line: vitals.Line, pen: Pen) -> str:
    """Return the cells of a row of the vitals' grid.

    Parameters
    ----------
    line : Line
        Its minutes and its reading.
    pen : Pen
        Writes the values.

    Returns
    -------
    str
    """
    reading = line.reading or {}
    when = shown(term_of("reading.read"), reading)
    cells = _cells(layout.VITALS, reading, pen, record_name("reading", when))
    return f'<th scope="row" class="m">{line.minutes}</th>{cells}'


def _marks(content: SheetContent, pen: Pen) -> str:
    placed, _ = place_marks(content.marks)
    made: list[str] = []
    for block, record in zip(layout.MARK_BLOCKS, placed, strict=True):
        values = {f"mark.{t.name}": shown(t, record or {}) for t in KINDS["mark"].terms if t.kind != "time"}
        name = record_name("mark", values["mark.mark_code"])
        values["mark.mark_kind"] = f"{values['mark.mark_kind']} {values['mark.side']}".strip()
        made += [row(cells, values, pen, record=name) for cells in block]
    return "".join(made)


def place_marks(marks: Sequence[Record]) -> tuple[list[Record | None], list[Record]]:
    """Share the marks of a visit out to their places on the sheet.

    Parameters
    ----------
    marks : sequence of mapping
        Records of the kind ``mark``.

    Returns
    -------
    tuple of list
        The record of each block of ``layout.MARK_BLOCKS``, None where it stays empty; and the rest. What was
        put on or seen comes first, so a collar that was taken off stands in the spare block.
    """
    slots = layout.slots()
    placed: list[Record | None] = [None] * len(slots)
    rest: list[Record] = []
    for mark in sorted(marks, key=lambda m: m["mark_event"] not in ("put on", "seen")):
        kind, side = mark["mark_kind"], mark.get("side") or ""
        fitting = [i for i, slot in enumerate(slots) if placed[i] is None and _takes(slot, kind, side)]
        if fitting:
            placed[fitting[0]] = mark
        else:
            rest.append(mark)
    return placed, rest


def _takes(slot: tuple[str, str] | None, kind: str, side: str) -> bool:
    return slot is None or (slot[0] == kind and slot[1] in ("", side))


def _cubs(content: SheetContent, pen: Pen) -> str:
    cubs = [*content.cubs[: layout.CUB_COLUMNS], *[{}] * (layout.CUB_COLUMNS - len(content.cubs))]
    body = "".join(_cub_row(parts, cubs, pen) for parts in layout.CUB_ROWS)
    return f'<table class="cubs" aria-label="Cubs">{_cub_head(cubs, pen)}<tbody>{body}</tbody></table>'


def _cub_head(cubs: Sequence[Record], pen: Pen) -> str:
    widths = (layout.CUB_HEADING, *layout.CUB_PARTS * layout.CUB_COLUMNS)
    cols = "".join(f'<col class="{width_class(width)}">' for width in widths)
    names = (_cub_name(i + 1, cub, pen) for i, cub in enumerate(cubs))
    heads = "".join(f'<th scope="col" colspan="{len(layout.CUB_PARTS)}">{name}</th>' for name in names)
    return f"<colgroup>{cols}</colgroup><thead><tr><td>{title(layout.CUBS_TITLE)}</td>{heads}</tr></thead>"


def _cub_name(number: int, cub: Record, pen: Pen) -> str:
    no, known = term_of("cub.cub_no"), term_of("cub.cub_id")
    shown_no = shown(no, cub) or str(number)
    text = pen.write(shown(known, cub), 18, record=record_name("cub", shown_no), key="cub.cub_id")
    return f"{heading(no)} <b>{shown_no}</b> &nbsp; {heading(known)} <b>{text}</b>"


def _cub_row(parts: Sequence[tuple[str, int]], cubs: Sequence[Record], pen: Pen) -> str:
    heads = heading(term_of(parts[0][0])) + "".join(
        f'<span class="r">{heading(term_of(key))}</span>' for key, _ in parts[1:]
    )
    cells = "".join(_cub_cells(parts, cub, i + 1, pen) for i, cub in enumerate(cubs))
    tall = ' class="two"' if parts[0][0] == "cub.transponder" else ""
    return f'<tr{tall}><th scope="row">{heads}</th>{cells}</tr>'


def _cub_cells(parts: Sequence[tuple[str, int]], cub: Record, number: int, pen: Pen) -> str:
    made, start = [], 0
    name = record_name("cub", shown(term_of("cub.cub_no"), cub) or number)
    for key, span in parts:
        width = sum(layout.CUB_PARTS[start : start + span])
        start += span
        made.append(cell(key, shown(term_of(key), cub), width, pen, record=name, span=span))
    return "".join(made)
