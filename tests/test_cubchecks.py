"""Findings about cubs' ages: placed, settled, and silent on sound litters."""

import datetime as dt

import numpy as np
import pytest
from made_cubs import DAY, cub, frame, grown, known
from scipy import stats
from test_calibration import made

from densite.calibration import Residual, Support
from densite.cubchecks import findings
from densite.knownage import fit

BORN = DAY - dt.timedelta(days=40)


def told(*rows: dict, calibration=None) -> list[tuple[str, str]]:
    """Return field and text of each finding."""
    return [(p.field, str(p)) for p in findings(frame(*rows), calibration or made())]


def test_sound_litters() -> None:
    """Nothing to say, with and without a calibration, and where there are none."""
    assert told(cub(1), cub(2, hair_mm=21.0), cub(3, born_on=BORN, den_label="D-2", female="OB-2")) == []
    assert findings(frame(cub()), None) == []
    assert findings(frame(), made()) == []


@pytest.mark.parametrize(
    ("rows", "field", "said"),
    [
        ([cub(born_on=DAY + dt.timedelta(days=2))], "born_on", "lies after the visit"),
        ([cub(hair_landmark=None)], "hair_landmark", "hair_mm without its landmark: no age"),
        ([cub(ear_landmark="notch to tip")], "ear_landmark", "'notch to tip', the calibration's is 'tragus to tip'"),
        ([cub(1, born_on=BORN), cub(2, born_on=BORN - dt.timedelta(days=9))], "born_on", "littermates disagree"),
        ([cub(hair_mm=1.0, ear_mm=5.0)], "hair_mm", "an age below 0 d cannot be"),
        ([cub(born_on=DAY - dt.timedelta(days=59))], "born_on", "known birth date 2026-01-01 makes 59 d"),
        ([cub(1), cub(2, hair_mm=35.0)], "hair_mm", "d apart from the other cub by its measurements"),
        ([cub(1), cub(2), cub(3, ear_mm=55.0)], "ear_mm", "cub 3 is 16 d apart from its littermates"),
        ([cub(hair_mm=35.0, ear_mm=50.0, eyes="closed")], "eyes", "eyes closed"),
        ([cub(teeth="uc")], "teeth", "canine through"),
        ([cub(date=dt.date(2026, 5, 20))], "date", "outside the births of"),
        ([cub(1), cub(2, female="OB-2")], "female", "several mothers"),
        ([cub(1), cub(2, date=DAY + dt.timedelta(days=36))], "date", "by those of 2026-03-01"),
    ],
)
def test_findings(rows, field, said) -> None:
    """Each in one line that names file, line, den, date and cub; gone when a person has settled the field."""
    found = [text for name, text in told(*rows) if name == field]
    assert len(found) == 1
    assert said in found[0]
    assert found[0].startswith("cubs.csv line ")
    assert "warning: den D-2026-01: 2026-0" in found[0]
    assert [name for name, _ in told(*(row | {"settled": f"x,{field}"} for row in rows))].count(field) == 0


def test_cubs_in_two_winters_running() -> None:
    """Told once for the later litter; not where the first was found dead, nor after a winter without."""
    first, next_ = cub(1, dead="no"), [cub(n, date=DAY.replace(year=2027)) for n in (2, 3)]
    said = [text for _, text in told(first, *next_) if "winter before" in text]
    assert len(said) == 1
    assert "2027-03-01, cub" in said[0]
    assert "OB-001 has cubs in the winter before too (2026-03-01)" in said[0]
    assert not any("winter before" in text for _, text in told(first | {"dead": "yes"}, *next_))
    assert not any("winter before" in text for _, text in told(first, cub(2, date=DAY.replace(year=2028))))


def test_without_a_calibration_landmarks_and_births_are_looked_at() -> None:
    """Those need none."""
    found = findings(frame(cub(1, hair_landmark=None), cub(2, born_on=DAY + dt.timedelta(days=1))), None)
    assert [p.field for p in found] == ["hair_landmark", "born_on"]


def test_a_measurement_that_is_not_there_is_no_finding() -> None:
    """Nothing measured, nothing doubtful; dead cubs' eyes say nothing."""
    assert told(cub(hair_mm=None, hair_landmark=None)) == []
    assert told(cub(1), cub(2, dead="yes", eyes="open", hair_mm=30.0)) == []


def test_no_interval_no_conflict() -> None:
    """Without covariance nothing is held against an interval; without residual nothing against littermates."""
    bare = made(covariance=None)
    assert told(cub(born_on=DAY - dt.timedelta(days=59)), calibration=bare) == []
    assert told(cub(1), cub(2, hair_mm=35.0), calibration=made(residual=None)) == []
    only = Residual(between_sd=2, within_sd=0, degrees_of_freedom=9)
    assert told(cub(1), cub(2, hair_mm=35.0), calibration=made(residual=only)) == []


@pytest.mark.parametrize("number", [2, 3, 4])
@pytest.mark.parametrize("support", [None, Support(litters=15, visits=15, cubs=25)])
def test_the_bound_for_littermates(number, support) -> None:
    """The largest of n deviations from the others: t or normal at .001 / n, two-sided, of within_sd sqrt(n/(n-1))."""
    chance = 0.001 / (2 * number)
    quantile = stats.t.isf(chance, 10) if support else stats.norm.isf(chance)
    bound = quantile * 1.5 * np.sqrt(number / (number - 1)) / 1.1  # mm of hair, at 1.1 d/mm
    for by, found in ((0.999, 0), (1.001, 1)):
        rows = [cub(n + 1, hair_mm=20.0 + (bound * by if n == 0 else 0)) for n in range(number)]
        apart = [text for _, text in told(*rows, calibration=made(support=support)) if "apart from" in text]
        assert len(apart) == found


def test_few_littermates_allow_more() -> None:
    """A within-litter SD from four cubs of two litters is unsure: the bound widens."""
    few = made(support=Support(litters=15, visits=15, cubs=17))
    rows = (cub(1), cub(2, hair_mm=30.0))
    assert [field for field, _ in told(*rows)] == ["hair_mm"]
    assert told(*rows, calibration=few) == []


def test_littermates_that_grew_by_one_law_are_rarely_asked_about() -> None:
    """At most 1 of 100 sound litters; a slip of 20 mm is found."""
    rng = np.random.default_rng(8)
    calibration = fit(known(grown(rng, litters=40)), validate=False).calibration
    cubs = known(grown(rng, litters=200, sizes=(2, 3, 4))).assign(born_on=None)
    apart = [p for p in findings(cubs, calibration) if "apart" in p.message]
    assert len(apart) <= 2
    cubs.loc[cubs.index[4], "hair_mm"] += 20
    slipped = [p for p in findings(cubs, calibration) if "apart" in p.message and p.field == "hair_mm"]
    assert cubs.iloc[4]["source_line"] in {p.line for p in slipped}
