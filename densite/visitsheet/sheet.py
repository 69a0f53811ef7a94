"""The whole sheet as one HTML file for the printer, and as PDF."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from densite.visitsheet import layout
from densite.visitsheet.back import back
from densite.visitsheet.content import SheetContent, SheetError
from densite.visitsheet.front import front
from densite.visitsheet.markup import Pen, escaped
from densite.visitsheet.style import PAPERS, PaperName, style
from densite.visitsheet.values import LABEL_PT, clocks, text_width
from densite.webmap.page import digest
from densite.wholefile import write_whole

PRIVATE = "exact den location: for the crew only"
TITLE_PT = 10.0
_NAME_MM = 45.0  # room for a den's or an animal's name in the head of a page
_NO_PROTOCOL = "the study's veterinary protocol"


def visit_sheet(
    content: SheetContent | None,
    *,
    study_name: str,
    paper: PaperName = "a4",
    protocol: str = "",
    with_place: bool = True,
) -> str:
    """Return the sheet of one visit, or a blank one.

    Parameters
    ----------
    content : SheetContent or None
        The records; None for a blank sheet, one with nothing but den and female for a prepared one.
    study_name : str
        The study, in words.
    paper : str
        ``a4`` or ``letter``.
    protocol : str
        Which signed protocol is in force, in words; empty where there is none.
    with_place : bool
        Print the den's coordinates.

    Returns
    -------
    str
        One HTML document without scripts, the front on one page of that paper; a next page only where the
        records hold more than the front has room for.
    """
    held, pen = content or SheetContent(), Pen()
    sections = front(held, pen, with_place=with_place)
    more = back(held, pen.rest)
    head = _header(study_name, _right(held, protocol, with_place=with_place))
    said = "".join(f'<p class="caution">{escaped(line)}</p>' for line in layout.CAUTIONS)
    line = f'<p class="said">{escaped(_line(held, protocol, bool(more)))}</p>'
    pages = f"<main>{head}{said}{line}{sections}</main>"
    if more:
        pages += f'<div class="next">{_header(study_name, "continued:", *_of(held))}{more}</div>'
    return _document(" ".join(("Den visit", *_of(held))), pages, style(PAPERS[paper], layout.widths()))


def _header(study_name: str, *right: str) -> str:
    """Return the head of a page; each part at the right keeps its own direction of writing."""
    said = " ".join(f"<bdi>{escaped(part)}</bdi>" for part in right)
    taken = sum(text_width(f"{part} ", LABEL_PT, bold=True) for part in right)
    named = _short(f"Den visit · {study_name}", layout.WIDTH - taken - 2, TITLE_PT)
    return f"<header><h1>{escaped(named)}</h1><p>{said}</p></header>"


def _of(content: SheetContent) -> tuple[str, ...]:
    """Name the visit, the day first; long names are cut, since they stand in full on the page."""
    parts = (str(content.date or ""), content.den_label, content.female)
    return tuple(_short(part, _NAME_MM, LABEL_PT) for part in parts if part)


def _short(text: str, room: float, size_pt: float) -> str:
    """Cut a line that is wider than its room. [mm]"""
    short = text
    while short and text_width(f"{short}…", size_pt, bold=True) > room:
        short = short[:-1]
    return text if short == text or text_width(text, size_pt, bold=True) <= room else f"{short}…"


def _right(content: SheetContent, protocol: str, *, with_place: bool) -> str:
    """Say who may see the sheet or, on a blank one, where the limits stand."""
    if content.den:
        return PRIVATE if with_place else "without coordinates"
    return _limits(protocol)


def _limits(protocol: str) -> str:
    return f"Limits: see {protocol or _NO_PROTOCOL}"


def _line(content: SheetContent, protocol: str, more: bool) -> str:
    """Say what goes on behind, in which clock the times are, where notes go and which marks she should carry."""
    clock = clocks(content)
    if not content.den:
        return _cut("Notes: on the back of the sheet. ", content.expected)
    parts = ("…: in full on the next page." if more else "", f"Clock: {clock}." if clock else "", _limits(protocol))
    return " ".join(part for part in parts if part)


def _cut(before: str, marks: Sequence[str]) -> str:
    """List as many marks as a line has room for, and say where the others are."""
    rest = " … more: `densite animal`"
    shown = list(marks)
    while shown and text_width(f"{before}Marks on file: {'; '.join(shown)}{rest}", LABEL_PT) > layout.WIDTH:
        shown.pop()
    listed = f"Marks on file: {'; '.join(shown)}" if shown else ""
    return before + listed + (rest if len(shown) < len(marks) else "")


def _document(title: str, body: str, css: str) -> str:
    policy = f"default-src 'none'; style-src {digest(css)}; base-uri 'none'; form-action 'none'"
    return "\n".join((
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="referrer" content="no-referrer">\n<meta name="robots" content="noindex, nofollow, noarchive">',
        f"<title>{escaped(title)}</title>\n<style>{css}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n",
    ))  # fmt: skip


def write_html(text: str, path: Path) -> None:
    """Write a sheet to a file that only appears once it is complete.

    Parameters
    ----------
    text : str
        From :func:`visit_sheet`.
    path : Path
        The file; one of that name is replaced.

    Raises
    ------
    SheetError
        It cannot be written.
    """
    _write(text.encode("utf-8"), path)


def write_pdf(text: str, path: Path) -> None:
    """Write a sheet as PDF, by WeasyPrint.

    Parameters
    ----------
    text : str
        From :func:`visit_sheet`.
    path : Path
        The file; one of that name is replaced.

    Raises
    ------
    SheetError
        WeasyPrint or its libraries are missing, or the file cannot be written.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # OSError: pango is not there
        raise SheetError(
            f"{path.name}: no PDF without WeasyPrint ({error}). Install it with `pip install 'densite[pdf]'` and, on "
            "Debian, `apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0`; or write .html and print "
            "it from a browser"
        ) from None
    made = weasyprint.HTML(string=text, url_fetcher=_nothing).write_pdf()
    _write(made, path)


def _nothing(url: str, *_: object, **__: object) -> dict[str, object]:
    """Fetch nothing: the sheet holds all it needs, whatever a record's text asks for."""
    raise SheetError(f"the sheet asks for {url}")


def _write(data: bytes, path: Path) -> None:
    try:
        write_whole(path, data)
    except OSError as error:
        raise SheetError(f"the sheet cannot be written to {path}: {error.strerror or error}") from None
