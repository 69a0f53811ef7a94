"""Pieces of the sheet's markup: headings, boxes to write in, boxes to tick, one box a digit."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence

from densite.terms import Term
from densite.visitsheet.layout import (
    LETTERED,
    RIGHT,
    TRANSPONDER_DIGITS,
    Box,
    Column,
    Row,
    Slot,
    Title,
    term_of,
)
from densite.visitsheet.values import LABEL_PT, VALUE_PT, text_width

PADDING = 2.0  # of a field: before the heading, after it and at the end [mm]
_MORE = " …"


class Pen:
    """Writes values into boxes; what a box has no room for is kept whole in ``rest`` for the next page."""

    def __init__(self) -> None:
        self.rest: list[tuple[str, str, str]] = []

    def write(self, text: str, room: float, *, record: str, key: str) -> str:
        """Return a value's markup, cut where it is wider than its room.

        Parameters
        ----------
        text : str
            The value.
        room : float
            Width that is left for it. [mm]
        record, key : str
            Of which record and which field it is.

        Returns
        -------
        str
            Escaped.
        """
        if text_width(text, VALUE_PT, bold=True) <= room:
            return escaped(text)
        self.keep(text, record=record, key=key)
        short = text
        while short and text_width(short + _MORE, VALUE_PT, bold=True) > room:
            short = short[:-1]
        return escaped(short + _MORE)

    def keep(self, text: str, *, record: str, key: str) -> None:
        """Keep a value for the next page."""
        self.rest.append((record, key, text))


def escaped(text: str) -> str:
    """Return text of a record so that it can stand in the page, quotes too; what UTF-8 cannot hold becomes ?."""
    return html.escape(text.encode("utf-8", "replace").decode("utf-8"))


def heading(term: Term, *, hint: bool = False) -> str:
    """Return a term's heading with its unit and, if asked for, its choices."""
    unit = f' <span class="u">({escaped(term.unit)})</span>' if term.unit else ""
    choices = f' <span class="c">{escaped(", ".join(term.choices))}</span>' if hint else ""
    return f'<span class="h">{escaped(term.heading)}</span>{unit}{choices}'


def width_class(width: float) -> str:
    """Return the class that gives a width [mm]; the policy of the page allows no style attributes."""
    return f"w{width:g}".replace(".", "-")


def row(cells: Row, values: Mapping[str, str], pen: Pen, *, record: str) -> str:
    """Return a row of fields, with its title if it begins a section.

    Parameters
    ----------
    cells : Row
        What stands in it.
    values : mapping of str to str
        Values by key.
    pen : Pen
        Writes them.
    record : str
        What the record is called on the next page.

    Returns
    -------
    str
    """
    fields = "".join(_field(cell, values, pen, record) for cell in cells if isinstance(cell, Box))
    titles = [cell for cell in cells if isinstance(cell, Title)]
    named = "".join(title(cell) for cell in titles if cell.number)
    signed = "".join(f'<p class="sign {width_class(t.width)}">{t.text}</p>' for t in titles if not t.number)
    slots = "".join(_slot(cell) for cell in cells if isinstance(cell, Slot))
    return f'<div class="row">{named}{slots}<dl>{fields}</dl>{signed}</div>'


def title(cell: Title) -> str:
    """Return the heading of a section."""
    return f'<h2 class="{width_class(cell.width)}">{cell.number} {escaped(cell.text)}</h2>'


def _slot(cell: Slot) -> str:
    return f'<h3 class="{width_class(cell.width)}">{escaped(cell.text)}</h3>'


def _field(box: Box, values: Mapping[str, str], pen: Pen, record: str) -> str:
    term = term_of(box.key)
    label = (f"{term.heading} ({term.unit})" if term.unit else term.heading) if box.named else ""
    room = box.width - PADDING - text_width(label, LABEL_PT)
    entry = _entry(box, term, values.get(box.key, ""), room, pen, record)
    hidden = "" if box.named else ' class="hidden"'
    return f'<div class="f {width_class(box.width)}"><dt{hidden}>{heading(term)}</dt><dd>{entry}</dd></div>'


def _entry(box: Box, term: Term, value: str, room: float, pen: Pen, record: str) -> str:
    if term.choices and box.key != "mark.mark_kind":
        return ticks(term.choices, value)
    if box.key == "mark.mark_code" and box.width == RIGHT:
        return comb(value, TRANSPONDER_DIGITS) or pen.write(value, room, record=record, key=box.key)
    return pen.write(value, room, record=record, key=box.key) or (COLON if term.kind == "time" else "")


COLON = '<span class="colon">:</span>'


def ticks(choices: Sequence[str], chosen: str, *, lettered: bool = False) -> str:
    """Return a box to tick for each choice.

    Parameters
    ----------
    choices : sequence of str
        The choices of a term.
    chosen : str
        The one that is ticked; empty for none.
    lettered : bool
        Print the first letters only, by which intake knows them too.

    Returns
    -------
    str
    """
    return "".join(_tick(choice, choice[0] if lettered else choice, on=choice == chosen) for choice in choices)


def _tick(choice: str, text: str, *, on: bool) -> str:
    """Return a box with its word; read aloud, the word says whether it is ticked."""
    said = f'role="checkbox" aria-disabled="true" aria-checked="{str(on).lower()}" aria-label="{escaped(choice)}"'
    return f'<span class="t" {said}><span class="b">{"×" if on else "&nbsp;"}</span>{escaped(text)}</span>'


def comb(text: str, *lengths: int) -> str:
    """Return lines of boxes for one digit each.

    Parameters
    ----------
    text : str
        What goes into them.
    *lengths : int
        Boxes of each line.

    Returns
    -------
    str
        Empty where the text has more characters than there are boxes.
    """
    digits = "".join(text.split())
    if len(digits) > sum(lengths):
        return ""
    padded, lines = digits.ljust(sum(lengths)), []
    for length in lengths:
        line, padded = padded[:length], padded[length:]
        lines.append("".join(f"<i>{escaped(digit.strip())}</i>" for digit in line))
    said = f' role="img" aria-label="{escaped(digits)}"' if digits else ""
    return f'<span class="comb"{said}>{"".join(f"<span>{line}</span>" for line in lines)}</span>'


def cell(key: str, value: str, width: float, pen: Pen, *, record: str, span: int = 1) -> str:
    """Return a cell of a table: ticks for a choice, digits for a cub's transponder, else room to write.

    Parameters
    ----------
    key : str
        Of the term.
    value : str
        What stands in it.
    width : float
        Width of the cell. [mm]
    pen : Pen
        Writes it.
    record : str
        What the record is called on the next page.
    span : int
        Columns that the cell takes.

    Returns
    -------
    str
    """
    term = term_of(key)
    if key == "cub.transponder":
        half = (TRANSPONDER_DIGITS + 1) // 2
        inner = comb(value, half, TRANSPONDER_DIGITS - half)
    else:
        ticked = term.choices and key.startswith("cub.")
        inner = ticks(term.choices, value, lettered=key in LETTERED) if ticked else ""
    inner = inner or pen.write(value, width - PADDING, record=record, key=key)
    inner = inner or (COLON if term.kind == "time" else "")
    return f"<td{f' colspan={chr(34)}{span}{chr(34)}' if span > 1 else ''}>{inner}</td>"


def table_head(columns: Sequence[Column], *, first: tuple[str, float] | None = None, above: str = "") -> str:
    """Return widths and headings of a table.

    Parameters
    ----------
    columns : sequence of Column
        Their terms.
    first : tuple of str and float, optional
        Markup and width [mm] of a column before them.
    above : str
        Markup over the first heading.

    Returns
    -------
    str
    """
    widths = [*([first[1]] if first else []), *(column.width for column in columns)]
    cols = "".join(f'<col class="{width_class(width)}">' for width in widths)
    named = [heading(term_of(column.key), hint=column.hint) for column in columns]
    heads = "".join(f'<th scope="col">{name}</th>' for name in [above + named[0], *named[1:]])
    lead = f'<th scope="col" class="m">{first[0]}</th>' if first else ""
    return f"<colgroup>{cols}</colgroup><thead><tr>{lead}{heads}</tr></thead>"
