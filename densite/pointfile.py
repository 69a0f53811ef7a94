"""Files of points: GeoPackage, GeoParquet, GeoJSON or CSV, written whole and with the rule that made them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from densite.errors import PointsError

LAYER = "available_points"
RULE = "densite_available"
XY = (("longitude", "latitude"), ("x", "y"))


def read_points(path: Path, *, crs: str | None = None) -> gpd.GeoDataFrame:
    """Read points at which something is to be derived.

    Parameters
    ----------
    path : Path
        GeoPackage, GeoJSON, (Geo)Parquet, or CSV with the columns longitude and latitude, or x and y.
    crs : str, optional
        CRS of a file that does not say it, such as every CSV.

    Returns
    -------
    GeoDataFrame
        Points in EPSG:4326, indexed from 0 in the file's order.

    Raises
    ------
    PointsError
        The file is missing, unreadable, empty, without CRS, or holds other things than points.
    """
    if not path.is_file():
        raise PointsError(f"no file {path}")
    frame = _read(path)
    if isinstance(frame, gpd.GeoDataFrame):
        if crs is not None:
            frame = frame.set_crs(_crs(crs), allow_override=True)
    else:
        frame = _placed(frame, path, crs)
    if frame.crs is None:
        raise PointsError(f"{path} says no CRS and none is guessed: give it with --crs EPSG:...")
    return _points_only(frame, path).to_crs(4326).reset_index(drop=True)


def write_points(frame: gpd.GeoDataFrame, path: Path) -> list[Path]:
    """Write available points with the rule that made them; a file is there whole or not at all.

    Parameters
    ----------
    frame : GeoDataFrame
        From :func:`densite.available.available_points`.
    path : Path
        ``.gpkg`` and ``.parquet`` keep the rule in their metadata, ``.csv`` in a ``.json`` beside it.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    PointsError
        The ending is unknown, the folder is missing, a file of that name is there already, or pyarrow is
        not installed for Parquet.
    """
    writers: dict[str, Callable[[gpd.GeoDataFrame, Path, str], None]] = {
        ".csv": _write_csv, ".gpkg": _write_gpkg, ".parquet": _write_parquet,
    }  # fmt: skip
    if path.suffix not in writers:
        raise PointsError(f"{path}: ending '{path.suffix}'; allowed: {', '.join(writers)}")
    if not path.parent.is_dir():
        raise PointsError(f"no folder {path.parent}: make it first")
    beside = path.with_name(f"{path.name}.json") if path.suffix == ".csv" else None
    for taken in (path, beside):
        if taken is not None and taken.exists():  # it may be the register, a layer or a crew's file
            raise PointsError(f"{taken} is there already; name another file, or remove it yourself")
    rule = json.dumps(frame.attrs.get("available", {}), indent=1, sort_keys=True)
    unfinished = path.with_name(f".unfinished-{os.getpid()}-{path.name}")
    try:
        writers[path.suffix](frame, unfinished, rule)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    if beside is None:
        return [path]
    beside.write_text(rule + "\n", encoding="utf-8")
    return [path, beside]


def arrow(purpose: str) -> Any:
    """Return pyarrow, or say how to get it.

    Parameters
    ----------
    purpose : str
        What it is needed for.

    Returns
    -------
    module

    Raises
    ------
    PointsError
        It is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise PointsError(f"{purpose} needs pyarrow: pip install 'densite[cluster]'") from None
    return pyarrow


def _read(path: Path) -> Any:
    try:
        if path.suffix == ".csv":
            return pd.read_csv(path)
        if path.suffix == ".parquet":
            arrow("reading Parquet")
            try:
                return gpd.read_parquet(path)
            except ValueError:  # Parquet without geometry
                return pd.read_parquet(path)
        return gpd.read_file(path)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError, ValueError) as error:
        told = str(error).splitlines()[0]
        raise PointsError(f"{path} cannot be read ({told}); expected GeoPackage, GeoJSON, Parquet or CSV") from None


def _placed(table: pd.DataFrame, path: Path, crs: str | None) -> gpd.GeoDataFrame:
    pair = next((pair for pair in XY if set(pair) <= set(table)), None)
    if pair is None:
        there = ", ".join(map(str, table))
        raise PointsError(f"{path} has no columns longitude and latitude, nor x and y; it has: {there}")
    x, y = (pd.to_numeric(table[name], errors="coerce") for name in pair)
    wrong = table.index[x.isna() | y.isna()]
    if len(wrong):
        raise PointsError(f"{path} line {wrong[0] + 2}: no number under {' or '.join(pair)}; {len(wrong)} such rows")
    return gpd.GeoDataFrame(table, geometry=gpd.points_from_xy(x, y), crs=None if crs is None else _crs(crs))


def _crs(text: str) -> CRS:
    try:
        return CRS.from_user_input(text)
    except CRSError:
        raise PointsError(f"CRS '{text}' is not known; expected for example EPSG:4326") from None


def _points_only(frame: gpd.GeoDataFrame, path: Path) -> gpd.GeoDataFrame:
    if frame.empty:
        raise PointsError(f"{path} holds no points")
    other = set(frame.geometry.geom_type.dropna()) - {"Point"}
    if other:
        raise PointsError(f"{path} holds {', '.join(sorted(other))}; expected points only")
    return frame


def _write_csv(frame: gpd.GeoDataFrame, path: Path, rule: str) -> None:
    del rule
    places = {"longitude": frame.geometry.x, "latitude": frame.geometry.y}
    pd.DataFrame(frame.drop(columns=frame.geometry.name)).assign(**places).to_csv(path, index=False)


def _write_gpkg(frame: gpd.GeoDataFrame, path: Path, rule: str) -> None:
    pyogrio.write_dataframe(frame, path, layer=LAYER, driver="GPKG", layer_metadata={RULE: rule})


def _write_parquet(frame: gpd.GeoDataFrame, path: Path, rule: str) -> None:
    pa = arrow("writing Parquet")
    frame.to_parquet(path, index=False)
    table = pa.parquet.read_table(path)
    pa.parquet.write_table(table.replace_schema_metadata({**table.schema.metadata, RULE.encode(): rule.encode()}), path)
