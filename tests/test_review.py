"""The register's open questions, and what a person has settled."""

import datetime as dt

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from densite.records import DenSite, columns
from densite.review.recorded import of_records

NOW = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
NOTHING = pd.DataFrame(columns=["den_id", "covariate", "radius_m", "reason"])


def dens(**fields) -> gpd.GeoDataFrame:
    """Return one den as the register gives it."""
    row = (
        dict.fromkeys(columns(DenSite))
        | {
            "label": "D-1",
            "den_type": "tree",
            "uncertainty_m": 5.0,
            "morning_sun": "not recorded",
            "recorded_at": NOW,
            "source_file": "crew.csv",
            "source_line": 7,
        }
        | fields
    )
    row = {k: v for k, v in row.items() if k not in ("den_id", "longitude", "latitude")}
    index = pd.Index(["7e570000-0000-4000-8000-00000000000a"], name="den_id")
    return gpd.GeoDataFrame([row], geometry=[shapely.Point(-115.5, 43.5)], crs=4326, index=range(1)).set_index(index)


def visits(settled=None) -> pd.DataFrame:
    """Return its visit."""
    return pd.DataFrame({"den_id": ["7e570000-0000-4000-8000-00000000000a"], "settled": [settled]})


def derived(**values) -> pd.DataFrame:
    """Return its derived values."""
    return pd.DataFrame([{"elevation_m": 1200.0} | values], index=dens().index)


def told(frame, seen=None, values=None, reasons=NOTHING, area=None) -> list[str]:
    """Return the findings as text."""
    seen, values = visits() if seen is None else seen, derived() if values is None else values
    return [str(f.problem) for f in of_records(frame, seen, values, reasons, area=area)]


def test_nothing_to_say() -> None:
    """A sound den."""
    assert told(dens()) == []


def test_doubts_stand_with_their_source_until_confirmed() -> None:
    """An unusual slope names den, file and line; a confirmed visit settles it."""
    (line,) = told(dens(slope_deg=72.0))
    assert line.startswith("crew.csv line 7: warning: den D-1: slope_deg 72 deg is unusual")
    assert told(dens(slope_deg=72.0), seen=visits("slope_deg,position")) == []
    assert len(told(dens(slope_deg=72.0), seen=visits("depth_cm"))) == 1


def test_outside_unvisited_and_not_derived() -> None:
    """Three findings of one den."""
    lines = told(dens(), seen=visits().iloc[:0], values=derived().iloc[:0], area=shapely.box(0, 0, 1, 1))
    assert [any(word in line for line in lines) for word in ("study area", "no visit", "no derived values")] == [
        True
    ] * 3


def test_disagreement_with_the_dem() -> None:
    """Both numbers and the difference; a bearing called true is asked about."""
    values = derived(slope_disagrees=0.0, aspect_disagrees=1.0, derived_slope_deg=10.0, derived_aspect_deg=100.0,
                     slope_difference_deg=1.0, aspect_difference_deg=-60.0)  # fmt: skip
    (line,) = told(dens(slope_deg=11.0, aspect_deg=40.0, aspect_read="40", aspect_reference="true"), values=values)
    assert "aspect 40 deg in the field, 100 deg in the DEM (-60)" in line
    assert "magnetic?" in line


@pytest.mark.parametrize(("reason", "count"), [("outside the raster", 1), ("flat: no aspect", 0)])
def test_missing_values_have_reasons(reason, count) -> None:
    """Flat ground is no finding, a den off the layer is one, with all its values in one line."""
    reasons = pd.DataFrame({"den_id": [dens().index[0]] * 2, "covariate": ["elevation_m", "derived_slope_deg"],
                            "radius_m": [None, None], "reason": [reason] * 2})  # fmt: skip
    lines = told(dens(), reasons=reasons)
    assert len(lines) == count
    assert all("elevation_m, derived_slope_deg" in line for line in lines)


def test_what_another_program_wrote_is_told_not_raised() -> None:
    """A type that no den can have, and no source line, after an edit in a GIS."""
    (line,) = told(dens(den_type="cave", source_line=None))
    assert "den_type 'cave'; allowed: tree" in line


def test_a_gradient_on_half_a_disc_is_told() -> None:
    """The class rests on the part with data; check says so."""
    (line,) = told(dens(), values=derived(gradient_missing_share=0.4))
    assert "40% missing" in line
    assert told(dens(), values=derived(gradient_missing_share=0.0)) == []
