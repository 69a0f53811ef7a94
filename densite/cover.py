"""Cover at a point and in discs around it: classes and their shares, means and sums."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.discs import DiscCells, disc_cells, disc_weights
from densite.errors import LayerError
from densite.layers import Raster, cells_at, read_windows

__all__ = [
    "Legend", "class_at", "class_shares", "disc_means", "disc_sums", "disc_weights", "read_legend",
    "value_at",
]  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Classes: TypeAlias = "MappingProxyType[int, str] | dict[int, str]"

SHIPPED = ("nlcd", "worldcover")
NO_POINT = "no coordinates"
OUTSIDE = "outside the raster"
NODATA = "nodata"


@dataclass(frozen=True, slots=True)
class Legend:
    """The classes of a land-cover layer: codes and names as published, and the code for nodata."""

    name: str
    source: str
    classes: dict[int, str]
    nodata: int | None = None


def value_at(points: gpd.GeoDataFrame, raster: Raster) -> pd.DataFrame:
    """Return the value of the cell in which each point falls.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer.

    Returns
    -------
    DataFrame
        ``value`` in the layer's own unit and ``reason`` (why it is missing, else ''), index of
        ``points``.

    Raises
    ------
    LayerError
        The layer cannot be read.
    """
    row, col = cells_at(points, raster)
    values, reasons = np.full(len(points), np.nan), np.full(len(points), "", dtype=object)
    reasons[np.isnan(row)] = NO_POINT
    placed = np.flatnonzero(np.isfinite(row))
    rows, cols = np.floor(row[placed]).astype(np.int64), np.floor(col[placed]).astype(np.int64)
    inside = (rows >= 0) & (rows < raster.shape[0]) & (cols >= 0) & (cols < raster.shape[1])
    reasons[placed[~inside]] = OUTSIDE
    placed, rows, cols = placed[inside], rows[inside], cols[inside]
    none = np.zeros(len(rows), dtype=np.int64)
    for which, cells in read_windows(raster, rows, cols, half_rows=none, half_cols=none):
        values[placed[which]] = cells[:, 0, 0]
    reasons[placed[np.isnan(values[placed])]] = NODATA
    return pd.DataFrame({"value": values, "reason": reasons.astype(str)}, index=points.index)


def disc_means(points: gpd.GeoDataFrame, raster: Raster, *, radii_m: Sequence[float]) -> pd.DataFrame:
    """Return the area-weighted mean of a layer in discs around points.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer, for example canopy cover. [%]
    radii_m : sequence of float
        Disc radii. [m]

    Returns
    -------
    DataFrame
        For each radius r ``mean_{r}m``, in the layer's own unit and over the valid part of the disc
        (missing when nothing is valid), and ``missing_share_{r}m``, the share of the disc that is
        nodata or outside the raster [0..1]. Index of ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    columns = _columns(points, radii_m, "mean")
    for disc in disc_cells(points, raster, radii_m=radii_m):
        valid = np.where(np.isnan(disc.values), 0.0, disc.areas).sum(axis=(1, 2))
        columns[f"mean_{disc.radius_m:g}m"][disc.which] = _ratio(_weighted(disc), valid)
        columns[f"missing_share_{disc.radius_m:g}m"][disc.which] = disc.missing_share
    return pd.DataFrame(columns, index=points.index)


def disc_sums(points: gpd.GeoDataFrame, raster: Raster, *, radii_m: Sequence[float]) -> pd.DataFrame:
    """Return the sum of a layer of counts in discs around points.

    A cell that the circle cuts gives that share of its count, as if its count were spread evenly.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        A layer of counts per cell, for example persons or housing units.
    radii_m : sequence of float
        Disc radii. [m]

    Returns
    -------
    DataFrame
        For each radius r ``sum_{r}m``, a count, over the valid part of the disc and not scaled up
        to the whole of it (missing when nothing is valid), and ``missing_share_{r}m`` [0..1].
        Index of ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    columns = _columns(points, radii_m, "sum")
    for disc in disc_cells(points, raster, radii_m=radii_m):
        seen = (~np.isnan(disc.values) & (disc.areas > 0)).any(axis=(1, 2))
        sums = np.where(seen, _weighted(disc) / disc.cell_area, np.nan)
        columns[f"sum_{disc.radius_m:g}m"][disc.which] = sums
        columns[f"missing_share_{disc.radius_m:g}m"][disc.which] = disc.missing_share
    return pd.DataFrame(columns, index=points.index)


def class_at(points: gpd.GeoDataFrame, raster: Raster, *, legend: Legend) -> pd.DataFrame:
    """Return the class of the cell in which each point falls.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        A layer of class codes.
    legend : Legend
        The codes' meaning.

    Returns
    -------
    DataFrame
        ``code`` (nullable integer), ``name`` (missing where there is no class) and ``reason`` (why
        it is missing, else ''). Index of ``points``.

    Raises
    ------
    LayerError
        The layer cannot be read.
    """
    found = value_at(points, raster)
    value, reason = found["value"].to_numpy(), found["reason"].to_numpy(dtype=object, copy=True)
    known = np.isin(value, list(legend.classes))
    for code in np.unique(value[~known & ~np.isnan(value)]):
        reason[value == code] = _unknown(code, legend, raster)
    codes = pd.array(np.where(known, value, 0).astype(np.int64), dtype="Int64")
    codes[~known] = pd.NA
    names = [legend.classes[int(v)] if k else None for v, k in zip(value, known, strict=True)]
    return pd.DataFrame({"code": codes, "name": names, "reason": reason.astype(str)}, index=points.index)


def class_shares(points: gpd.GeoDataFrame, raster: Raster, *, legend: Legend, radii_m: Sequence[float]) -> pd.DataFrame:
    """Return the share of every class in discs around points.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        A layer of class codes.
    legend : Legend
        The codes' meaning. Codes that it does not hold count as missing.
    radii_m : sequence of float
        Disc radii. [m]

    Returns
    -------
    DataFrame
        For each radius r, ``share_{code}_{r}m`` for every code that occurs in any of the discs, as
        shares of the valid area that sum to 1 (missing when nothing is valid), and
        ``missing_share_{r}m``, the share of the whole disc without a known class [0..1]; last
        ``reason``, which says what the missing part is made of, else ''. Index of ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    codes = np.array(sorted(legend.classes), dtype=np.int64)
    table = {radius: np.full((len(points), len(codes) + 1), np.nan) for radius in map(float, radii_m)}
    reasons = np.full(len(points), NO_POINT, dtype=object)
    for disc in disc_cells(points, raster, radii_m=radii_m):
        place = _places(disc.values, codes)
        areas = _areas_by_class(place, disc.areas, len(codes))
        table[disc.radius_m][disc.which] = areas / areas.sum(axis=1, keepdims=True)
        if disc.radius_m == max(radii_m):
            reasons[disc.which] = _disc_reasons(disc, place == len(codes), legend, raster)
    occurs = np.flatnonzero(np.any([np.nansum(t[:, :-1], axis=0) > 0 for t in table.values()], axis=0))
    columns: dict[str, object] = {}
    for radius, shares in table.items():
        valid = shares[:, :-1].sum(axis=1)
        columns |= {f"share_{codes[i]}_{radius:g}m": _ratio(shares[:, i], valid) for i in occurs}
        columns[f"missing_share_{radius:g}m"] = np.where(np.isnan(valid), 1.0, shares[:, -1])
    return pd.DataFrame(columns | {"reason": reasons.astype(str)}, index=points.index)


def read_legend(name_or_path: str, *, folder: Path) -> Legend:
    """Read a land-cover legend.

    Parameters
    ----------
    name_or_path : str
        ``nlcd`` or ``worldcover``, which are shipped, or a CSV file with the columns ``code`` and
        ``name``. Lines above the heading may say ``# source: ...`` and ``# nodata: 0``.
    folder : Path
        Folder to which a path is relative.

    Returns
    -------
    Legend
        The legend.

    Raises
    ------
    LayerError
        No such legend, or the file holds mistakes; all of them are listed.
    """
    shipped = name_or_path in SHIPPED
    path = Path(__file__).parent / "legends" / f"{name_or_path}.csv" if shipped else folder / name_or_path
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        told = "no such file" if isinstance(error, FileNotFoundError) else str(error)
        raise LayerError(
            f"legend '{name_or_path}': {told}; expected {', '.join(SHIPPED)} or a CSV file with code,name"
        ) from None
    notes, body = _split_notes(lines)
    problems: list[str] = []
    classes = _read_classes(body, problems)
    nodata = _whole(notes["nodata"]) if "nodata" in notes else None
    if "nodata" in notes and nodata is None:
        problems.append(f"nodata '{notes['nodata']}' is not a whole number")
    if problems:
        raise LayerError("\n".join(f"legend {path}: {problem}" for problem in problems))
    name = name_or_path if shipped else path.stem
    return Legend(name, notes.get("source", str(path.name)), classes, nodata)


def _columns(points: gpd.GeoDataFrame, radii_m: Iterable[float], kind: str) -> dict[str, Floats]:
    """Return the columns of a disc result, filled as for points without coordinates."""
    columns: dict[str, Floats] = {}
    for radius in radii_m:
        columns[f"{kind}_{radius:g}m"] = np.full(len(points), np.nan)
        columns[f"missing_share_{radius:g}m"] = np.ones(len(points))
    return columns


def _weighted(disc: DiscCells) -> Floats:
    """Sum the cells' values times the area that the disc covers of them."""
    total: Floats = np.nansum(disc.values * disc.areas, axis=(1, 2))
    return total


def _ratio(part: Floats, whole: Floats) -> Floats:
    """Divide, with NaN where there is nothing to divide by."""
    ratio: Floats = np.divide(part, whole, out=np.full(len(part), np.nan), where=whole > 0)
    return ratio


def _places(values: Floats, codes: Ints) -> Ints:
    """Return each cell's place among the legend's codes; one past the last where it has none."""
    place = np.searchsorted(codes, np.where(np.isnan(values), codes[0], values)).clip(max=len(codes) - 1)
    return np.where(codes[place] == values, place, len(codes))


def _areas_by_class(place: Ints, areas: Floats, count: int) -> Floats:
    """Sum the covered areas by window and class, the missing ones last, shape (k, count + 1). [m2]"""
    window = np.arange(len(place))[:, None, None] * (count + 1)
    cells = len(place) * (count + 1)
    flat: Floats = np.bincount((place + window).ravel(), weights=areas.ravel(), minlength=cells).astype(float)
    return flat.reshape(len(place), count + 1)


def _disc_reasons(disc: DiscCells, missing: NDArray[np.bool_], legend: Legend, raster: Raster) -> list[str]:
    """Say for each disc what its cells without a class hold."""
    missing = missing & (disc.areas > 0)
    reasons = []
    for cells, lost in zip(disc.values, missing, strict=True):
        values = cells[lost]
        told = [_unknown(code, legend, raster) for code in np.unique(values[~np.isnan(values)])]
        if np.isnan(values).any():
            told.append("nodata or outside the raster")
        reasons.append("; ".join(dict.fromkeys(told)))
    return reasons


def _unknown(code: float, legend: Legend, raster: Raster) -> str:
    """Say what a code that the legend does not hold means, and the way out."""
    if code == legend.nodata:
        return NODATA
    told = f"code {code:g} is not in legend {legend.name}"
    return f"{told}: declare nodata = {code:g} in [layers.{raster.name}]"


def _split_notes(lines: list[str]) -> tuple[dict[str, str], list[tuple[int, str]]]:
    """Split a legend's file into its notes and its numbered other lines."""
    notes = {}
    for line in lines:
        if line.startswith("#") and ":" in line:
            key, _, text = line.lstrip("# ").partition(":")
            notes[key.strip().lower()] = text.strip()
    return notes, [(i, s) for i, s in enumerate(lines, 1) if s.strip() and not s.startswith("#")]


def _read_classes(body: list[tuple[int, str]], problems: list[str]) -> dict[int, str]:
    """Read codes and names, adding to ``problems`` what is wrong with them."""
    rows = list(csv.reader(text for _, text in body))
    heading = [cell.strip().lower() for cell in rows[0]] if rows else []
    if not {"code", "name"} <= set(heading):
        problems.append(f"expected the columns code,name; found {', '.join(heading) or 'nothing'}")
        return {}
    classes: dict[int, str] = {}
    for (line, _), row in zip(body[1:], rows[1:], strict=False):
        cells = dict(zip(heading, (cell.strip() for cell in row), strict=False))
        code, name = _whole(cells.get("code", "")), cells.get("name", "")
        if code is None:
            problems.append(f"line {line}: code '{cells.get('code', '')}' is not a whole number")
        elif code in classes:
            problems.append(f"line {line}: code {code} stands twice")
        elif not name:
            problems.append(f"line {line}: code {code} has no name")
        else:
            classes[code] = name
    if not classes and not problems:
        problems.append("holds no classes")
    return classes


def _whole(text: str) -> int | None:
    """Read a whole number; None if it is none."""
    try:
        return int(text)
    except ValueError:
        return None
