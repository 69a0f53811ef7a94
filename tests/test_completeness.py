"""What is expected and not filled in, by den, visit and record."""

import pandas as pd
import pytest
from made_questions_of_dens import dens_at, visits_to

from densite.animals import frame_of
from densite.review.completeness import EXPECTED, expected_of, filled, heading_of, lacking, lacking_of_animals
from densite.review.finding import unsettled

ASKED = ("aspect", "slope_deg", "tree_diameter_cm", "depth_cm", "crew", "observer")


def told(dens, visits, expected=ASKED):
    """Return (den, visit, columns) of each finding."""
    return [(f.den_id, f.visit_id, f.missing) for f in lacking(dens, visits, expected)]


def test_the_default_has_headings() -> None:
    """Every default column is a term; a study's list takes its place."""
    assert expected_of(None) == EXPECTED
    assert all(heading_of(name) for name in EXPECTED)
    assert expected_of(["slope_deg"]) == ("slope_deg",)


def test_den_and_visit_apart() -> None:
    """A bearing that cannot be used is missing; blank text is blank; the visit's line is its own."""
    dens = dens_at(1, aspect_read=["145"], slope_deg=[20.0], tree_diameter_cm=[60.0], depth_cm=[100.0])
    visits = visits_to(("d0", "2024-02-01", "OB-001"), crew=" ", source_line=7)
    assert told(dens, visits) == [("d0", "", ("aspect",)), ("d0", "v0", ("crew",))]
    assert [f.problem.line for f in lacking(dens, visits, ASKED)] == [2, 7]


@pytest.mark.parametrize(("kind", "expected"), [("tree", ("tree_diameter_cm", "depth_cm")), ("ground bed", ()),
                                                ("rock ledge", ("depth_cm",)), ("unknown", ())])  # fmt: skip
def test_only_what_a_type_has(kind, expected) -> None:
    """A ledge has no trunk, a bed no depth, and of an unknown type nothing of either is asked."""
    found = told(dens_at(1, den_type=[kind]), visits_to(("d0", "2024-02-01", "OB-001")), ASKED[2:4])
    assert found == ([("d0", "", expected)] if expected else [])


def test_what_is_settled_is_not_asked_again() -> None:
    """Column by column."""
    found = list(lacking(dens_at(1), visits_to(("d0", "2024-02-01", "OB-001")), ASKED[:2]))
    (left,) = unsettled(found, {"d0": {"missing.aspect"}})
    assert left.missing == ("slope_deg",)
    assert unsettled(found, {"d0": {"missing.aspect", "missing.slope_deg"}}) == []


def test_records_of_animals() -> None:
    """A cub without its mass, where the study expects one; counts beside it."""
    cub = {"female": "OB-031", "cub_no": 1.0, "sex": "female", "source_file": "cubs.csv", "source_line": 3}
    cubs = frame_of("cub", [cub | {"record_id": "a"}, cub | {"record_id": "b", "mass_g": 900.0}])
    (found,) = lacking_of_animals({"cub": cubs}, ["slope_deg", "cub.mass_g", "cub.sex"])
    assert found.missing == ("cub.mass_g",)
    assert found.problem.message == "OB-031: cub record, not filled in: mass"
    counts = filled(dens_at(2, slope_deg=[1.0, None]), visits_to(), {"cub": cubs}, ["slope_deg", "cub.mass_g", "crew"])
    assert counts.drop(columns="column").to_numpy().tolist() == [["den", 2, 1], ["cub", 2, 1], ["visit", 0, 0]]
    assert isinstance(counts, pd.DataFrame)
