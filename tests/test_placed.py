"""Findings at their record: place, value, what a person has settled; several things in one line."""

import pytest

from densite.errors import Level, Problem
from densite.placed import listing, problem_at, told

ROW = {"source_file": "a.csv", "source_line": 7, "settled": None, "mass_kg": 82.0, "date": None,
       "down_at": "utc", "down_local": "2026-02-24T08:21:00-07:00"}  # fmt: skip


@pytest.mark.parametrize(
    ("field", "value"),
    [("mass_kg", "82"), ("date", ""), ("down", "2026-02-24T08:21:00-07:00"), ("no_such_column", "")],
)
def test_a_finding_shows_where_and_what(field, value) -> None:
    """File, line, field and value; of a time the clock at the den."""
    expected = Problem(Level.WARNING, "odd", field, value, "a.csv", 7, "look")
    assert (
        told(ROW, "odd", field=field, hint="look") == [problem_at(ROW, "odd", field=field, hint="look")] == [expected]
    )


def test_what_a_person_settled_is_left_out() -> None:
    """Its field, or all of them by a confirmed correction; of another field nothing is settled."""
    assert told(ROW | {"settled": "date,mass_kg"}, "odd", field="mass_kg") == []
    assert told(ROW | {"settled": "all"}, "odd", field="mass_kg") == []
    assert len(told(ROW | {"settled": "mass"}, "odd", field="mass_kg")) == 1
    assert problem_at(ROW | {"settled": "all"}, "odd", field="mass_kg").message == "odd"


def test_records_without_a_place() -> None:
    """As made by other programs."""
    assert (told({}, "odd", field="x")[0].file, told({"source_line": None}, "odd", field="x")[0].line) == ("", 0)


def test_listing() -> None:
    """All of few, the first of many."""
    assert [listing(map(str, range(n)), most=3) for n in (0, 3, 4)] == ["", "0, 1, 2", "0, 1, 2 and 1 more"]
