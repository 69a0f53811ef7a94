"""Visits found by den and day."""

import datetime as dt

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from densite.animals import frame_of
from densite.errors import RegisterError
from densite.visits import find_visit, visit_summaries, with_animals

DENS = gpd.GeoDataFrame(
    {"label": ["D-1", "A/2"]}, index=pd.Index(["one", "two"], name="den_id"), geometry=[shapely.Point(0, 0)] * 2
)
VISITS = pd.DataFrame(
    {
        "den_id": ["one", "one", "one", "two"],
        "observed_on": [dt.date(2026, 1, 5), dt.date(2026, 3, 2), dt.date(2026, 3, 2), dt.date(2026, 2, 1)],
        "female": ["OB-001", "OB-002", None, None],
    }
)


def test_by_den_or_den_and_day() -> None:
    """The last visit, or that of a day; case does not count, a slash may stand in a label."""
    assert find_visit("d-1", DENS, VISITS).date == dt.date(2026, 3, 2)
    first = find_visit("D-1/2026-01-05", DENS, VISITS)
    assert (str(first), first.females) == ("D-1/2026-01-05", ("OB-001",))
    assert find_visit("A/2", DENS, VISITS).den_id == find_visit("A/2/2026-02-01", DENS, VISITS).den_id == "two"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("D-9", "no den 'D-9' in the register.*did you mean D-1"),
        ("D-1/2026-01-06", "has no visit on 2026-01-06; visits: 2026-01-05, 2026-03-02"),
        ("D-1/soon", "'soon' is no day"),
    ],
)
def test_what_is_not_there_is_told(text, said) -> None:
    """With what there is."""
    with pytest.raises(RegisterError, match=said):
        find_visit(text, DENS, VISITS)


DAY = dt.date(2026, 3, 2)
RECORDS = {
    "handling": frame_of(
        "handling", [{"record_id": "h", "animal": "OB-002", "date": DAY, "mass_kg": 82, "den_id": "one"}]
    ),
    "reading": frame_of("reading", [{"record_id": i, "animal": "OB-002", "date": DAY} for i in "abc"]),
    "cub": frame_of(
        "cub",
        [
            {"record_id": "c", "den_id": "one", "date": DAY, "sex": "female"},
            {"record_id": "d", "den_id": "one", "date": DAY, "sex": "male", "dead": "yes"},
        ],
    ),
    "sample": frame_of("sample", []),
    "check": frame_of(
        "check",
        [{"record_id": "k", "den_id": "one", "date": DAY, "checked_on": DAY, "at_den": "no", "moved_m": 125}],
    ),
}  # fmt: skip


def test_visits_carry_what_was_recorded_of_the_animals() -> None:
    """By den and day, or female and day; a visit without records counts nought."""
    joined = with_animals(VISITS, RECORDS)
    assert joined["cubs"].tolist() == [0, 2, 2, 0]
    assert joined["checks"].tolist() == [0, 1, 1, 0]
    assert joined["readings"].tolist() == [0, 3, 0, 0]
    assert joined["handled"].tolist() == ["no", "yes", "no", "no"]
    assert joined["mass_kg"].fillna(0).tolist() == [0, 82, 0, 0]


def test_without_records_or_visits() -> None:
    """A study before its first animal, and one before its first visit."""
    nothing = {kind: frame_of(kind, []) for kind in RECORDS}
    assert with_animals(VISITS, nothing)["handled"].tolist() == ["no"] * 4
    assert with_animals(VISITS.iloc[:0], RECORDS).columns[-1] == "checks"
    births = pd.DataFrame(columns=["den_id", "date", "born_on", "born_from", "born_to", "known"])
    assert visit_summaries(*(nothing[kind] for kind in ("handling", "cub", "check")), births).empty


def test_a_den_is_summed_up_in_words() -> None:
    """Mother, litter, birth and whether she stayed; an estimated birth date says so."""
    born = {"born_on": dt.date(2026, 1, 20), "born_from": dt.date(2026, 1, 12), "born_to": dt.date(2026, 1, 28)}
    births = pd.DataFrame([{"den_id": "one", "date": DAY, "known": False, **born}])
    frames = [RECORDS[kind] for kind in ("handling", "cub", "check")]
    told = visit_summaries(*frames, births, how_born="invented calibration")
    row = told.loc["one"]
    assert row["handled"] == "OB-002 on 2026-03-02, 82 kg"
    assert row["litter"] == "2026-03-02: 2 cubs (1 female, 1 male), 1 dead"
    assert row["born"] == "about 2026-01-20 (2026-01-12 to 2026-01-28), estimated, invented calibration"
    assert row["stayed"] == "2026-03-02: not at the den, moved 125 m"
    stayed = frames[2].assign(at_den="yes", moved_m=0.0)
    assert visit_summaries(*frames[:2], stayed, births).loc["one", "stayed"] == "2026-03-02: at the den"
    known = visit_summaries(*frames, births.assign(known=True))
    assert known.loc["one", "born"] == "2026-01-20, known"
