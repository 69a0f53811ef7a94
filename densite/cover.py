"""Cover at a point and in discs around it: classes and their shares, means and sums."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.blocks import Block, visit
from densite.discs import SLIVER, DiscTotals, disc_totals, disc_weights
from densite.errors import LayerError
from densite.layers import Raster, cells_at

__all__ = [
    "Legend", "class_at", "class_shares", "disc_means", "disc_sums", "disc_weights", "read_legend",
    "value_at",
]  # fmt: skip

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHIPPED = ("nlcd", "worldcover")
NO_POINT = "no coordinates"
OUTSIDE = "outside the raster"
NODATA = "nodata"
GAP = "nodata or outside the raster"
UNREADABLE = "a block of the file cannot be read"


@dataclass(frozen=True, slots=True)
class Legend:
    """The classes of a land-cover layer: codes and names as published, and the code for nodata."""

    name: str
    source: str
    classes: dict[int, str]
    nodata: int | None = None


def value_at(points: gpd.GeoDataFrame, raster: Raster, *, threads: int | None = None) -> pd.DataFrame:
    """Return the value of the cell in which each point falls.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer.
    threads : int, optional
        Number of threads that decode and add up; the result does not depend on it.

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

    def take(block: Block, which: Ints) -> None:
        values[placed[which]] = block.take(rows[which], cols[which])

    lost = visit(raster, rows, cols, take, threads=threads)
    reasons[placed[np.isnan(values[placed])]] = NODATA
    reasons[placed[lost]] = UNREADABLE
    return pd.DataFrame({"value": values, "reason": reasons.astype(str)}, index=points.index)


def disc_means(
    points: gpd.GeoDataFrame,
    raster: Raster,
    *,
    radii_m: Sequence[float],
    threads: int | None = None,
    compiled: bool | None = None,
) -> pd.DataFrame:
    """Return the area-weighted mean of a layer in discs around points.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        The layer, for example canopy cover. [%]
    radii_m : sequence of float
        Disc radii. [m]
    threads : int, optional
        Number of threads that decode and add up; the result does not depend on it.
    compiled : bool, optional
        Whether to add up in compiled code, see :func:`densite.discs.disc_totals`; by default where it
        pays. The last digits may differ, so parts of one table should be made in one way.

    Returns
    -------
    DataFrame
        For each radius r ``mean_{r}m``, in the layer's own unit and over the valid part of the disc
        (missing when nothing is valid), and ``missing_share_{r}m``, the share of the disc that is
        nodata or outside the raster [0..1]; last ``reason``, as of :func:`class_shares`. Index of
        ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    totals = disc_totals(points, raster, radii_m=radii_m, threads=threads, compiled=compiled)
    means = [_ratio(sums, valid) for sums, valid in zip(totals.sums, totals.valid, strict=True)]
    return _frame(points, totals, radii_m, "mean", means)


def disc_sums(
    points: gpd.GeoDataFrame,
    raster: Raster,
    *,
    radii_m: Sequence[float],
    threads: int | None = None,
    compiled: bool | None = None,
) -> pd.DataFrame:
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
    threads : int, optional
        Number of threads that decode and add up; the result does not depend on it.
    compiled : bool, optional
        Whether to add up in compiled code, see :func:`densite.discs.disc_totals`; by default where it
        pays. The last digits may differ, so parts of one table should be made in one way.

    Returns
    -------
    DataFrame
        For each radius r ``sum_{r}m``, a count, over the valid part of the disc and not scaled up
        to the whole of it (missing when nothing is valid), and ``missing_share_{r}m`` [0..1]; last
        ``reason``, as of :func:`class_shares`. Index of ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    totals = disc_totals(points, raster, radii_m=radii_m, threads=threads, compiled=compiled)
    seen = totals.missing < 1
    cells = [math.pi * radius**2 / totals.cell_area for radius in radii_m]
    sums = [np.where(seen[r], totals.sums[r] * cells[r], np.nan) for r in range(len(cells))]
    return _frame(points, totals, radii_m, "sum", sums)


def class_at(points: gpd.GeoDataFrame, raster: Raster, *, legend: Legend, threads: int | None = None) -> pd.DataFrame:
    """Return the class of the cell in which each point falls.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    raster : Raster
        A layer of class codes.
    legend : Legend
        The codes' meaning.
    threads : int, optional
        Number of threads that decode and add up; the result does not depend on it.

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
    found = value_at(points, raster, threads=threads)
    value, reason = found["value"].to_numpy(), found["reason"].to_numpy(dtype=object, copy=True)
    known = np.isin(value, list(legend.classes))
    for code in np.unique(value[~known & ~np.isnan(value)]):
        reason[value == code] = _unknown(code, legend, raster)
    codes = pd.array(np.where(known, value, 0).astype(np.int64), dtype="Int64")
    codes[~known] = pd.NA
    names = [legend.classes[int(v)] if k else None for v, k in zip(value, known, strict=True)]
    return pd.DataFrame({"code": codes, "name": names, "reason": reason.astype(str)}, index=points.index)


def class_shares(
    points: gpd.GeoDataFrame,
    raster: Raster,
    *,
    legend: Legend,
    radii_m: Sequence[float],
    threads: int | None = None,
    compiled: bool | None = None,
) -> pd.DataFrame:
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
    threads : int, optional
        Number of threads that decode and add up; the result does not depend on it.
    compiled : bool, optional
        Whether to add up in compiled code, see :func:`densite.discs.disc_totals`; by default where it
        pays. The last digits may differ, so parts of one table should be made in one way.

    Returns
    -------
    DataFrame
        For each radius r, ``share_{code}_{r}m`` for every code that occurs in any of the discs, as
        shares of the valid area that sum to 1 (missing when nothing is valid), and
        ``missing_share_{r}m``, the share of the whole disc without a known class [0..1]; last
        ``reason``, which says what the missing part of the largest disc is made of, else ''. Where
        a block of the file under a disc cannot be read, all of that disc is missing. Index of
        ``points``.

    Raises
    ------
    LayerError
        A radius is not positive, or the layer cannot be read.
    """
    codes = np.array(sorted(legend.classes), dtype=np.int64)
    totals = disc_totals(points, raster, radii_m=radii_m, codes=codes, threads=threads, compiled=compiled)
    occurs = np.flatnonzero((totals.shares >= SLIVER).any(axis=(0, 1)))
    columns: dict[str, object] = {}
    for radius, shares, valid, missing in zip(radii_m, totals.shares, totals.valid, totals.missing, strict=True):
        columns |= {f"share_{codes[i]}_{radius:g}m": _ratio(shares[:, i], valid) for i in occurs}
        columns[f"missing_share_{radius:g}m"] = missing
    reasons = _reasons(totals, radii_m, lambda code: _unknown(code, legend, raster))
    return pd.DataFrame(columns | {"reason": reasons}, index=points.index, copy=False)


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


def _frame(
    points: gpd.GeoDataFrame, totals: DiscTotals, radii_m: Sequence[float], kind: str, values: list[Floats]
) -> pd.DataFrame:
    """Return values of discs with their missing shares, radius by radius, and the reasons."""
    columns: dict[str, object] = {}
    for radius, value, missing in zip(radii_m, values, totals.missing, strict=True):
        columns |= {f"{kind}_{radius:g}m": value, f"missing_share_{radius:g}m": missing}
    return pd.DataFrame(columns | {"reason": _reasons(totals, radii_m)}, index=points.index)


def _ratio(part: Floats, whole: Floats) -> Floats:
    """Divide, with NaN where there is nothing to divide by."""
    ratio: Floats = part / np.where(whole > 0, whole, np.nan)
    return ratio


def _reasons(
    totals: DiscTotals, radii_m: Sequence[float], unknown: Callable[[float], str] = "code {:g}".format
) -> NDArray[np.str_]:
    """Say for each point what the missing part of its largest disc is made of."""
    largest = int(np.argmax(radii_m))
    parts = [(unknown(code), totals.strangers[code]) for code in sorted(totals.strangers)]
    parts += [(GAP, np.flatnonzero(totals.gap[largest])), (UNREADABLE, np.flatnonzero(totals.lost[largest]))]
    reasons = np.full(len(totals.cell_area), "", dtype=object)
    for text, where in parts:
        reasons[where] = [f"{told}; {text}" if told else text for told in reasons[where]]
    reasons[np.isnan(totals.cell_area)] = NO_POINT
    return reasons.astype(str)


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
