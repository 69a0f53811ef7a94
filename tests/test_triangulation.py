"""The source of a signal: Lenth's own example, exact bearings anywhere on Earth, and coverage by simulation."""

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from densite.errors import PlaceError
from densite.places import distance_m, moved
from densite.triangulation import ESTIMATORS, Sighting, locate, outline, solve

# Lenth 1981, his worked example: x, y and bearing [deg from north] of eight stations, the sixth an outlier; and his
# table of x, y, their standard errors and correlation, without and with the outlier. Read in the sample files
# of the public repository barryrowlingson/telemetr (inst/samples/lenth.dat and lenthresults.dat).
EXAMPLE = np.array([
    [9, 3.2, 234], [9.4, 5.5, 215], [9.95, 9.05, 196], [8.7, 8.7, 193], [8.07, 9.7, 188], [5.6, 9, 250],
    [4.4, 8.9, 160], [1.85, 5.25, 118],
])  # fmt: skip
PUBLISHED = [
    (7, "maximum likelihood", 7.23, 1.98, 0.156, 0.156, 0.664),
    (7, "huber", 7.21, 1.98, 0.152, 0.152, 0.662),
    (7, "andrews", 7.21, 1.97, 0.156, 0.155, 0.669),
    (8, "maximum likelihood", 5.87, 1.13, 1.490, 1.733, 0.509),
    (8, "huber", 6.78, 1.66, 0.883, 0.945, 0.600),
    (8, "andrews", 7.21, 1.97, 0.156, 0.155, 0.669),
]
HERE = (-115.5, 43.5)


@pytest.mark.parametrize(("count", "estimator", "x", "y", "se_x", "se_y", "correlation"), PUBLISHED)
def test_the_published_example(count, estimator, x, y, se_x, se_y, correlation) -> None:
    """Estimates to both decimals printed, errors and correlation to the last of three."""
    rows = EXAMPLE if count == 8 else np.delete(EXAMPLE, 5, axis=0)
    found = solve(rows[:, 0], rows[:, 1], np.radians(90 - rows[:, 2]), estimator=estimator)
    assert (found.x, found.y) == pytest.approx((x, y), abs=0.0051)
    errors = np.sqrt(np.diag(found.covariance))
    assert errors == pytest.approx((se_x, se_y), abs=0.0015)
    assert found.covariance[0, 1] / errors.prod() == pytest.approx(correlation, abs=0.0015)


def around(source, *, bearings=(10, 130, 250), distances=(900.0, 1400.0, 700.0), off=(0.0, 0.0, 0.0), **more):
    """Place stations round a source, each with its exact bearing to it by geographiclib, plus what it is off."""
    made = []
    for i, (bearing, distance) in enumerate(zip(bearings, distances, strict=True)):
        lon, lat = moved(*source, bearing_deg=bearing, distance_m=distance)
        exact = Geodesic.WGS84.Inverse(lat, lon, source[1], source[0])["azi1"]
        made.append(Sighting(lon, lat, (exact + off[i]) % 360, station=f"S{i + 1}", **more))
    return made


@given(st.floats(-180, 180), st.floats(-89.5, 89.5), st.floats(0, 360), st.floats(0.1, 30))
@hypothesis_settings(max_examples=50)
def test_exact_bearings_find_the_source_anywhere(longitude, latitude, turn, scale) -> None:
    """By all estimators to a millionth of the distance, over the whole Earth, up to 42 km away."""
    distances = tuple(scale * d for d in (900.0, 1400.0, 700.0))
    bearings = tuple((turn + b) % 360 for b in (10, 130, 250))
    seen = around((longitude, latitude), bearings=bearings, distances=distances)
    for estimator in ESTIMATORS:
        found = locate(seen, estimator=estimator)
        assert distance_m(found.longitude, found.latitude, longitude, latitude) < 1e-6 * max(distances) + 1e-3


def test_spread_known_or_not() -> None:
    """Known errors give the chi-square ellipse; three bearings alone a far wider one, and a word about it."""
    off = (2.0, -1.0, 1.5)
    known, unknown = locate(around(HERE, off=off, sd_deg=2.0)), locate(around(HERE, off=off))
    assert known.sd_known
    assert known.sd_deg == pytest.approx(2.0, rel=1e-3)
    assert unknown.ellipse.semi_major_m > 3 * known.ellipse.semi_major_m
    assert any("spread" in caution for caution in unknown.cautions)
    assert known.cautions == ()
    # of the linear problem: sum of u u' / sd2, with u = 1 / distance across each line
    across = np.array([[-math.cos(math.radians(b)), math.sin(math.radians(b))] for b in (10, 130, 250)])
    u = across / np.array([[900.0], [1400.0], [700.0]]) / math.radians(2)
    assert np.array(known.covariance) == pytest.approx(np.linalg.inv(u.T @ u), rel=0.15, abs=40)


def test_declination_and_place_errors_widen_the_ellipse() -> None:
    """Shared error of declination from three sides nearly cancels, from one side it does not."""
    one_side = {"bearings": (150, 180, 210), "distances": (900.0, 900.0, 900.0)}
    plain = locate(around(HERE, sd_deg=2.0, **one_side)).ellipse
    turned = locate(around(HERE, sd_deg=2.0, declination_error_deg=2.0, **one_side)).ellipse
    placed = locate(around(HERE, sd_deg=2.0, uncertainty_m=30.0, **one_side)).ellipse
    assert turned.hectares > 1.2 * plain.hectares
    assert placed.hectares > 1.5 * plain.hectares
    ring = {"bearings": (0, 120, 240), "distances": (900.0, 900.0, 900.0)}
    round_it = locate(around(HERE, sd_deg=2.0, declination_error_deg=2.0, **ring)).ellipse
    assert round_it.hectares == pytest.approx(locate(around(HERE, sd_deg=2.0, **ring)).ellipse.hectares, rel=0.01)


def test_two_bearings_cross_without_error() -> None:
    """Place, but neither covariance nor ellipse; and it says so."""
    found = locate(around(HERE)[:2])
    assert distance_m(found.longitude, found.latitude, *HERE) < 0.01
    assert (found.covariance, found.ellipse, found.sd_deg) == (None, None, None)
    assert "Take a third" in found.cautions[0]


def test_an_outlier_is_weighed_down_and_told() -> None:
    """Six bearings, one 40 degrees off: Andrews drops it, and names the station."""
    seen = around(HERE, bearings=(0, 60, 120, 180, 240, 300), distances=(900.0,) * 6,
                  off=(1.0, -1.0, 40.0, 1.0, -2.0, 0.5))  # fmt: skip
    found = locate(seen, estimator="andrews")
    assert distance_m(found.longitude, found.latitude, *HERE) < 40
    assert found.weights[2] == 0
    assert any(caution.startswith("S3 was given little weight") for caution in found.cautions)
    assert distance_m(*_place(locate(seen)), *HERE) > 60


def _place(found):
    return found.longitude, found.latitude


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (around(HERE, bearings=(10, 10.3, 10.6), distances=(900.0, 1400.0, 700.0)), "parallel"),
        (around(HERE, bearings=(0, 4, 8), sd_deg=5.0), "parallel"),
        (around(HERE, off=(180.0, 180.0, 180.0)), "behind S1, S2, S3"),
        (around(HERE)[:1], "one place"),
        ([*around(HERE)[:2], around(HERE, sd_deg=2.0)[2]], "for all of them or for none"),
        (around(HERE, sd_deg=90.0), "no bearing is exact"),
        (around(HERE, distances=(900.0, 250_000.0, 700.0)), "200 km apart"),
    ],
)
def test_bearings_that_tell_no_place_are_refused(seen, said) -> None:
    """Parallel, reversed, too few, contradictory or too far apart."""
    with pytest.raises(PlaceError, match=said):
        locate(seen)


def test_wrong_options_are_refused() -> None:
    """An estimator nobody published, and certainty."""
    with pytest.raises(PlaceError, match="allowed: maximum likelihood, huber, andrews"):
        locate(around(HERE), estimator="median")
    with pytest.raises(PlaceError, match="between 0 and 1"):
        locate(around(HERE), confidence=1.0)


def test_outline_is_the_ellipse() -> None:
    """Closed, anticlockwise, its longest and shortest reach are the half axes."""
    found = locate(around(HERE, bearings=(150, 180, 210), sd_deg=2.0))
    ring = outline(_place(found), found.ellipse)
    reach = [distance_m(*_place(found), *corner) for corner in ring]
    assert ring[0] == ring[-1]
    assert (max(reach), min(reach)) == pytest.approx((found.ellipse.semi_major_m, found.ellipse.semi_minor_m))
    lon, lat = np.array(ring).T
    assert np.sum(lon[:-1] * lat[1:] - lon[1:] * lat[:-1]) > 0


def coverage(count, *, known, runs, seed):
    """Return the share of 95 % ellipses that hold the source, stations over 150 degrees, bearing error 3 degrees."""
    rng, held, told = np.random.default_rng(seed), 0, 0
    for _ in range(runs):
        seen = around(
            HERE, bearings=rng.uniform(0, 150, count), distances=rng.uniform(600, 1500, count),
            off=np.degrees(rng.vonmises(0, 1 / math.radians(3) ** 2, count)), sd_deg=3.0 if known else None,
        )  # fmt: skip
        try:
            found = locate(seen)
        except PlaceError:  # too near to parallel: told, not estimated
            continue
        told += 1
        away, turn = (
            Geodesic.WGS84.Inverse(found.latitude, found.longitude, HERE[1], HERE[0]),
            found.ellipse.bearing_deg,
        )
        angle = math.radians(away["azi1"] - turn)
        along, across = away["s12"] * math.cos(angle), away["s12"] * math.sin(angle)
        held += (along / found.ellipse.semi_major_m) ** 2 + (across / found.ellipse.semi_minor_m) ** 2 <= 1
    assert told > 0.95 * runs
    return held / told


def test_ellipses_hold_the_source() -> None:
    """300 runs with four bearings: about 95 in 100; chi-square with the estimated spread would hold 60."""
    assert 0.90 < coverage(4, known=False, runs=300, seed=5) < 0.99


@pytest.mark.gate
@pytest.mark.parametrize("count", [3, 4, 5, 8])
@pytest.mark.parametrize("known", [True, False])
def test_coverage_of_the_ellipse(count, known) -> None:
    """2000 runs: 95 % ellipses hold the source in 92.5 to 97 of 100, with known and with estimated spread."""
    assert 0.925 < coverage(count, known=known, runs=2000, seed=count) < 0.97
