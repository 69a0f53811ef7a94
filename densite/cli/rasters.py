"""Commands that make whole rasters."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared

if TYPE_CHECKING:
    from densite.layers import Raster
    from densite.surfaces import Band

BANDS: tuple[Band, ...] = ("elevation", "slope", "aspect", "hillshade")


@click.command(short_help="Write slope, aspect, elevation, hillshade of a whole DEM.")
@click.argument("dem", type=click.Path())
@click.option("--elevation", is_flag=True, help="Elevation in metres.")
@click.option("--slope", is_flag=True, help="Steepest slope in degrees.")
@click.option("--aspect", is_flag=True, help="Downslope bearing from true north in degrees; none where flat.")
@click.option("--hillshade", is_flag=True, help="Light from the north-west on the ground, 0 to 1.")
@click.option("--method", type=click.Choice(["horn", "zevenbergen-thorne"]), default="horn", show_default=True,
              help="Estimator of slope and aspect.")  # fmt: skip
@click.option("--unit", type=click.Choice(["m", "ft", "us-ft"]),
              help="Unit of elevation.  [default: as the file says, else m]")  # fmt: skip
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="GeoTIFF to write.")
@click.option("--force", is_flag=True, help="Replace the output if it is there.")
def terrain(dem: str, method: Any, unit: str | None, output: Path, force: bool, **wanted: bool) -> None:
    """For the analyst: write the shape of the ground in every cell of a DEM, a band for each.

    Example:  densite terrain dem.tif --slope --aspect -o terrain.tif

    The values are those that `densite derive` gives at points: ground distances, true north. The
    output is a cloud-optimised GeoTIFF. After an interruption the same command goes on from the
    finished blocks.
    """
    bands = tuple(band for band in BANDS if wanted[band])
    if not bands:
        raise click.UsageError(f"say what to write: one or more of --{', --'.join(BANDS)}")
    damaged = _write(_opened(dem, unit), output, bands=bands, method=method, overwrite=force)
    if damaged:
        click.echo(f"{dem}: {damaged} blocks cannot be read: nodata there; copy the file again", err=True)
        sys.exit(1)


def _opened(dem: str, unit: str | None) -> Raster:
    from densite.errors import LayerError
    from densite.layers import VIRTUAL, open_raster
    from densite.settings import LayerSettings

    # as typed: a Path would fold the two slashes of /vsizip//folder/file.zip, of which the layer tells
    if not dem.startswith(VIRTUAL) and not Path(dem).exists():
        raise LayerError(f"no file {dem}")
    return open_raster("DEM", LayerSettings(path=dem, unit=unit), folder=Path())


def _write(dem: Raster, output: Path, **options: Any) -> int:
    """Write the raster with a progress bar; return how many blocks of the DEM are damaged."""
    from densite.surfaces import step_count, terrain_raster

    with shared.progress(step_count(dem), "Computing") as bar:
        try:
            made = terrain_raster(dem, output, tick=bar.update, **options)
        except KeyboardInterrupt:
            shared.stopped(f"{output} was not written; the same command goes on from the finished blocks.")
    kept = f"; {made.resumed} blocks from the interrupted run" if made.resumed else ""
    click.echo(f"{made.path}: {', '.join(made.bands)}{kept}")
    return made.damaged


COMMANDS = (terrain,)
