"""Dens that the land-cover map puts into water, with how far their uncertainty reaches."""

from __future__ import annotations

import re
from collections.abc import Collection

import geopandas as gpd
import numpy as np
import pandas as pd

from densite.cover import Legend, class_at, class_shares
from densite.layers import Raster
from densite.review.finding import Found, about, rows_of_dens

# Open water as the publishers of the shipped legends name it: NLCD 11 "Open Water", WorldCover 80 "Permanent water
# bodies". Wetlands and ice are ground on which a den can be.
PUBLISHED = {"nlcd": (11,), "worldcover": (80,)}
_WORD = re.compile(r"\bwater\b", re.IGNORECASE)
_MOST_M = 10_000.0  # of an uncertainty; farther than that water tells nothing


def water_codes(legend: Legend, chosen: Collection[int] = ()) -> tuple[int, ...]:
    """Return the codes that stand for open water.

    Parameters
    ----------
    legend : Legend
        The layer's legend.
    chosen : collection of int
        The study's own codes, which go before all others.

    Returns
    -------
    tuple of int
        Of a shipped legend the published ones; of the study's own those whose name holds the word water.
    """
    if chosen:
        return tuple(chosen)
    named = (code for code, name in legend.classes.items() if _WORD.search(name))
    return PUBLISHED.get(legend.name) or tuple(named)


def in_water(dens: gpd.GeoDataFrame, raster: Raster, legend: Legend, *, codes: Collection[int]) -> Found:
    """List dens whose cell is open water.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites in EPSG:4326, indexed by den_id.
    raster : Raster
        Land cover.
    legend : Legend
        Its legend.
    codes : collection of int
        Codes of open water.

    Yields
    ------
    Finding
        Saying whether there is land within the den's own uncertainty.

    Raises
    ------
    LayerError
        The layer cannot be read.
    """
    found = class_at(dens, raster, legend=legend)
    wet = found["code"].isin(list(codes)).fillna(False).to_numpy(dtype=bool)
    names = found["name"]
    land = land_within(dens.loc[wet], raster, legend, codes=codes)
    for den_id, row in rows_of_dens(dens.loc[wet]):
        said = f"lies in '{names[den_id]}' of the land-cover map; {_reach(row['uncertainty_m'], land[den_id])}"
        yield about("water", row, said, "position", den_id=den_id,
                    hint="look at the place again; a map's cell is coarse, and water levels change")  # fmt: skip


def land_within(dens: gpd.GeoDataFrame, raster: Raster, legend: Legend, *, codes: Collection[int]) -> pd.Series[float]:
    """Return the share of the disc of each den's uncertainty that is not water.

    Parameters
    ----------
    dens : GeoDataFrame
        Dens in EPSG:4326 with ``uncertainty_m`` [m], rounded up to whole metres.
    raster, legend, codes
        As for :func:`in_water`.

    Returns
    -------
    Series of float
        From 0 to 1; missing where the uncertainty is not known or the disc has no data. [1]
    """
    radii = np.ceil(dens["uncertainty_m"].astype(float)).clip(1, _MOST_M)
    share = pd.Series(np.nan, index=dens.index, dtype=float)
    for radius, group in dens.groupby(radii):
        parts = class_shares(group, raster, legend=legend, radii_m=(float(radius),))
        wet = [name for code in codes if (name := f"share_{code}_{radius:g}m") in parts]
        share.loc[group.index] = 1 - parts[wet].sum(axis=1, min_count=1).to_numpy(dtype=float)
    return share


def _reach(uncertainty_m: float | None, land: float) -> str:
    if uncertainty_m is None or uncertainty_m != uncertainty_m:
        return "its uncertainty is not recorded"
    if land != land:
        return "the map has no data round it"
    if land < 1e-6:
        return f"there is only water within its uncertainty of {uncertainty_m:g} m"
    return f"land makes up {max(0.01, land):.0%} of the disc of its uncertainty of {uncertainty_m:g} m"
