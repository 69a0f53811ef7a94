"""Declination against the models' own test values and published values of the reference field."""

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from densite.errors import PlaceError
from densite.magnetism import decimal_year, declination, world_model

DATA = Path(__file__).parent / "data"
# The test-value file of the World Magnetic Model 2025 (NOAA/NCEI and BGS, model report): decimal year,
# altitude [km], latitude, longitude, declination [deg], and more; those of 2015v2 and 2020 beside it.
WMM2025 = np.loadtxt(DATA / "wmm2025_test_values.txt", usecols=range(5))
EARLIER = np.loadtxt(DATA / "wmm_earlier_test_values.txt", usecols=range(5))


@pytest.mark.parametrize(
    ("file", "rows", "count"),
    [
        ("wmm/WMM_2025.COF", WMM2025, 50),
        ("wmm/WMM_2020.COF", EARLIER[EARLIER[:, 0] >= 2020], 12),
        ("wmm/WMM_2015v2.COF", EARLIER[EARLIER[:, 0] < 2020], 12),
    ],
)
def test_world_models_against_their_own_test_values(file, rows, count) -> None:
    """The coefficients and code that declination() uses give all of each model's published values."""
    assert len(rows) == count
    for year, km, lat, lon, expected in rows:
        result = world_model(file).calculate(glat=lat, glon=lon, alt=km, time=year)
        assert result.d == pytest.approx(expected, abs=0.0051)  # printed with two decimals


@pytest.mark.parametrize(
    ("lat", "lon", "day", "expected"),
    [
        (80, 0, dt.date(2025, 1, 1), 1.28),
        (0, 120, dt.date(2025, 1, 1), -0.16),
        (-80, -120, dt.date(2025, 1, 1), 68.78),
        (80, 0, dt.date(2027, 7, 2), 2.59),
    ],
)
def test_declination_at_sea_level(lat, lon, day, expected) -> None:
    """WMM2025 report: 1.28, -0.16, 68.78 at the start of 2025, 2.59 in the middle of 2027."""
    turn = declination(lon, lat, day)
    assert turn.degrees == pytest.approx(expected, abs=0.01)
    assert turn.model == "WMM2025"


def test_each_winter_by_its_own_model() -> None:
    """Which model was taken is said; before 1900 and from 2030 none is."""
    models = {2014: "IGRF-14", 2015: "WMM2015v2", 2021: "WMM2020", 2025: "WMM2025", 2029: "WMM2025", 1900: "IGRF-14"}
    assert {year: declination(-115, 44, dt.date(year, 2, 1)).model for year in models} == models
    for year in (1899, 2030):
        with pytest.raises(PlaceError, match="no magnetic model"):
            declination(-115, 44, dt.date(year, 12, 31))


@pytest.mark.parametrize(("year", "expected"), [(1900, 5.55), (1901, 5.62), (1902, 5.68)])
def test_reference_field_against_the_yearly_list(year, expected) -> None:
    """IAGA's program (BGS): 59.9 N 39.9 E at sea level, middle of 1900, 1901, 1902 (ciaranbe/pyIGRF, sample list)."""
    assert declination(39.9, 59.9, dt.date(year, 7, 2)).degrees == pytest.approx(expected, abs=0.0051)


@pytest.mark.parametrize(
    ("lat", "lon", "day", "expected"),
    [(44.51, -118.22, dt.date(1975, 3, 1), 18.9091), (60.0, 25.0, dt.date(1938, 1, 1), 1.9686)],
)
def test_reference_field_against_another_program(lat, lon, day, expected) -> None:
    """Computed with pyIGRF14 1.0.4, an independent program with the coefficients of IAGA's file."""
    assert declination(lon, lat, day).degrees == pytest.approx(expected, abs=0.005)


def test_the_two_families_meet() -> None:
    """Where the reference field ends and the World Magnetic Model begins they differ by less than either may be off."""
    for lat, lon in ((44, -115), (65, 20), (-40, 175), (10, 100)):
        last, first = declination(lon, lat, dt.date(2014, 12, 31)), declination(lon, lat, dt.date(2015, 1, 1))
        assert abs(last.degrees - first.degrees) < min(last.uncertainty_deg, first.uncertainty_deg)


def test_uncertainty_has_a_source() -> None:
    """WMM2025 report: hypot(0.26, 5417 / H); Beggan 2022 for the reference field since 1980, before it a least."""
    now, then, before = (declination(-115, 44, dt.date(year, 2, 1)) for year in (2026, 1995, 1935))
    field = world_model("wmm/WMM_2025.COF").calculate(glat=44, glon=-115, alt=0, time=decimal_year(dt.date(2026, 2, 1)))
    assert now.uncertainty_deg == pytest.approx(np.hypot(0.26, 5417 / field.h))
    assert "Beggan" in then.source
    assert (then.at_least, before.at_least) == (False, True)
    assert "at least" in str(before)
    # 136 to 144 nT across a level field of about 20 000 nT
    assert np.degrees(136 / 21_500) < then.uncertainty_deg < np.degrees(144 / 18_500)


@given(
    st.floats(-180, 180), st.floats(-90, 90),
    st.dates(dt.date(1900, 1, 1), dt.date(2029, 12, 31)),
)  # fmt: skip
@hypothesis_settings(max_examples=60)
def test_over_the_whole_earth(longitude, latitude, day) -> None:
    """Every place and day has a declination, and says how sure it is."""
    turn = declination(longitude, latitude, day)
    assert -180 <= turn.degrees <= 180
    assert 0 < turn.uncertainty_deg <= 180
