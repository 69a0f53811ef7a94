"""Dens seen from a distance, against geographiclib and by simulation."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from densite.errors import PlaceError
from densite.offsets import seen_from

SURE = {"uncertainty_m": 0.0, "bearing_error_deg": 0.0, "distance_error_m": 0.0}


@given(st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(0, 360), st.floats(0, 5000))
def test_places_against_geographiclib(latitude, longitude, bearing, distance) -> None:
    """The same place as geographiclib's (Karney 2013) to a tenth of a millimetre, over the whole Earth."""
    at = seen_from(longitude, latitude, bearing_deg=bearing, distance_m=distance, **SURE)
    other = Geodesic.WGS84.Direct(latitude, longitude, bearing, distance)
    assert Geodesic.WGS84.Inverse(at.latitude, at.longitude, other["lat2"], other["lon2"])["s12"] < 1e-4
    assert at.uncertainty_m == 0


def test_errors_by_hand() -> None:
    """3 m of place, 4 m along, 100 m times 6.8755 degrees (0.12 rad) across: 3, 1.96 x 4 and 1.96 x 12."""
    at = seen_from(-115.5, 43.5, uncertainty_m=3, bearing_deg=40, bearing_error_deg=math.degrees(0.12),
                   distance_m=100, distance_error_m=4)  # fmt: skip
    assert (at.along_m, at.across_m, at.uncertainty_m) == pytest.approx((4, 12, math.sqrt(9 + 1.959964**2 * 160)))


def test_a_slope_distance_is_made_level() -> None:
    """60 degrees up halves it, and the error of it."""
    at = seen_from(-115.5, 43.5, uncertainty_m=0, bearing_deg=40, bearing_error_deg=0, distance_m=80,
                   distance_error_m=2, tilt_deg=60)  # fmt: skip
    assert at.along_m == pytest.approx(1)
    assert Geodesic.WGS84.Inverse(43.5, -115.5, at.latitude, at.longitude)["s12"] == pytest.approx(40)


@pytest.mark.parametrize(("metres", "degrees", "most"), [(5.0, 3.0, 0.98), (0.5, 5.0, 0.955), (20.0, 0.5, 0.955)])
def test_the_radius_holds_95_of_100_simulated_crews(metres, degrees, most) -> None:
    """20 000 crews: just so where one error rules, a little more where they are alike."""
    rng = np.random.default_rng(3)
    turn, reach = np.radians(40 + rng.normal(0, degrees, 20_000)), 120 + rng.normal(0, metres, 20_000)
    stood = rng.normal(0, 4 / 2.447747, (2, 20_000))  # 95 of 100 within 4 m: chi-square's .95 on 2 is 5.991465
    east, north = stood + reach * np.array([np.sin(turn), np.cos(turn)])
    miss = np.hypot(east - 120 * math.sin(math.radians(40)), north - 120 * math.cos(math.radians(40)))
    at = seen_from(-115.5, 43.5, uncertainty_m=4, bearing_deg=40, bearing_error_deg=degrees, distance_m=120,
                   distance_error_m=metres)  # fmt: skip
    assert 0.945 < np.mean(miss < at.uncertainty_m) < most


@pytest.mark.parametrize("wrong", [{"distance_m": -1.0}, {"distance_error_m": math.nan}, {"tilt_deg": 90.0},
                                   {"bearing_error_deg": -2.0}, {"uncertainty_m": math.inf}])  # fmt: skip
def test_impossible_sightings_are_refused(wrong) -> None:
    """A negative or endless number is told."""
    good = {"bearing_deg": 10.0, "distance_m": 50.0, **SURE}
    with pytest.raises(PlaceError, match="must"):
        seen_from(-115.5, 43.5, **(good | wrong))
