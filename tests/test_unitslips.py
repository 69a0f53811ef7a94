"""Unit slips at their break points: exact conversions, and what they must not take for a slip."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite.animalterms import KINDS
from densite.unitslips import by_neighbours, by_range, by_ratio

TERMS = {term.name: term for kind in ("cub", "handling", "reading") for term in KINDS[kind].terms}
TEMPERATURE, MASS, GIRTH, LENGTH = (TERMS[n] for n in ("temperature_c", "mass_kg", "girth_cm", "body_length_cm"))


# Entry ranges 28 to 43 C, 30 to 200 kg, 90 to 210 cm; exact conversions of NIST Special Publication 811 (2008),
# appendix B: C = (F - 32) / 1.8, 1 lb = 0.45359237 kg, 1 in = 2.54 cm.
@pytest.mark.parametrize(
    ("name", "value", "meant"),
    [
        ("temperature_c", 98.6, 37.0),
        ("temperature_c", 82.4, 28.0),
        ("temperature_c", 82.39, None),
        ("temperature_c", 109.4, 43.0),
        ("temperature_c", 109.41, None),
        ("temperature_c", 95.0, 35.0),
        ("temperature_c", (37.0 - 32) / 1.8, 37.0),
        ("temperature_c", 43.0, None),
        ("temperature_c", 28.0, None),
        ("mass_kg", 200.0, None),
        ("mass_kg", 200.1, 90.7638),
        ("mass_kg", 200 / 0.45359237, 200.0),
        ("mass_kg", 442.0, None),
        ("mass_kg", 29.9, 29.9 / 0.45359237),
        ("body_length_cm", 89.9, None),
        ("body_length_cm", 82.67, 82.67 * 2.54),
        ("body_length_cm", 82.68, None),
        ("body_length_cm", 90 / 2.54, 90.0),
        ("body_length_cm", 35.43, None),
        ("girth_cm", 38.0, 96.52),
        ("zygomatic_mm", 18.0, 180.0),
        ("zygomatic_mm", 7.0, 177.8),
        ("spo2_pct", 0.94, 94.0),
        ("spo2_pct", 49.0, None),
        ("heart_rate", 400.0, None),
        ("mass_g", 2.5, 2500.0),
        ("temperature_c", math.nan, None),
        ("temperature_c", None, None),
    ],
)
def test_by_range(name, value, meant) -> None:
    """Outside the entry range, inside when read in another unit."""
    slip = by_range(value, TERMS[name])
    assert (slip is None) == (meant is None)
    if slip:
        assert slip.meant == pytest.approx(meant, abs=1e-4)


def test_words() -> None:
    """The message says both numbers and how it may have come."""
    assert str(by_range(98.6, TEMPERATURE)) == "98.6 C is 37.0 C if it was read in degrees Fahrenheit"
    assert "converted from degrees Fahrenheit once more" in str(by_range(2.8, TEMPERATURE))


@given(st.floats(28, 43), st.floats(30, 200))
def test_usual_values_are_never_slips(celsius, kg) -> None:
    """What lies in the entry range is taken as it stands."""
    assert by_range(celsius, TEMPERATURE) is None
    assert by_range(kg, MASS) is None


@given(st.floats(28, 43))
def test_every_fahrenheit_reading_is_told(celsius) -> None:
    """No temperature of the entry range goes unnoticed in Fahrenheit, nor when converted twice."""
    assert by_range(celsius * 1.8 + 32, TEMPERATURE).meant == pytest.approx(celsius)
    if celsius >= 32:
        assert by_range((celsius - 32) / 1.8, TEMPERATURE).meant == pytest.approx(celsius)


def test_by_neighbours() -> None:
    """80 F (26.7 C) is usual in neither unit, but stands among its neighbours in one of them."""
    assert by_range(80.0, TEMPERATURE) is None
    assert by_neighbours(80.0, [27.2, 27.0, 26.9], TEMPERATURE).meant == pytest.approx(26.6667, abs=1e-4)
    assert by_neighbours(95.0, [36.2, 36.0, 35.4], TEMPERATURE).meant == pytest.approx(35.0)
    assert by_neighbours(95.0, [36.2], TEMPERATURE) is None  # one neighbour may be the wrong one
    assert by_neighbours(60.0, [36.2, 36.0], TEMPERATURE) is None  # 15.6 C is as far off
    assert by_neighbours(35.0, [36.2, 36.0], TEMPERATURE) is None
    assert by_neighbours(None, [36.2, 36.0], TEMPERATURE) is None


@given(st.floats(28, 43), st.lists(st.floats(28, 43), min_size=2))
def test_true_temperatures_are_never_taken_for_fahrenheit(value, others) -> None:
    """However far apart they lie: the two scales do not meet in a living body, but for wide scatter."""
    slip = by_neighbours(value, others, TEMPERATURE)
    assert slip is None or max(others) - min(others) > 10


# The factor between lb and kg is 2.20462; half its logarithm puts the break points at its root and its 3/2 power.
@pytest.mark.parametrize(
    ("ratio", "told"), [(1.0, False), (1.484, False), (1.486, True), (2.2046, True), (3.27, True), (3.28, False)]
)
def test_by_ratio_at_its_break_points(ratio, told) -> None:
    """Nearer to the factor than to 1, in both directions."""
    assert (by_ratio(70 * ratio, 70.0, MASS) is not None) == told
    assert (by_ratio(70.0, 70 * ratio, MASS) is not None) == told


def test_by_ratio_takes_what_is_missing() -> None:
    """None, NaN, zero and degrees have no ratio."""
    for value, beside in ((None, 70.0), (70.0, None), (math.nan, 70.0), (0.0, 70.0), (70.0, 0.0), (math.inf, 7.0)):
        assert by_ratio(value, beside, MASS) is None
    assert by_ratio(98.6, 37.0, TEMPERATURE) is None
    assert by_ratio(40.0, 40 * 2.54, GIRTH).meant == pytest.approx(101.6)
    assert LENGTH.unit == "cm"
