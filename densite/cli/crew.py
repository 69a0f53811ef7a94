"""Commands of the field crew: log a den, hand in files, look at what is open."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from densite.animalterms import KINDS
from densite.cli import shared
from densite.cli.ask import den_options, typed_in
from densite.cli.learn import learn_files
from densite.errors import IntakeError, Level

if TYPE_CHECKING:
    from densite.deliveries import Delivery
    from densite.pipeline import Study
    from densite.review import Review


@click.command(short_help="Hand in what a crew brings back: files, folders, archives.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--records", type=click.Choice(["den", *KINDS]),
              help="What the files hold.  [default: told by their headings]")  # fmt: skip
@click.option("--dry-run", is_flag=True, help="Show what would happen; change nothing.")
@click.option("--keep-photos", is_flag=True, help="Copy offered photographs, upright and bare, to photos/offered.")
@click.option("--learn", is_flag=True, help="Propose what unknown headings mean, for study.toml; record nothing.")
@click.option("--yes", "accept", is_flag=True, help="With --learn: accept what is sure or likely without asking.")
@shared.json_option
@shared.study_option
def intake(
    files: tuple[Path, ...], records: str | None, dry_run: bool, keep_photos: bool, learn: bool, accept: bool,
    as_json: bool, folder: Path,
) -> None:  # fmt: skip
    """For the crew: hand in files; good rows are recorded, doubtful ones come back to be mended.

    Example:  densite intake --study basin winter-2026.csv waypoints.gpx

    Den visits, or records of the animals' side (marks, handlings, vitals, cubs, samples, permits ...),
    one kind a table, told by its headings: `densite columns --records cub` lists them. CSV, XLSX,
    GPX, KML, KMZ, GeoJSON, GeoPackage, shapefile, the field form's files; folders and zips of these.

    Rows held back are written to out/rejected-FILE.csv with the reason first. Mend them there and
    hand that file in. Handing in a file twice changes nothing. Exit code 1: rows were held back.

    Photographs are offered as den points by their EXIF, to be confirmed. --learn looks at headings and
    values of a file, shows three rows read through what it proposes, and adds it to study.toml once you
    accept it; nothing is recorded by it.
    """
    if accept and not learn:
        raise click.UsageError("--yes goes with --learn")
    if learn:
        sys.exit(learn_files(files, folder=folder, records=records, accept=accept, dry_run=dry_run, as_json=as_json))
    if keep_photos and not dry_run:
        _keep_photos(files, folder)
    _intake(files, records, dry_run, as_json, folder)


def _keep_photos(files: tuple[Path, ...], folder: Path) -> None:
    """Copy pictures to look at them while confirming: turned upright, without their metadata."""
    from densite import settings
    from densite.intake.photograph import is_photograph
    from densite.intake.upright import keep_upright

    settings.load(folder)  # so that nothing is written where no study is
    found = (path for file in files for path in (sorted(file.rglob("*")) if file.is_dir() else (file,)))
    for path in (path for path in found if is_photograph(path) and path.is_file()):
        try:
            click.echo(f"{path.name}: copy to look at in {keep_upright(path, folder / 'photos' / 'offered')}", err=True)
        except IntakeError as error:
            click.echo(f"densite: {error}; no copy was made", err=True)


def _intake(files: tuple[Path, ...], records: str | None, dry_run: bool, as_json: bool, folder: Path) -> NoReturn:
    from densite.pipeline import open_study

    deliveries: list[Delivery] = []
    failures: list[str] = []
    with open_study(folder) as study, shared.progress(shared.line_count(files), "Taking in") as bar:
        for file in files:
            try:
                deliveries.extend(study.hand_in(file, records=records, dry_run=dry_run, tick=bar.update))
            except IntakeError as error:
                failures.append(str(error))
            except KeyboardInterrupt:
                shared.stopped(f"Nothing of {file.name} was recorded, or of its part at work; what came before is in.")
        study.look_beside(deliveries)
    failures += [delivery.failed for delivery in deliveries if delivery.failed]
    _report(deliveries, failures, as_json)
    undone = any(d.held_back or any(p.level is Level.ERROR for p in d.problems) for d in deliveries)
    sys.exit(2 if failures else int(undone))


def _report(deliveries: list[Delivery], failures: list[str], as_json: bool) -> None:
    problems = [p for d in deliveries for p in d.problems]
    if as_json:
        click.echo(shared.as_json(problems))
    else:
        shared.tell(problems)
        for delivery in deliveries:
            click.echo(delivery.summary)
    for failure in failures:
        click.echo(f"densite: {failure}", err=True)


@click.command(short_help="Log one den visit, asking for what is missing.")
@den_options
@click.option("--look", is_flag=True, help="Also say what maps and register know of the place.")
@click.option("--dry-run", is_flag=True, help="Check only; record nothing.")
@shared.study_option
def log(folder: Path, dry_run: bool, look: bool, **given: str | None) -> None:
    """For the crew: log one den visit. On a terminal, what is missing is asked for.

    \b
    Example:  densite log --den-label D-2026-14 --date 2026-02-24 \\
                --coordinates "42.312 N 116.412 W" --datum WGS84 --uncertainty-m 5 \\
                --den-type "rock ledge" --aspect NNE --aspect-reference magnetic

    On a terminal each answer is checked at once, the place is shown on the DEM with the nearest known den,
    and one yes saves. What is not saved yet is kept in out/log-draft.json and offered next time.

    Exit code 1: nothing was recorded, the reasons are listed.
    """
    from densite.pipeline import open_study

    values = typed_in(given)
    with open_study(folder) as study:
        if sys.stdin.isatty():
            from densite.cli.summary import log_by_asking

            log_by_asking(study, values, lambda answers: _log(study, answers, dry_run, told=True))
        else:
            if look:
                _look(study, values)
            _log(study, values, dry_run)


def _look(study: Study, values: dict[str, str]) -> None:
    from densite.answers import weigh
    from densite.lookout import said_look

    today = dt.datetime.now(study.zone).date()
    den = weigh(values, register=study.register, settings=study.settings, area=None, today=today).den
    if den is not None:
        click.echo(said_look(den, register=study.register, settings=study.settings, folder=study.folder), err=True)


def _log(study: Study, values: dict[str, str], dry_run: bool, *, told: bool = False) -> Delivery:
    """Record a row; what a person was told while answering is told again only where it stands in the way."""
    delivery = study.log(values, dry_run=dry_run)
    if delivery.held_back or not told:
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
    return delivery


@click.command(short_help="List what in the register needs a second look.")
@click.option("--missing", is_flag=True, help="List by crew and day what is not filled in, to print.")
@click.option("--html", "page", type=click.Path(dir_okay=False, path_type=Path),
              help="Also write a page to work through, with a map: exact places, for the crew only.")  # fmt: skip
@click.option("--settle", metavar="DEN", help="A person looked at a den's questions: ask them no more.")
@click.option("--about", multiple=True, help="With --settle: only this question, by the name given under --json.")
@click.option("--reason", default="", help="With --settle: why, kept for good.")
@click.option("--deep", is_flag=True, help="Look for damage of the register itself, and for tampering.")
@shared.json_option
@shared.study_option
def check(missing: bool, page: Path | None, settle: str | None, about: tuple[str, ...], reason: str, deep: bool,
          as_json: bool, folder: Path) -> None:  # fmt: skip
    """For crew and analyst: list the register's open questions.

    \b
    Example:  densite check --study basin --html basin/out/questions.html
              densite check --study basin --settle D-2026-14 --about water --reason "island, seen on the ground"

    What a person has confirmed (yes under confirmed, or --settle) is not listed again. What is not set in study.toml
    [check] is not looked at, and said so. Exit code 1: there are open questions.

    With --deep: whether the register is whole, fits its journal and the GeoPackage standard, and what other
    programs changed. Nothing is written. Exit code 1: something is damaged, lost or altered.
    """
    from densite.pipeline import open_study

    if deep:
        _check_deep(folder, as_json)
    if (about or reason) and not settle:
        raise click.UsageError("--about and --reason belong to --settle DEN")
    with open_study(folder) as study:
        if settle:
            _settle(study, settle, about, reason)
        review = study.review()
        if page:
            click.echo(f"Exact den places, for the crew only: {study.worksheet(page, review)}", err=True)
        tell_review(study, review, missing=missing, as_json=as_json)
    sys.exit(bool(review.findings))


def _settle(study: Study, den: str, about: tuple[str, ...], reason: str) -> NoReturn:
    from densite.settling import settle

    keys = settle(study.register, den, study.review(), about=about, reason=reason)
    click.echo(f"Settled at {den}: {', '.join(keys)}")
    sys.exit(0)


def tell_review(study: Study, review: Review, *, missing: bool, as_json: bool) -> None:
    """Print what a review found, as `check` does."""
    from densite.questions import labels_of
    from densite.review.crewdays import as_json as review_json
    from densite.review.crewdays import missing_text

    if as_json:
        click.echo(review_json(review, labels_of(study), missing=missing))
    elif missing:
        click.echo(missing_text(review, labels_of(study)).rstrip("\n"))
    else:
        shared.tell(f.problem for f in review.findings if not f.missing)
        _sum_up(review)


def _sum_up(review: Review) -> None:
    lacking = sum(bool(f.missing) for f in review.findings)
    if lacking:
        click.echo(f"Not filled in: {lacking} dens and visits; `densite check --missing` lists them by crew and day")
    for said in review.unsaid:
        click.echo(f"Not looked at: {said}")
    click.echo(f"Open questions: {shared.counted(review.problems)}")


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
