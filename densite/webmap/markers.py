"""Den records as the small table from which a map's symbols and popups are made."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from numbers import Integral, Real
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from densite.errors import MapError
from densite.terms import DEN_TYPES

NOT_RECORDED = "not recorded"
NOT_AVAILABLE = "not available"
_DEGREE_COLUMNS = ("latitude", "longitude")


@dataclass(frozen=True, slots=True)
class PopupField:
    """One line of a popup: the column, its heading, its unit and the words for a missing value.

    Without ``missing``, a group whose heading holds the word 'derived' says 'not available' and
    any other group 'not recorded'.
    """

    column: str
    heading: str
    unit: str = ""
    missing: str = ""


Groups = Sequence[tuple[str, Sequence[PopupField]]]


def table(dens: gpd.GeoDataFrame, *, groups: Groups) -> dict[str, Any]:
    """Return what the browser needs to draw dens and fill their popups.

    Parameters
    ----------
    dens : GeoDataFrame
        Points with the columns ``label`` and ``den_type``; any CRS. Rows without a point are left
        out (count them with :func:`without_place`).
    groups : sequence of (heading, fields)
        Groups of popup lines in the order in which they are shown.

    Returns
    -------
    dict
        JSON-ready columns: labels, types (places in ``DEN_TYPES``), latitudes and longitudes
        [deg, WGS 84, 6 decimals], and for each group its headings and texts (None: missing).

    Raises
    ------
    MapError
        A column is missing, a den type is unknown to densite, or the frame has no CRS.
    """
    _check_columns(dens, groups)
    placed = dens[_has_place(dens)]
    points = _in_degrees(placed).geometry
    return {
        "labels": [str(label) for label in placed["label"]],
        "types": [DEN_TYPES.index(word) for word in placed["den_type"]],
        "latitudes": [round(float(y), 6) for y in points.y],
        "longitudes": [round(float(x), 6) for x in points.x],
        "groups": [_group(placed, heading, fields) for heading, fields in groups],
    }


def without_place(dens: gpd.GeoDataFrame) -> int:
    """Return the number of dens that have no point and so cannot be drawn."""
    return int((~_has_place(dens)).sum())


def shown(value: Any, unit: str = "", *, decimals: int | None = None) -> str | None:
    """Return a value as a person reads it, with its unit, or None when it is missing.

    Parameters
    ----------
    value : Any
        A number, text, date, truth value or nothing.
    unit : str
        Unit of the value; ``deg`` and ``percent`` are written as signs.
    decimals : int, optional
        Decimals of a number [digits]; by default two, or three significant digits below 0.1.

    Returns
    -------
    str or None
        The text.
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, Real):
        return _number(value, decimals, unit)
    if isinstance(value, datetime | date):
        return _moment(value)
    if isinstance(value, list | tuple | set | np.ndarray):
        return ", ".join(str(part) for part in value) or None
    text = str(value)
    return f"{text}{_suffix(unit)}" if text.strip() else None


def _number(value: Real, decimals: int | None, unit: str) -> str | None:
    if isinstance(value, Integral):
        return f"{int(value)}{_suffix(unit)}"
    number = float(value)
    if not math.isfinite(number):
        return None
    places = _decimals(number) if decimals is None else decimals
    text = f"{number:.{places}f}"
    if decimals is None and "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text == '-0' else text}{_suffix(unit)}"


def _decimals(number: float) -> int:
    size = abs(number)
    if size >= 1000:
        return 0
    if size >= 0.1 or size < 1e-9:
        return 2
    return 2 - math.floor(math.log10(size))


def _moment(value: date) -> str:
    """Write a date, and the time of day only where there is one."""
    if isinstance(value, datetime) and (value.hour or value.minute or value.second):
        return value.strftime("%Y-%m-%d %H:%M %Z").strip()
    return f"{value.year:04d}-{value.month:02d}-{value.day:02d}"


def _suffix(unit: str) -> str:
    return {"": "", "deg": "°", "percent": " %", "%": " %"}.get(unit, f" {unit}")


def _group(dens: gpd.GeoDataFrame, heading: str, fields: Sequence[PopupField]) -> dict[str, Any]:
    usual = NOT_AVAILABLE if "derived" in heading.lower() else NOT_RECORDED
    return {
        "heading": heading,
        "fields": [{"heading": f.heading, "missing": f.missing or usual} for f in fields],
        "texts": [_texts(dens, field) for field in fields],
    }


def _texts(dens: gpd.GeoDataFrame, field: PopupField) -> list[str | None]:
    decimals = 6 if field.column in _DEGREE_COLUMNS else None
    return [shown(value, field.unit, decimals=decimals) for value in dens[field.column]]


def _has_place(dens: gpd.GeoDataFrame) -> pd.Series[bool]:
    points = dens.geometry
    known: pd.Series[bool] = ~(points.isna() | points.is_empty)
    return known


def _in_degrees(dens: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if dens.crs is None:
        raise MapError("the dens have no CRS, so their place on the map is unknown; set it (EPSG:4326)")
    return dens.to_crs("EPSG:4326")


def _check_columns(dens: gpd.GeoDataFrame, groups: Groups) -> None:
    wanted = ["label", "den_type", *(field.column for _, fields in groups for field in fields)]
    absent = [column for column in wanted if column not in dens.columns]
    if absent:
        raise MapError(
            f"the map asks for columns that the dens do not have: {', '.join(absent)}; "
            f"they have: {', '.join(map(str, dens.columns))}"
        )
    odd = dens.loc[~dens["den_type"].isin(DEN_TYPES), ["label", "den_type"]]
    if len(odd):
        named = "; ".join(f"{row.label}: {row.den_type!r}" for row in odd.head(5).itertuples())
        raise MapError(f"{len(odd)} dens have a den type that the map cannot draw ({named}); "
                       f"allowed: {', '.join(DEN_TYPES)}")  # fmt: skip
    kinds = set(dens.geometry.dropna().geom_type) - {"Point"}
    if kinds:
        raise MapError(f"dens are drawn as points, but some are {', '.join(sorted(kinds))}")
