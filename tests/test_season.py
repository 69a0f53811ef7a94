"""Visits outside the season that the study has named."""

import datetime as dt

import pytest
from made_questions_of_dens import dens_at, visits_to

from densite.review.season import in_season, outside_season


@pytest.mark.parametrize(("day", "inside"), [("11-01", True), ("12-31", True), ("05-15", True), ("05-16", False),
                                             ("10-31", False), ("02-29", True)])  # fmt: skip
def test_a_season_over_the_new_year(day, inside) -> None:
    """The first and the last day belong to it."""
    assert in_season(dt.date.fromisoformat(f"2024-{day}"), "11-01", "05-15") is inside
    assert in_season(dt.date(2024, 7, 1), "06-01", "08-31")
    assert not in_season(dt.date(2024, 9, 1), "06-01", "08-31")


def test_each_visit_is_asked_about() -> None:
    """One of two, by its own file and line."""
    visits = visits_to(("d0", "2024-02-01", "OB-001"), ("d0", "2024-07-01", "OB-001"), source_line=[2, 9])
    (found,) = outside_season(dens_at(1), visits, season=("11-01", "05-15"))
    assert (found.visit_id, found.problem.line, found.problem.field) == ("v1", 9, "date")
    assert "visited on 2024-07-01, outside the season of 11-01 to 05-15" in found.problem.message
