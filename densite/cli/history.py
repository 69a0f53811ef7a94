"""Commands on what was: a record's history, corrections and withdrawals with a reason, the study of an earlier day."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.animalterms import KINDS
from densite.cli import shared

if TYPE_CHECKING:
    from densite.corrections import Correction
    from densite.pipeline import Study


@click.command(short_help="Tell what happened to a den, a visit, an animal or a record.")
@click.argument("what")
@shared.json_option
@shared.study_option
def history(what: str, as_json: bool, folder: Path) -> None:
    """For crew and analyst: tell who recorded and changed what, when, from which file, and why.

    \b
    Example:  densite history D-2026-14 --study basin
              densite history D-2026-14/2026-02-24
              densite history OB-031
              densite history 3f2a90c1

    WHAT is a den, a visit as DEN/DATE, an animal's id, or at least 8 characters of a record's id. What
    another program changed is told too. Times are the study's clock. Exact places: for the crew only.
    """
    from densite.history import as_json as json_of
    from densite.history import as_words
    from densite.pipeline import open_study

    with open_study(folder) as study:
        story = study.history(what)
    click.echo((json_of if as_json else as_words)(story).rstrip("\n"))


@click.command(short_help="Correct values of a den or a visit, with a reason.")
@click.argument("what")
@click.argument("fields", nargs=-1, required=True, metavar="FIELD=VALUE ...")
@click.option("--reason", default="", help="Why; kept for good.")
@click.option("--confirm", is_flag=True, help="The doubts that are told were looked at: it is right all the same.")
@click.option("--yes", is_flag=True, help="Do not ask; for scripts.")
@click.option("--dry-run", is_flag=True, help="Show what would change; change nothing.")
@shared.json_option
@shared.study_option
def correct(
    what: str, fields: tuple[str, ...], reason: str, confirm: bool, yes: bool, dry_run: bool, as_json: bool,
    folder: Path,
) -> None:  # fmt: skip
    """For crew and analyst: correct a den, or a visit as DEN/DATE; what was there is kept in the journal.

    \b
    Example:  densite correct D-2026-14 slope_pct=40 "den_type=rock ledge" \\
                --reason "field book says percent"
              densite correct D-2026-14 datum=NAD27 --reason "GPS was set to NAD27"
              densite correct D-2026-14/2026-02-24 date=2026-02-25 --reason "wrong day"

    Values are read as in crew files (`densite columns`); nothing after = empties a field. Exit code 1:
    nothing was changed, the reasons are listed.
    """
    from densite.pipeline import open_study

    values = _values(fields)
    with open_study(folder) as study:
        made = study.correct(what, values, reason=reason, confirm=confirm, dry_run=True)
        if not as_json:
            _show(made)
        if _agreed(made, confirm=confirm, yes=yes, dry_run=dry_run):
            made = study.correct(what, values, reason=reason, confirm=True, shown=made)
    _close(made, confirm=confirm, dry_run=dry_run, as_json=as_json)


def _values(fields: tuple[str, ...]) -> dict[str, str]:
    """Split FIELD=VALUE."""
    pairs = [field.partition("=") for field in fields]
    wrong = [field for field, (name, sign, _) in zip(fields, pairs, strict=True) if not sign or not name.strip()]
    names = [name.strip() for name, _, _ in pairs]
    if wrong:
        raise click.UsageError(f"write FIELD=VALUE, for example slope_deg=22; not {', '.join(map(repr, wrong))}")
    if twice := {name for name in names if names.count(name) > 1}:
        raise click.UsageError(f"given twice: {', '.join(sorted(twice))}")
    return {name: value for name, (_, _, value) in zip(names, pairs, strict=True)}


def _show(made: Correction) -> None:
    shared.tell(made.problems)
    click.echo(f"{made.name}:")
    for line in made.lines():
        click.echo(f"  {line}")


def _agreed(made: Correction, *, confirm: bool, yes: bool, dry_run: bool) -> bool:
    """Tell whether the correction is to be made; asks on a terminal."""
    if made.stops or dry_run:
        return False
    if yes or not sys.stdin.isatty():
        return yes and (confirm or not made.doubts)
    asked = "Is it right all the same?" if made.doubts and not confirm else "Correct this?"
    return bool(click.confirm(asked, err=True))


def _close(made: Correction, *, confirm: bool, dry_run: bool, as_json: bool) -> None:
    """Say what came of it and end with the exit code."""
    if as_json:
        click.echo(json.dumps(_told(made), indent=2, ensure_ascii=False, default=str))
    if made.done or (dry_run and not made.stops):
        click.echo("Corrected." if made.done else "Would be corrected.", err=True)
        return
    way = "mend what is listed" if made.stops else "--yes makes the change without asking"
    way = "--confirm says that the doubts were looked at" if made.doubts and not made.stops and not confirm else way
    click.echo(f"Nothing was changed: {way}.", err=True)
    sys.exit(1)


def _told(made: Correction) -> dict[str, object]:
    changes = [
        {"table": table, "record": record, "column": column, "before": before, "after": after}
        for (table, record), pairs in made.changes.items() for column, (before, after) in pairs.items()
    ]  # fmt: skip
    problems = json.loads(shared.as_json(made.problems))
    return {"name": made.name, "done": made.done, "changes": changes, "problems": problems}


@click.command(short_help="Withdraw a den or a visit, with a reason; nothing is deleted.")
@click.argument("what")
@click.option("--reason", default="", help="Why; kept for good.")
@click.option("--undo", is_flag=True, help="Take the withdrawal back.")
@shared.study_option
def withdraw(what: str, reason: str, undo: bool, folder: Path) -> None:
    """For crew and analyst: take a den, or a visit as DEN/DATE, out of sight; it is kept.

    \b
    Example:  densite withdraw D-2026-15 --reason "a badger's den"
              densite withdraw D-2026-15 --undo --reason "hairs were found"

    A den takes its visits with it. Its label stays its own.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        made = study.withdraw(what, reason=reason, undo=undo)
    done = "taken back into sight" if made.undo else "withdrawn"
    click.echo(f"{made.name} {done}{f'; {made.said}' if made.said else ''}.")


@click.command("as-of", short_help="Show table, check or records as they stood on an earlier day.")
@click.argument("when", metavar="DATE")
@click.argument("what", type=click.Choice(["table", "check", "records"]))
@click.argument("kind", required=False, type=click.Choice(list(KINDS)))
@click.option("--format", "form", type=click.Choice(["txt", "csv", "md", "json"]), default="txt", show_default=True,
              help="Of the table: for people, spreadsheets, documents, programs.")  # fmt: skip
@click.option("--every", is_flag=True, help="Of records: also what was corrected or withdrawn by then.")
@shared.json_option
@shared.study_option
def as_of(when: str, what: str, kind: str | None, form: str, every: bool, as_json: bool, folder: Path) -> None:
    """For the analyst: show what the study said on an earlier day.

    \b
    Example:  densite as-of 2026-03-01 table --format csv > as-published.csv
              densite as-of 2026-03-01T14:30 check
              densite as-of 2026-03-01 records cub

    A day means its end by the study's clock. The table is that of the day to the last digit: records,
    derived values and the classes' definition come from the register. Layers, calibration and protocol
    files are not kept, so `check` holds the records of that day against those of now.
    """
    from densite.pipeline import open_study

    if (kind is None) == (what == "records"):
        raise click.UsageError("name the kind of record" if kind is None else f"{what} takes no kind of record")
    with open_study(folder) as study:
        _show_then(study.as_of(when), what, kind or "", form=form, every=every, as_json=as_json)


def _show_then(study: Study, what: str, kind: str, *, form: str, every: bool, as_json: bool) -> None:
    from densite.cli import crew, records
    from densite.tables import WRITERS

    if what == "table":
        click.echo(WRITERS[form](study.table()).rstrip("\n"))
    elif what == "records":
        records.show(study, kind, every=every, as_json=as_json)
    else:
        click.echo("Layers, calibration and protocol are those of now: earlier ones are not kept.", err=True)
        review = study.review()
        crew.tell_review(study, review, missing=False, as_json=as_json)
        sys.exit(bool(review.findings))


COMMANDS = (history, correct, withdraw, as_of)
