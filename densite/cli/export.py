"""The command that writes the records in open formats."""

from __future__ import annotations

from pathlib import Path

import click

from densite.cli import shared

FORMATS = ("csv", "geojson", "geoparquet", "kml", "gpx")


@click.command(short_help="Write the crew's records as CSV, GeoJSON, GeoParquet, KML or GPX.")
@click.argument("target", metavar="FOLDER", type=click.Path(file_okay=False, path_type=Path))
@click.option("--format", "formats", type=click.Choice([*FORMATS, "all"]), multiple=True, default=("csv",),
              show_default=True, help="Format; may be given several times.")  # fmt: skip
@shared.study_option
def export(target: Path, formats: tuple[str, ...], folder: Path) -> None:
    """For the crew: write the records in open formats into a new folder, private to its owner.

    \b
    Example:  densite export basin-2026 --study basin --format all
              densite new copy --from basin-2026
              densite intake --study copy basin-2026

    The files hold exact den locations: for the crew only. CSV holds everything (dens, visits, all
    records, what was withdrawn or corrected) with a Table Schema in datapackage.json, and comes back
    equal when the folder is handed in; dens.geojson holds dens and visits and comes back equal in those.
    visits.gpx is for GPS receivers, dens.kml for globes, dens.parquet for data frames. History stays in
    the register: `densite backup` keeps that too.
    """
    from densite.exports import NOTICE
    from densite.exports.formats import export as written
    from densite.pipeline import open_study

    with open_study(folder) as study:
        paths = written(study.register, study.settings, target, FORMATS if "all" in formats else formats)
    click.echo("\n".join(str(path) for path in paths))
    click.echo(f"These files hold {NOTICE}.", err=True)


COMMANDS = (export,)
