"""Records hold what is possible, doubt what is unusual, and say so in the trade's words."""

import datetime as dt
import uuid

import pytest
from pydantic import ValidationError

from densite.errors import Level
from densite.records import DenSite, den_uuid, doubts, problems_of, read_number, row_key, visit_uuid, winter_of

NOW = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)


def den(**fields) -> DenSite:
    """Return a plain tree den with some fields set."""
    base = {
        "den_id": uuid.uuid4(),
        "label": "D-1",
        "longitude": -115.0,
        "latitude": 43.5,
        "den_type": "tree",
        "uncertainty_m": 5.0,
        "recorded_at": NOW,
    }
    return DenSite.model_validate(base | fields)


def problems(**fields):
    """Return the problems that a field causes."""
    with pytest.raises(ValidationError) as told:
        den(**fields)
    return problems_of(told.value)


def test_type_word_is_held_against_the_list() -> None:
    """An unknown word lists what is allowed; blank is told apart from unknown."""
    (problem,) = problems(den_type="cave")
    assert str(problem) == "error: den_type 'cave'; allowed: tree, ground bed, rock ledge, brush, unknown"
    (problem,) = problems(den_type="  ")
    assert "is empty" in problem.message
    assert "unknown" in problem.hint


@pytest.mark.parametrize("word", ["Rock Ledge", "rock_ledge", "ROCK-LEDGE"])
def test_spelling_of_a_type_does_not_matter(word) -> None:
    """Case, dashes and underscores."""
    assert den(den_type=word).den_type == "rock ledge"


def test_unknown_type_is_a_type() -> None:
    """Unknown is allowed."""
    assert den(den_type="unknown").den_type == "unknown"


@pytest.mark.parametrize(
    ("name", "value"), [("slope_deg", "91"), ("canopy_pct", 101), ("aspect_deg", -1), ("depth_cm", "-3")]
)
def test_the_impossible_is_an_error(name, value) -> None:
    """With the range that is possible."""
    (problem,) = problems(**{name: value})
    assert problem.level is Level.ERROR
    assert "allowed:" in problem.message


def test_slope_over_90_asks_about_percent() -> None:
    """118 in a column of degrees."""
    (problem,) = problems(slope_deg="118")
    assert "slope_pct" in problem.hint


def test_decimal_comma_is_offered_as_point() -> None:
    """44,5 is not silently 445 or 44."""
    (problem,) = problems(canopy_pct="44,5")
    assert "did you mean 44.5?" in problem.message


@pytest.mark.parametrize("value", ["nan", "inf", float("nan"), float("inf")])
def test_numbers_must_be_finite(value) -> None:
    """Neither words nor floats smuggle a NaN in."""
    assert problems(canopy_pct=value)


def test_the_unusual_is_kept_and_doubted() -> None:
    """62 degrees may be percent: a warning, not a rejection."""
    (problem,) = doubts(den(slope_deg=62.0))
    assert problem.level is Level.WARNING
    assert "percent" in problem.hint
    assert not doubts(den(slope_deg=59.0))


def test_bearing_without_north_is_doubted() -> None:
    """It is kept as read but no true aspect is made of it."""
    (problem,) = doubts(den(aspect_read="140", aspect_error_deg=0.5))
    assert "true or magnetic" in problem.message


def test_tree_size_at_another_type_is_doubted() -> None:
    """A rock ledge with a tree diameter."""
    (problem,) = doubts(den(den_type="rock ledge", tree_diameter_cm=60.0))
    assert problem.hint == "is it a tree den?"


def test_row_key_is_the_content() -> None:
    """Order, blanks, spaces and confirmation do not change it; a value does."""
    key = row_key({"a": "1", "b": "x  y"})
    assert key == row_key({"b": "x y", "a": "1", "c": "", "confirmed": "yes"})
    assert key != row_key({"a": "2", "b": "x y"})


def test_ids_are_lasting_and_of_one_study() -> None:
    """The same label gives the same id in one study and another in the next."""
    assert den_uuid("s", "D-1 ") == den_uuid("s", "d-1")
    assert den_uuid("s", "D-1") != den_uuid("t", "D-1")
    assert visit_uuid("s", "k") != den_uuid("s", "k")


def test_winter_is_named_by_its_january() -> None:
    """December 2025 and March 2026 are one winter."""
    assert winter_of(dt.date(2025, 12, 20)) == winter_of(dt.date(2026, 3, 1)) == 2026
    assert winter_of(dt.date(2025, 6, 30)) == 2025
    assert winter_of(dt.date(2025, 7, 1)) == 2026


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("40 %", "%", 40),
        ("12.5 cm", "cm", 12.5),
        ("3 m", "cm", 300),
        ("10 ft", "m", 3.048),
        ("25 mm", "cm", 2.5),
        ("-3", "m", -3),
    ],
)
def test_units_are_understood_or_converted(text, unit, value) -> None:
    """The field's own unit, and lengths in another one (foot and inch by the agreement of 1959)."""
    assert read_number(text, unit=unit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "unit"), [("40 %", "deg"), ("35 deg", "%"), ("20 %", "m"), ("3 stones", "m"), ("5 m", "")]
)
def test_a_unit_that_does_not_fit_is_refused(text, unit) -> None:
    """40 % is never 40 degrees."""
    with pytest.raises(ValueError, match="is in"):
        read_number(text, unit=unit)
