"""Commands of the analyst: make a study, derive values, print the table, try the demo."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.animalterms import KINDS
from densite.cli import shared
from densite.terms import RECORDED_TERMS

if TYPE_CHECKING:
    from densite.pipeline import Study


@click.command(short_help="Make a study folder.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", help="Name of the study.")
@click.option("--crs", help="Projected CRS in metres, for example EPSG:32611.")
@click.option("--time-zone", help="Time zone of the study area, tz database.  [default: UTC]")
@click.option("--from", "origin", metavar="EXPORT", type=click.Path(path_type=Path),
              help="Take id, name, CRS and time zone from a folder that `densite export` made.")  # fmt: skip
@click.option("--register", metavar="URL", default="",
              help="Make the register in PostgreSQL: postgresql+psycopg://USER@HOST/DATABASE?search_path=SCHEMA, with "
              "the password in DENSITE_REGISTER.  [default: a GeoPackage in the folder]")  # fmt: skip
def new(folder: Path, register: str, origin: Path | None, **given: str | None) -> None:
    """For the analyst: make a study folder with a commented study.toml and an empty register.

    \b
    Example:  densite new basin --name "Basin study" --crs EPSG:32611 \\
                --time-zone America/Boise
              densite new copy --from basin-2026

    Record ids are made from the study's id: an export comes back only into a study with the id it came from,
    which --from takes over. What is said beside --from goes before what the export says.
    """
    from densite.exports.origin import package_of
    from densite.studyfolder import new_study

    package = package_of(origin) if origin else None
    known = _exported(package) if package else {}
    told = known | {key: value for key, value in given.items() if value is not None}
    for key in ("name", "crs"):
        if not told.get(key):
            raise click.UsageError(f"--{key} is missing: say it, or name an export with --from")
    made = new_study(folder, register=register, **told)
    if package:
        click.echo(f"{made / 'study.toml'}: the study of the export. Take it in with "
                   f"`densite intake {origin} --study {made}`.")  # fmt: skip
    else:
        click.echo(f"{made / 'study.toml'}: name your layers there, then hand in crew files with `densite intake`.")


def _exported(package: Path) -> dict[str, str]:
    from densite.exports.origin import read_origin

    found = read_origin(package)
    return {"name": found.name, "crs": found.crs, "time_zone": found.time_zone, "study_id": found.id}


@click.command(short_help="Derive terrain, cover, distances and landscape class at every den.")
@shared.study_option
def derive(folder: Path) -> None:
    """For the analyst: compute what the layers say at every den, and store it beside the records.

    Example:  densite derive --study basin

    What the crew observed is never changed. A value that cannot be had is left missing, with a reason
    that `densite check` lists.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        _derive(study)


def _derive(study: Study) -> None:
    from densite.covariates import steps

    for name, layer in study.layers.items():
        if left_out := getattr(layer, "left_out", 0):
            click.echo(f"layer {name}: {left_out} features without a usable geometry are left out", err=True)
    with shared.progress(len(steps(study.layers, study.settings)), "Deriving") as bar:
        try:
            frame = study.derive(step=lambda _: bar.update(1))
        except KeyboardInterrupt:
            shared.stopped("No derived value was changed.")
    missing = study.register.reasons()
    said = f"; dens that lack some value: {missing['den_id'].nunique()} (see `densite check`)" if len(missing) else ""
    click.echo(f"Derived: {len(study.register.provenance())} values; dens: {len(frame)}{said}")


@click.command(short_help="Print den-type frequencies by landscape class.")
@click.option("--format", "kind", type=click.Choice(["txt", "csv", "md", "json"]), default="txt", show_default=True,
              help="For people, spreadsheets, documents, programs.")  # fmt: skip
@shared.study_option
def table(kind: str, folder: Path) -> None:
    """For the analyst: print how often each den type occurs in each landscape class.

    Example:  densite table --study basin --format csv > den-types.csv
    """
    from densite.pipeline import open_study
    from densite.tables import WRITERS

    with open_study(folder) as study:
        click.echo(WRITERS[kind](study.table()).rstrip("\n"))


@click.command(short_help="Compare dens along the urban-to-rural gradient.")
@click.option("--format", "kind", type=click.Choice(["txt", "csv", "md", "json"]), default="txt", show_default=True,
              help="For people, spreadsheets, documents, programs.")  # fmt: skip
@click.option("--full", is_flag=True, help="Print all rows with methods and sources, not the headline ones only.")
@shared.study_option
def compare(kind: str, full: bool, folder: Path) -> None:
    """For the analyst: do dens differently near people?

    \b
    Example:  densite compare --study basin
              densite compare --study basin --format csv > comparison.csv

    Den types, aspect, slope, cover and distances along the gradient and between landscape classes, with
    the female as the unit of proof. All rows and the figures are written into the study's folder `out`.
    """
    from densite.pipeline import open_study

    with open_study(folder) as study:
        click.echo(_compared(study, kind, full=full or kind != "txt").rstrip("\n"))


def _compared(study: Study, kind: str, *, full: bool) -> str:
    """Compare, write everything, say where it is, and return what is to be printed."""
    from densite.compare.comparison import steps
    from densite.findings import WRITERS, as_text

    question = study.question()
    with shared.progress(len(steps(question)), "Comparing") as bar:
        try:
            comparison = study.compare(question, step=lambda _: bar.update(1))
        except KeyboardInterrupt:
            shared.stopped("Nothing was written.")
    paths = study.write_comparison(comparison)
    figures = sum(path.suffix == ".svg" for path in paths)
    tables = ", ".join(str(path) for path in paths if path.parent == study.out)
    click.echo(f"Written: {tables}; {figures} figures, each as SVG and PNG, in {study.out / 'figures'}", err=True)
    return as_text(comparison, full=full) if kind == "txt" else WRITERS[kind](comparison)


@click.command(short_help="List the columns that crew files may have.")
@click.option("--records", default="den", show_default=True, type=click.Choice(["den", *KINDS]),
              help="den visits, or a kind of the animals' records.")  # fmt: skip
def columns(records: str) -> None:
    """For crew and analyst: list the columns of crew files, their units, values and other headings.

    \b
    Example:  densite columns
              densite columns --records cub
    """
    if records in KINDS:
        kind = KINDS[records]
        click.echo(f"{kind.heading}: {kind.meaning}. A file needs the columns {', '.join(kind.needed)}")
    for term in KINDS[records].terms if records in KINDS else RECORDED_TERMS:
        unit = f" [{term.unit}]" if term.unit else ""
        values = f": {term.allowed()}" if term.choices or term.floor is not None else ""
        also = f"; also headed {', '.join(term.also)}" if term.also else ""
        click.echo(f"{term.name}{unit}  {term.meaning}{values}{also}")


@click.command(short_help="Run the whole job on an invented study.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("ondra-basin"))
def demo(folder: Path) -> None:
    """For everyone: make the invented Ondra Basin study and run the whole job on it.

    Example:  densite demo ondra-basin

    The crew files hold planted slips, so rows come back to be mended: that is part of the demo.
    """
    from densite.demo import make_demo
    from densite.pipeline import open_study

    files = make_demo(folder)
    with open_study(folder) as study:
        with shared.progress(shared.line_count(files), "Taking in") as bar:
            deliveries = study.intake(files, tick=bar.update)
        shared.tell(p for d in deliveries for p in d.problems)
        click.echo("\n".join(d.summary for d in deliveries))
        _derive(study)
        _calibrate(study)
        _show(study)


def _calibrate(study: Study) -> None:
    """Make the demo's calibration of cub ages from its cubs of known birth date: invented, and says so."""
    from densite.calibration import write
    from densite.knownage import fit

    made = fit(study.records("cub"), name=study.settings.study.name, source="made by script", invented=True)
    write(made.calibration, study.folder / study.settings.animals.calibration)


def _show(study: Study) -> None:
    """Write table and map of a study and say where they are."""
    made = study.table()
    paths = study.write_tables(made)
    page = study.map()
    click.echo()
    click.echo(paths[0].read_text(encoding="utf-8").rstrip("\n"))
    click.echo()
    click.echo(f"Open questions: {shared.counted(study.check())}; `densite check --study {study.folder}` lists them")
    click.echo(f"Table: {', '.join(str(p) for p in paths)}")
    click.echo(f"Map (exact places, for the crew only): {page}")
    counts = ", ".join(f"{kind.heading.lower()} {len(study.records(kind.name))}" for kind in KINDS.values())
    click.echo(f"Animals' records: {counts}. Look at them with")
    where = f"--study {study.folder}"
    for said in ("cubs births", "cubs litters", "handling OB-031", "animal 900000131", "sheet D-2026-14", "permits",
                 "samples custody"):  # fmt: skip
        click.echo(f"  densite {said} {where}")
    sys.stdout.flush()


COMMANDS = (new, derive, table, compare, columns, demo)
