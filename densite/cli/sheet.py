"""The printed sheet of a den visit."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.visitsheet import SheetContent

KINDS_SHOWN = ("handling", "drug", "reading", "mark", "cub", "sample", "check")


@click.command(short_help="Print the sheet of a den visit, blank or filled.")
@click.argument("visit", required=False)
@click.option("--blank", is_flag=True, help="A blank sheet to take along.")
@click.option("--den", help="With --blank: print this den's label on it.")
@click.option("--female", help="The female; with --blank also the marks to expect on her.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of paper.")
@click.option("--without-place", is_flag=True, help="Leave the den's coordinates out.")
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path),
              help="File to write, .html or .pdf.  [default: out/sheet-DEN-DATE.html]")  # fmt: skip
@shared.study_option
def sheet(visit: str | None, blank: bool, output: Path | None, folder: Path, **chosen: Any) -> None:
    """For the crew: print the sheet of a den visit on one page, in the order of the work.

    \b
    Example:  densite sheet --blank --den D-2026-14 --female OB-031 --paper letter
              densite sheet D-2026-14/2026-02-24 -o visit.pdf

    A filled sheet is for the file: it shows the exact den place, and goes on behind where a visit has more
    than the page has room for. A .pdf needs WeasyPrint (`pip install 'densite[pdf]'`); .html prints from
    any browser, at 100 %.

    Immobilise only under permit and a veterinary protocol. Drugs are dangerous to people: know the emergency
    plan. Watch for hypothermia and hyperthermia, keep cubs warm, have an orphan plan, wear gloves.
    """
    from densite.pipeline import open_study

    if blank == bool(visit) or (chosen["den"] and not blank):
        raise click.UsageError("name a visit (DEN or DEN/2026-02-24), or --blank with --den and --female if you like")
    if output is not None and output.suffix.lower() not in (".html", ".pdf"):
        raise click.UsageError(f"{output.name}: the ending says what is written: .html or .pdf")
    with open_study(folder) as study:
        content = _blank(study, chosen) if visit is None else _filled(study, visit, chosen["female"])
        path = output or _default_path(study.out, content, chosen)
        _write(study, content, path, chosen)
    click.echo(path)


def _blank(study: Any, chosen: dict[str, Any]) -> SheetContent:
    from densite.visitsheet import SheetContent, marks_to_expect

    female = chosen["female"] or ""
    expected = marks_to_expect(study.records("mark"), female) if female else ()
    if female and not expected:
        click.echo(f"No marks of {female} are on file: is the id right? `densite animal {female}`", err=True)
    if chosen["den"] and chosen["den"] not in set(study.dens["label"]):
        click.echo(f"No den {chosen['den']} is in the register: right for a new one, else look at the label", err=True)
    return SheetContent(den_label=chosen["den"] or "", female=female, expected=expected)


def _filled(study: Any, text: str, female: str | None) -> SheetContent:
    from densite.visitsheet import sheet_content

    visit = study.visit(text)
    if female is None and len(visit.females) > 1:
        raise click.UsageError(f"that visit has several females: choose one with --female {' or '.join(visit.females)}")
    if female is not None and female not in visit.females:
        known = ", ".join(visit.females) or "none"
        raise click.UsageError(f"--female {female}: not recorded with that visit; recorded: {known}")
    return sheet_content(
        {kind: study.records(kind) for kind in KINDS_SHOWN}, den_id=visit.den_id,
        den=study.dens.loc[visit.den_id].to_dict(), visits=study.visits, date=visit.date,
        female=female or next(iter(visit.females), ""),
    )  # fmt: skip


def _default_path(out: Path, content: SheetContent, chosen: dict[str, Any]) -> Path:
    from densite.visitsheet import file_stem

    out.mkdir(mode=0o700, exist_ok=True)
    stem = file_stem(content, with_female=bool(chosen["female"]))
    return out / f"{stem}{'-without-place' if chosen['without_place'] else ''}.html"


def _write(study: Any, content: SheetContent, path: Path, chosen: dict[str, Any]) -> None:
    from densite.visitsheet import visit_sheet, write_html, write_pdf

    page = visit_sheet(
        content, study_name=study.settings.study.name, paper=chosen["paper"],
        protocol=_protocol(study, content.date or dt.date.today()), with_place=not chosen["without_place"],
    )  # fmt: skip
    (write_pdf if path.suffix.lower() == ".pdf" else write_html)(page, path)


def _protocol(study: Any, on: dt.date) -> str:
    """Name the protocol that was signed and in force on a day; empty where none was."""
    from densite.errors import SettingsError
    from densite.protocol import load

    try:
        held = load(study.folder / study.settings.animals.protocol)
    except SettingsError as error:  # a crew that leaves for the den needs its paper all the same
        click.echo(f"The sheet names no protocol: {error}", err=True)
        return ""
    if held is None or held.objection(on):
        return ""
    return f"protocol version {held.signed.version}, signed {held.signed.date} by {held.signed.veterinarian}"


COMMANDS = (sheet,)
