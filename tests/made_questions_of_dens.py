"""Dens and visits as a register gives them, for the tests of open questions."""

from __future__ import annotations

import datetime as dt

import geopandas as gpd
import pandas as pd
import shapely

from densite.records import DenSite, columns

NOW = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)


def dens_at(count: int, *, xy=None, **values) -> gpd.GeoDataFrame:
    """Return dens D-0, D-1 ... with ids d0, d1 ..."""
    row = dict.fromkeys(columns(DenSite)) | {"den_type": "tree", "uncertainty_m": 5.0, "source_file": "crew.csv",
                                             "recorded_at": NOW, "morning_sun": "not recorded"}  # fmt: skip
    frame = pd.DataFrame({name: [value] * count for name, value in row.items() if name != "den_id"})
    frame = frame.drop(columns=["longitude", "latitude"], errors="ignore")
    frame = frame.assign(label=[f"D-{i}" for i in range(count)], source_line=range(2, count + 2), **values)
    points = [shapely.Point(*at) for at in xy or [(-115.5, 43.5)] * count]
    index = pd.Index([f"d{i}" for i in range(count)], name="den_id")
    return gpd.GeoDataFrame(frame.set_index(index), geometry=points, crs=4326)


def visits_to(*seen: tuple[str, str, str], **values) -> pd.DataFrame:
    """Return visits from (den_id, day, female)."""
    rows = [{"den_id": den, "observed_on": dt.date.fromisoformat(day), "female": female} for den, day, female in seen]
    told = {"crew": "B", "observer": "Z.E.", "purpose": "den check", "settled": None, "source_file": "crew.csv",
            "source_line": 2} | values  # fmt: skip
    return pd.DataFrame(rows, index=[f"v{i}" for i in range(len(rows))], columns=[*rows[0]] if rows else None).assign(
        **told
    )
