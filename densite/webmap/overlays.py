"""Rasters as small pictures in the screen's projection, each with the legend of what it shows."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import rasterio
import rasterio.crs
import rasterio.transform
from affine import Affine
from numpy.typing import NDArray
from PIL import Image
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.transform import from_bounds
from rasterio.vrt import WarpedVRT
from rasterio.warp import calculate_default_transform, reproject, transform_bounds
from scipy.ndimage import binary_erosion

from densite.cover import Legend
from densite.errors import MapError
from densite.gradient import ClassGrid
from densite.layers import Raster
from densite.terrain import hillshade, metres_per_unit, slope_grid
from densite.webmap import palette
from densite.webmap.region import SCREEN_CRS, Region

SLOPE_BREAKS_DEG = (5.0, 10.0, 20.0, 30.0, 40.0)
MOST_CLASSES = 254
_FLAT_SHADE = math.sin(math.radians(45.0))  # what level ground returns under a light 45 degrees high
_SHADOW_GREY, _FLAT_GREY = 105.0, 240.0
_WEBP_QUALITY = 72


@dataclass(frozen=True, slots=True)
class Swatch:
    """One entry of a legend: a colour and what it stands for."""

    colour: str
    text: str


@dataclass(frozen=True, slots=True)
class Overlay:
    """A picture over a region, its place in the layer switch and its legend.

    ``cell_m`` is the ground size of one picture cell. [m]
    """

    key: str
    title: str
    picture: str
    region: Region
    cell_m: float
    swatches: tuple[Swatch, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of a picture: a box of EPSG:3857 cut into columns and rows."""

    region: Region
    columns: int
    rows: int

    @property
    def transform(self) -> Affine:
        """Affine transform from cells to EPSG:3857."""
        box = self.region
        cells: Affine = from_bounds(box.left, box.bottom, box.right, box.top, self.columns, self.rows)
        return cells

    @property
    def cell_m(self) -> float:
        """Ground size of a cell in the middle of the grid. [m]"""
        return (self.region.right - self.region.left) / self.columns * self.region.ground_scale


def relief(raster: Raster, *, region: Region, longest_px: int) -> list[Overlay]:
    """Return hillshade and slope of an elevation layer.

    Both are computed from elevations averaged to the picture's cells, so they are smoother than the
    layer itself; the notes say the cell. They are pictures and feed no record.

    Parameters
    ----------
    raster : Raster
        Elevations.
    region : Region
        The part to show.
    longest_px : int
        Longest side of the pictures. [pixels]

    Returns
    -------
    list of Overlay
        Hillshade and slope; empty when the layer does not reach into the region.

    Raises
    ------
    MapError
        The layer cannot be read or warped.
    """
    grid = _grid(raster, region, longest_px)
    if grid is None:
        return []
    heights = _without_rim(_warped(raster, grid, Resampling.average)) * metres_per_unit(raster)
    cell = grid.cell_m
    shade = hillshade(heights, cell_x=cell, cell_y=cell)
    slope = slope_grid(heights, cell_x=cell, cell_y=cell)
    return [_hillshade_overlay(shade, grid), _slope_overlay(slope, grid)]


def land_cover(raster: Raster, *, legend: Legend | None, region: Region, longest_px: int) -> list[Overlay]:
    """Return the land-cover layer as a picture of its classes.

    Parameters
    ----------
    raster : Raster
        Class codes.
    legend : Legend or None
        Names of the codes; a code without a name is shown in grey with its number.
    region : Region
        The part to show.
    longest_px : int
        Longest side of the picture. [pixels]

    Returns
    -------
    list of Overlay
        One overlay, or none when the layer does not reach into the region.

    Raises
    ------
    MapError
        The layer cannot be read, or has more classes than a picture can tell apart.
    """
    grid = _grid(raster, region, longest_px)
    if grid is None:
        return []
    values = _warped(raster, grid, Resampling.nearest)
    if legend is not None and legend.nodata is not None:
        values[values == legend.nodata] = np.nan
    codes = np.unique(values[np.isfinite(values)])
    if len(codes) > MOST_CLASSES:
        raise MapError(
            f"layer '{raster.name}' has {len(codes)} different values; a class map has at most "
            f"{MOST_CLASSES}. Is it a measurement instead of land-cover classes?"
        )
    named = legend.classes if legend else {}
    swatches = _cover_swatches(codes, named)
    places = np.where(np.isfinite(values), np.searchsorted(codes, values) + 1, 0)
    title = f"Land cover ({legend.name})" if legend else "Land cover"
    return [_classes_overlay("land_cover", title, places, swatches, grid)]


def landscape_classes(classes: ClassGrid, *, region: Region, longest_px: int) -> list[Overlay]:
    """Return the landscape classes as a picture.

    Parameters
    ----------
    classes : ClassGrid
        Class of each cell; -1 is missing.
    region : Region
        The part to show.
    longest_px : int
        Longest side of the picture. [pixels]

    Returns
    -------
    list of Overlay
        One overlay, or none when the classes do not reach into the region.

    Raises
    ------
    MapError
        The grid cannot be warped to the screen's projection.
    """
    shape = classes.codes.shape
    grid = _screen_grid(classes.crs, classes.transform, shape, region, longest_px)
    if grid is None:
        return []
    places = np.zeros((grid.rows, grid.columns), dtype=np.uint8)
    try:
        reproject(
            (classes.codes.astype(np.int16) + 1).astype(np.uint8), places,
            src_transform=classes.transform, src_crs=_raster_crs(classes.crs),
            dst_transform=grid.transform, dst_crs=SCREEN_CRS, resampling=Resampling.nearest,
        )  # fmt: skip
    except RasterioError as error:
        raise MapError(f"landscape classes cannot be drawn in {SCREEN_CRS}: {error}") from None
    colours = palette.class_colours(len(classes.classes))
    swatches = [Swatch(*pair) for pair in zip(colours, classes.classes, strict=True)]
    return [_classes_overlay("landscape", "Landscape classes", places, swatches, grid, classes.definition)]


def covered(raster: Raster) -> Region:
    """Return the box of the screen's projection that a raster covers.

    Raises
    ------
    MapError
        The raster lies where the screen's projection has no place (the poles).
    """
    rows, columns = raster.shape
    bounds = rasterio.transform.array_bounds(rows, columns, raster.transform)
    return _screen_box(_raster_crs(raster.crs), bounds)


def _hillshade_overlay(shade: NDArray[np.float64], grid: Grid) -> Overlay:
    known = np.isfinite(shade)
    tone = _SHADOW_GREY + (_FLAT_GREY - _SHADOW_GREY) * np.where(known, shade, 0.0) / _FLAT_SHADE
    grey = np.clip(tone, 0, 255).astype(np.uint8)
    picture = Image.merge("LA", (Image.fromarray(grey), Image.fromarray((known * 255).astype(np.uint8))))
    uri = _encoded(picture.convert("RGBA"), "WEBP", quality=_WEBP_QUALITY, method=4)
    note = f"Light from the north-west; elevations averaged to {_metres(grid.cell_m)} cells"
    return Overlay("hillshade", "Relief shading", uri, grid.region, grid.cell_m, (), note)


def _slope_overlay(slope: NDArray[np.float64], grid: Grid) -> Overlay:
    places = np.where(np.isfinite(slope), np.digitize(slope, SLOPE_BREAKS_DEG) + 1, 0)
    lows = (0.0, *SLOPE_BREAKS_DEG)
    texts = [f"{low:g} to {high:g}°" for low, high in zip(lows, SLOPE_BREAKS_DEG, strict=False)]
    texts.append(f"{lows[-1]:g}° and steeper")
    colours = palette.slope_colours(len(texts))
    swatches = [Swatch(*pair) for pair in zip(colours, texts, strict=True)]
    note = (
        f"From elevations averaged to {_metres(grid.cell_m)} cells, so steep short banks look gentler "
        "here than in the records"
    )
    return _classes_overlay("slope", "Slope", places, swatches, grid, note)


def _classes_overlay(
    key: str, title: str, places: NDArray[Any], swatches: Sequence[Swatch], grid: Grid, note: str = ""
) -> Overlay:
    """Make a paletted picture: place 0 is clear, place n has the colour of the n-th swatch.

    The legend keeps only the classes that are in the picture.
    """
    cells = np.ascontiguousarray(places, dtype=np.uint8)
    paletted = Image.frombytes("P", (grid.columns, grid.rows), cells.tobytes())
    paletted.putpalette([0, 0, 0, *(part for s in swatches for part in palette.rgb(s.colour))])
    uri = _encoded(paletted, "PNG", transparency=0, optimize=True)
    present = set(np.unique(places).tolist())
    shown = tuple(swatch for place, swatch in enumerate(swatches, 1) if place in present)
    return Overlay(key, title, uri, grid.region, grid.cell_m, shown, note)


def _cover_swatches(codes: NDArray[np.float64], named: dict[int, str]) -> list[Swatch]:
    names = [named.get(int(code), "") for code in codes]
    colours = palette.cover_colours(name or "?" for name in names)
    return [
        Swatch(colour if name else palette.UNNAMED, name or f"code {code:g}, not in the legend")
        for colour, name, code in zip(colours, names, codes, strict=True)
    ]


def _encoded(picture: Image.Image, kind: str, **options: Any) -> str:
    buffer = io.BytesIO()
    picture.save(buffer, format=kind, **options)
    return f"data:image/{kind.lower()};base64,{base64.b64encode(buffer.getvalue()).decode()}"


def _metres(size: float) -> str:
    return f"{size:.0f} m" if size >= 10 else f"{size:.1f} m"


def _grid(raster: Raster, region: Region, longest_px: int) -> Grid | None:
    try:
        return _screen_grid(raster.crs, raster.transform, raster.shape, region, longest_px)
    except MapError as error:
        raise MapError(f"layer '{raster.name}': {error}") from None


def _screen_grid(crs: Any, transform: Affine, shape: tuple[int, ...], region: Region, longest_px: int) -> Grid | None:
    """Lay cells over the part of a layer that the region shows, no finer than the layer itself."""
    rows, columns = shape
    bounds = rasterio.transform.array_bounds(rows, columns, transform)
    source = _raster_crs(crs)
    part = _screen_box(source, bounds).overlap(region)
    if part is None:
        return None
    own, _, _ = calculate_default_transform(source, SCREEN_CRS, columns, rows, *bounds)
    width, height = part.right - part.left, part.top - part.bottom
    cell = max(own.a, max(width, height) / longest_px)
    return Grid(part, max(1, round(width / cell)), max(1, round(height / cell)))


def _screen_box(crs: Any, bounds: tuple[float, float, float, float]) -> Region:
    try:
        sides = transform_bounds(crs, SCREEN_CRS, *bounds, densify_pts=21)
    except RasterioError as error:
        raise MapError(f"cannot be drawn in {SCREEN_CRS}: {error}") from None
    if not all(math.isfinite(side) for side in sides):
        raise MapError(f"reaches beyond what {SCREEN_CRS} can show (85 degrees north or south)")
    return Region(*sides)


def _warped(raster: Raster, grid: Grid, resampling: Resampling) -> NDArray[np.float64]:
    """Read a layer in the cells of the picture; GDAL fetches it in pieces and from its overviews."""
    try:
        with rasterio.open(raster.path) as source:
            options = {
                "src_crs": _raster_crs(raster.crs), "crs": SCREEN_CRS, "resampling": resampling,
                "transform": grid.transform, "width": grid.columns, "height": grid.rows,
            }  # fmt: skip
            if raster.nodata is not None:
                options |= {"src_nodata": raster.nodata, "nodata": raster.nodata}
            else:
                options |= {"add_alpha": True}
            with WarpedVRT(source, **options) as warped:
                cells = warped.read(1, masked=True)
            scale, offset = source.scales[0], source.offsets[0]
    except RasterioError as error:
        raise MapError(f"layer '{raster.name}': {raster.path} cannot be drawn: {error}") from None
    values: NDArray[np.float64] = cells.astype(np.float64).filled(np.nan) * scale + offset
    return values


def _without_rim(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Drop cells beside missing ones: their mean leans to the side that is known and bends the slope."""
    whole = binary_erosion(np.isfinite(heights), structure=np.ones((3, 3)))
    kept: NDArray[np.float64] = np.where(whole, heights, np.nan)
    return kept


def _raster_crs(crs: Any) -> Any:
    return rasterio.crs.CRS.from_wkt(crs.to_wkt())
