"""Visits on days outside the denning season that the study has named."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import geopandas as gpd
import pandas as pd

from densite.review.finding import Found, about, named_rows


def in_season(day: dt.date, start: str, end: str) -> bool:
    """Tell whether a day lies in a season.

    Parameters
    ----------
    day : date
        The day.
    start, end : str
        First and last day as ``MM-DD``; the season goes over the new year where the first comes later.

    Returns
    -------
    bool
    """
    own = f"{day:%m-%d}"
    return start <= own <= end if start <= end else own >= start or own <= end


def outside_season(dens: gpd.GeoDataFrame, visits: pd.DataFrame, *, season: tuple[str, str]) -> Found:
    """List visits outside the season.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites, indexed by den_id.
    visits : DataFrame
        Visits, indexed by visit_id.
    season : tuple of two str
        First and last day, as ``MM-DD``.

    Yields
    ------
    Finding
        One a visit.
    """
    rows = named_rows(dens)
    columns = ("den_id", "observed_on", "source_file", "source_line")
    for visit_id, den_id, day, file, line in zip(visits.index, *(visits[name] for name in columns), strict=True):
        if den_id in rows and isinstance(day, dt.date) and not in_season(day, *season):
            said = f"visited on {day}, outside the season of {season[0]} to {season[1]}"
            place = {"label": rows[den_id]["label"], "source_file": file, "source_line": line}
            found = about("season", place, said, "date", value=str(day), den_id=den_id,
                          hint="is the day right? Correct the visit, or confirm it")  # fmt: skip
            yield replace(found, visit_id=str(visit_id))
