"""Ways between a female's dens: far beyond the study's own, or two places on one day."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from densite.layers import ELLIPSOID
from densite.places import said_distance
from densite.review.finding import Found, about, rows_of_dens
from densite.review.outliers import LEAST, spread_of


def steps(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """Return the ways from each of a female's dens to her next one.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites in EPSG:4326, indexed by den_id.
    visits : DataFrame
        Visits with ``den_id``, ``female`` and ``observed_on``.

    Returns
    -------
    DataFrame
        ``female``, ``start`` and ``end`` (den_id) and ``distance_m`` on the ellipsoid [m], by the day on which she was
        first recorded at each den; a den counts once for a female.
    """
    known = visits.loc[visits["female"].fillna("").ne("") & visits["den_id"].isin(dens.index)]
    first = known.sort_values(["female", "observed_on", "den_id"]).drop_duplicates(["female", "den_id"])
    start = first["den_id"].where(first["female"].eq(first["female"].shift(-1)))
    made = pd.DataFrame({"female": first["female"], "start": start, "end": first["den_id"].shift(-1)}).dropna()
    return made.assign(distance_m=_distances(dens, made["start"], made["end"])).reset_index(drop=True)


def _distances(dens: gpd.GeoDataFrame, start: pd.Series[str], end: pd.Series[str]) -> np.ndarray:
    points = dens.geometry
    one, other = points.loc[list(start)], points.loc[list(end)]
    return np.asarray(ELLIPSOID.inv(one.x.to_numpy(), one.y.to_numpy(), other.x.to_numpy(), other.y.to_numpy())[2])


def far_steps(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> Found:
    """List dens that lie far from a female's other dens, beyond the ways of the study's females.

    Parameters
    ----------
    dens, visits : DataFrame
        As for :func:`steps`.

    Yields
    ------
    Finding
        One for each way that both rules of :mod:`densite.review.outliers` call far, at the den that lies farther
        from her other dens; with two dens, at the later one.
    """
    made = steps(dens, visits)
    moved = made.loc[made["distance_m"] > 1]
    away = moved["distance_m"].to_numpy()
    spread = spread_of(away)
    if spread is None:
        return
    far = moved.loc[spread.far(away) & (away > spread.median)]
    rows = dict(rows_of_dens(dens, pd.unique(far[["start", "end"]].to_numpy().ravel())))
    for way in far.to_dict("records"):
        asked, other = _farther(dens, _dens_of(made, way["female"]), way["start"], way["end"])
        said = (
            f"{said_distance(way['distance_m'])} from {rows[other]['label']}, another den of {way['female']}; half of "
            f"the study's {spread.count} ways between a female's dens are under {said_distance(spread.median)}"
        )
        yield about("step", rows[asked], said, "position", den_id=asked, other_id=other,
                    hint="is the place right, and is it the same female?")  # fmt: skip


def _dens_of(made: pd.DataFrame, female: object) -> list[str]:
    own = made.loc[made["female"] == female]
    return [str(own["start"].iloc[0]), *map(str, own["end"])]


def _farther(dens: gpd.GeoDataFrame, own: list[str], start: str, end: str) -> tuple[str, str]:
    """Return the one of two dens that lies farther from her other dens, and then the other one."""
    others = [den for den in own if den not in (start, end)]
    if not others:
        return end, start
    away = [float(np.median(_distances(dens, pd.Series([den] * len(others)), pd.Series(others))))
            for den in (start, end)]  # fmt: skip
    return (start, end) if away[0] > away[1] else (end, start)


def few_steps(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> str:
    """Say why no way can be called far; '' where one could.

    Parameters
    ----------
    dens, visits : DataFrame
        As for :func:`steps`.

    Returns
    -------
    str
    """
    count = int((steps(dens, visits)["distance_m"] > 1).sum())
    return "" if count >= LEAST else f"ways between a female's dens, for want of {LEAST} ({count})"


def on_one_day(dens: gpd.GeoDataFrame, visits: pd.DataFrame, *, apart_m: float) -> Found:
    """List pairs of dens at which one female was recorded on one day.

    Parameters
    ----------
    dens, visits : DataFrame
        As for :func:`steps`.
    apart_m : float
        Distance beyond which the two are asked about, the uncertainties of both points taken off. [m]

    Yields
    ------
    Finding
        At the den whose label comes later.
    """
    pairs = _pairs(dens, visits)
    distances = _distances(dens, pairs["one"], pairs["other"])
    reach = pd.to_numeric(dens["uncertainty_m"], errors="coerce").fillna(0.0)
    slack = reach.loc[pairs["one"]].to_numpy() + reach.loc[pairs["other"]].to_numpy()
    far = pairs.assign(distance_m=distances).loc[distances - slack > apart_m]
    rows = dict(rows_of_dens(dens, pd.unique(far[["one", "other"]].to_numpy().ravel())))
    for pair in far.to_dict("records"):
        one, other, female = pair["one"], pair["other"], pair["female"]
        away = said_distance(pair["distance_m"])
        said = f"{female} was recorded here and at {rows[one]['label']}, {away} away, on {pair['observed_on']}"
        yield about("one day", rows[other], said, "female", den_id=other, other_id=one,
                    hint="which day, place or female is wrong?")  # fmt: skip


def _pairs(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> pd.DataFrame:
    """Return pairs of dens of one female and day, the one whose label comes first as ``one``."""
    known = visits.loc[visits["female"].fillna("").ne("") & visits["den_id"].isin(dens.index)]
    seen = known[["female", "observed_on", "den_id"]].drop_duplicates()
    seen = seen.loc[seen.duplicated(["female", "observed_on"], keep=False)]
    both = seen.merge(seen, on=["female", "observed_on"]).rename(columns={"den_id_x": "one", "den_id_y": "other"})
    labels = dens["label"].astype(str)
    first: pd.DataFrame = both.loc[labels.loc[both["one"]].to_numpy() < labels.loc[both["other"]].to_numpy()]
    return first
