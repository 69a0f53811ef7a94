"""Commands for many points: draw available points, derive values at a million of them."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.campaign import Outcome


def _codes(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[int, ...]:
    """Read whole numbers with commas between."""
    try:
        return tuple(int(code) for code in value.split(",")) if value else ()
    except ValueError:
        raise click.BadParameter(f"'{value}'; expected codes such as 11,24", ctx=ctx, param=param) from None


@click.command(short_help="Draw available points to compare dens with.")
@click.option("-n", "number", type=int, help="Number of random points, for each female where --female is given.")
@click.option("--grid", "spacing", type=float, metavar="METRES", help="All nodes of a square grid instead.")
@click.option("--seed", type=int, required=True, help="The same seed gives the same points.")
@click.option("--within", type=click.Path(path_type=Path), help="Polygons to draw in.  [default: layer boundary]")
@click.option("--female", metavar="COLUMN", help="Column of --within with the female whose area a polygon is.")
@click.option("--exclude", multiple=True, type=click.Path(path_type=Path), help="Polygons to leave out; repeatable.")
@click.option("--exclude-cover", "codes", metavar="CODES", callback=_codes,
              help="Land-cover codes to leave out, such as 11,24.")  # fmt: skip
@click.option("-o", "--output", required=True, type=click.Path(dir_okay=False, path_type=Path),
              help="File to write: .gpkg, .parquet or .csv; one that is there is never replaced.")  # fmt: skip
@shared.study_option
def available(
    number: int | None, spacing: float | None, seed: int, within: Path | None, female: str | None,
    exclude: tuple[Path, ...], codes: tuple[int, ...], output: Path, folder: Path,
) -> None:  # fmt: skip
    """For the analyst: draw points that a female could have used, evenly over the study area.

    \b
    Example:  densite available --study basin -n 10000 --seed 7 \\
                --exclude-cover 11,24 --exclude lakes.gpkg -o points.gpkg

    Seed, rule and fingerprints of what was left out are kept in the file (beside a CSV in FILE.json).
    Points where the land cover is unknown are left out when codes are given.
    """
    from densite.available import study_points
    from densite.pointfile import write_points
    from densite.settings import load

    points = study_points(
        load(folder), folder=folder, n=number, seed=seed, spacing_m=spacing, within=within,
        female=female, exclude=exclude, exclude_codes=codes,
    )  # fmt: skip
    click.echo(f"Available points: {len(points)}; {', '.join(map(str, write_points(points, output)))}")


@click.command(short_help="Derive values at very many points, in parts.")
@click.argument("points", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(file_okay=False, path_type=Path),
              help="Folder for the parts, one Parquet file a task.")  # fmt: skip
@click.option("--crs", help="CRS of a points file that does not say it, such as CSV.")
@click.option("--workers", type=click.IntRange(min=1), default=1, show_default=True, help="Processes on this machine.")
@click.option("--cluster", metavar="WHERE", help="dask: local, or a scheduler such as tcp://host:8786.")
@shared.study_option
def covariates(points: Path, output: Path, crs: str | None, workers: int, cluster: str | None, folder: Path) -> None:
    """For the analyst: derive what the layers say at the points of a file, as `densite derive` does at dens.

    Example:  densite covariates points.gpkg --study basin -o out/points --workers 2

    Typed again after an interruption, it goes on with the parts that are missing. With --cluster the
    workers must see the study folder and the output folder under the same paths. Exit code 1: parts failed.
    """
    from densite.campaign import plan
    from densite.layers import open_layers
    from densite.pointfile import read_points
    from densite.settings import load
    from densite.workers import run

    settings = load(folder)
    layers = open_layers(settings, folder=folder)
    tasks = plan(read_points(points, crs=crs), settings=settings, layers=layers, folder=folder, out=output)
    with shared.progress(len(tasks), "Deriving") as bar:
        try:
            outcomes = run(tasks, workers=workers, cluster=cluster, tick=lambda _: bar.update(1))
        except KeyboardInterrupt:
            shared.stopped("Finished parts are kept; type the same again to go on.")
    _told(len(tasks), outcomes, output)


def _told(tasks: int, outcomes: list[Outcome], output: Path) -> None:
    """Say how a campaign ended."""
    failed = [outcome for outcome in outcomes if outcome.error]
    for outcome in failed:
        click.echo(f"part {outcome.number}: failed {outcome.tries} times; last: {outcome.error}", err=True)
    made = len(outcomes) - len(failed)
    click.echo(f"Parts: {made} made, {tasks - len(outcomes)} kept, {len(failed)} failed; {output}")
    sys.exit(bool(failed))


COMMANDS = (available, covariates)
