"""The crew's map: exact dens with their records over the study's own layers. Never for the public."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd

from densite.cover import Legend
from densite.errors import MapError
from densite.gradient import ClassGrid
from densite.layers import Features, Raster
from densite.webmap import markers, overlays
from densite.webmap.markers import Groups
from densite.webmap.outlines import Outline, outline
from densite.webmap.overlays import Overlay
from densite.webmap.region import Region, around
from densite.webmap.sheet import Sheet, draw
from densite.wholefile import write_whole

BANNER = "Exact den locations: not for publication"


def crew_map(
    dens: gpd.GeoDataFrame,
    *,
    title: str,
    groups: Groups,
    layers: Mapping[str, Raster | Features],
    legend: Legend | None,
    landscape: ClassGrid | None,
    overlay_px: int = 1100,
) -> str:
    """Return the crew's map as the text of one HTML file that works without a network.

    All text of the records is shown as it was typed, never read as markup.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites: points with ``label``, ``den_type`` and the columns that ``groups`` name.
    title : str
        Title of the map.
    groups : sequence of (heading, fields)
        Groups of popup lines, such as what was observed at the den and what was derived from layers.
    layers : mapping of str to Raster or Features
        The study's layers by name; ``elevation`` and ``land_cover`` become pictures, the vector
        layers outlines, others are not drawn.
    legend : Legend or None
        Names of the land-cover codes.
    landscape : ClassGrid or None
        Landscape classes.
    overlay_px : int
        Longest side of each raster picture. [pixels]

    Returns
    -------
    str
        The HTML text; it holds exact den locations and says so.

    Raises
    ------
    MapError
        There is nothing to draw, a column or a den type does not fit, or a layer cannot be drawn.
    """
    table = markers.table(dens, groups=groups)
    view = _view(dens, layers)
    region = view.widened()
    return draw(
        Sheet(
            title=title,
            banner=BANNER,
            view=view,
            dens=table,
            overlays=_pictures(layers, legend, landscape, region, overlay_px),
            outlines=_outlines(layers, region),
            notes=_notes(dens),
        )
    )


def write_map(text: str, path: Path) -> None:
    """Write a map's HTML text to a file that only appears once it is complete.

    Parameters
    ----------
    text : str
        What :func:`crew_map` returned.
    path : Path
        The file; one of that name is replaced.

    Raises
    ------
    MapError
        The file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text.encode("utf-8"))
    except OSError as error:
        raise MapError(f"the map cannot be written to {path}: {error}") from None


def _view(dens: gpd.GeoDataFrame, layers: Mapping[str, Raster | Features]) -> Region:
    """Show all dens and the whole study boundary; without either, all of the elevation layer."""
    boundary = layers.get("boundary")
    frames = [dens, boundary.frame] if isinstance(boundary, Features) else [dens]
    view = around(frames)
    if view is None and isinstance(raster := layers.get("elevation"), Raster):
        view = overlays.covered(raster)
    if view is None:
        raise MapError("there is nothing to draw: no den has a point, and the study has no boundary and "
                       "no elevation layer")  # fmt: skip
    return view


def _pictures(
    layers: Mapping[str, Raster | Features],
    legend: Legend | None,
    landscape: ClassGrid | None,
    region: Region,
    longest_px: int,
) -> list[Overlay]:
    options: dict[str, Any] = {"region": region, "longest_px": longest_px}
    pictures: list[Overlay] = []
    if isinstance(raster := layers.get("elevation"), Raster):
        pictures += overlays.relief(raster, **options)
    if isinstance(raster := layers.get("land_cover"), Raster):
        pictures += overlays.land_cover(raster, legend=legend, **options)
    if landscape is not None:
        pictures += overlays.landscape_classes(landscape, **options)
    return pictures


def _outlines(layers: Mapping[str, Raster | Features], region: Region) -> list[Outline]:
    """Return the vector layers, areas first and the boundary last, so that none hides another."""
    order = ("landscape", "urban", "buildings", "streams", "roads", "boundary")
    named: Iterable[Any] = (layers.get(name) for name in order)
    return [one for layer in named if isinstance(layer, Features) for one in outline(layer, region=region)]


def _notes(dens: gpd.GeoDataFrame) -> list[str]:
    lost = markers.without_place(dens)
    return [f"{lost} of {len(dens)} dens have no coordinates and are not drawn."] if lost else []
