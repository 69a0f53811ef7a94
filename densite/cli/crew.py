"""Commands of the field crew: log a den, hand in files, look at what is open."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from densite.animalterms import KINDS
from densite.cli import shared
from densite.cli.ask import ask, den_options, typed_in
from densite.errors import IntakeError, Level

if TYPE_CHECKING:
    from densite.deliveries import Delivery
    from densite.pipeline import Study


@click.command(short_help="Hand in crew files: CSV, GeoJSON, GPX.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--records", type=click.Choice(["den", *KINDS]),
              help="What the files hold.  [default: told by their headings]")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Show what would happen; change nothing.")
@shared.json_option
@shared.study_option
def intake(files: tuple[Path, ...], records: str | None, dry_run: bool, as_json: bool, folder: Path) -> None:
    """For the crew: hand in files; good rows are recorded, doubtful ones come back to be mended.

    Example:  densite intake --study basin winter-2026.csv waypoints.gpx

    Den visits, or records of the animals' side (marks, handlings, vitals, cubs, samples, permits ...),
    one kind a file, told by its headings: `densite columns --records cub` lists them.

    Rows held back are written to out/rejected-FILE.csv with the reason first. Mend them there and
    hand that file in. Handing in a file twice changes nothing. Exit code 1: rows were held back.
    """
    from densite.pipeline import open_study

    deliveries: list[Delivery] = []
    failures: list[str] = []
    with open_study(folder) as study, shared.progress(shared.line_count(files), "Taking in") as bar:
        for file in files:
            try:
                deliveries.append(study.hand_in(file, records=records, dry_run=dry_run, tick=bar.update))
            except IntakeError as error:
                failures.append(str(error))
            except KeyboardInterrupt:
                shared.stopped(f"Nothing of {file.name} was recorded; files before it are in.")
        study.look_beside(deliveries)
    _report(deliveries, failures, as_json)
    sys.exit(2 if failures else int(any(d.held_back for d in deliveries)))


def _report(deliveries: list[Delivery], failures: list[str], as_json: bool) -> None:
    problems = [p for d in deliveries for p in d.problems]
    if as_json:
        click.echo(shared.as_json(problems))
    else:
        shared.tell(problems)
        click.echo("\n".join(d.summary for d in deliveries))
    for failure in failures:
        click.echo(f"densite: {failure}", err=True)


@click.command(short_help="Log one den visit, asking for what is missing.")
@den_options
@click.option("--dry-run", is_flag=True, help="Check only; record nothing.")
@shared.study_option
def log(folder: Path, dry_run: bool, **given: str | None) -> None:
    """For the crew: log one den visit. On a terminal, what is missing is asked for.

    \b
    Example:  densite log --den-label D-2026-14 --date 2026-02-24 \\
                --coordinates "42.312 N 116.412 W" --datum WGS84 --uncertainty-m 5 \\
                --den-type "rock ledge" --aspect NNE --aspect-reference magnetic

    Exit code 1: nothing was recorded, the reasons are listed.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        values = typed_in(given)
        if sys.stdin.isatty():
            answers = ask(values, study)
            if answers is None:
                click.echo("Nothing was recorded.", err=True)
                sys.exit(1)
            values = answers
        _log(study, values, dry_run)


def _log(study: Study, values: dict[str, str], dry_run: bool) -> None:
    delivery = study.log(values, dry_run=dry_run)
    shared.tell(delivery.problems)
    if delivery.held_back:
        click.echo("Nothing was recorded. Mend what is listed above and log again.", err=True)
        sys.exit(1)
    if delivery.known:
        click.echo("Recorded already: nothing was changed.")
    elif dry_run:
        click.echo("Would be recorded.")
    else:
        click.echo(f"Recorded: {values['den_label'] if values.get('den_label') else 'a den without label'}.")


@click.command(short_help="List what in the register needs a second look.")
@click.option("--deep", is_flag=True, help="Look for damage of the register itself, and for tampering.")
@shared.json_option
@shared.study_option
def check(deep: bool, as_json: bool, folder: Path) -> None:
    """For crew and analyst: list the register's open questions.

    Example:  densite check --study basin

    Doubts that were confirmed (yes under confirmed) are not listed again. Exit code 1: there are some.

    With --deep: whether the register is whole, fits its journal and the GeoPackage standard, and what other
    programs changed. Nothing is written. Exit code 1: something is damaged, lost or altered.
    """
    from densite.pipeline import open_study

    if deep:
        _check_deep(folder, as_json)
    with open_study(folder) as study:
        problems = study.check()
    if as_json:
        click.echo(shared.as_json(problems))
    else:
        shared.tell(problems)
        click.echo(f"Open questions: {shared.counted(problems)}")
    sys.exit(bool(problems))


def _check_deep(folder: Path, as_json: bool) -> NoReturn:
    from densite import settings
    from densite.register.databaseurl import target_of
    from densite.register.soundness import look_at, newest_entry

    target = target_of(settings.load(folder).register_, folder)
    found = look_at(target)
    damaged = any(problem.level != Level.NOTE for problem in found)
    if as_json:
        click.echo(shared.as_json(found))
    else:
        shared.tell(found)
        said = shared.counted(found) if damaged else "sound"
        click.echo(f"Register: {said}. Newest: {newest_entry(target) or 'cannot be read'}")
    sys.exit(damaged)


COMMANDS = (intake, log, check)
