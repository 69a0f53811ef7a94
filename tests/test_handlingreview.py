"""Handlings that need a second look: each slip is told once, in words, and a sound record is left alone."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_handlings import DAY, DRUGS, SOUND, TIMES, at, drug, event, frames, handling, protocol, reading
from scipy import stats

from densite.animals import frame_of
from densite.animalterms import KINDS
from densite.chart import data, line, told
from densite.errors import Level
from densite.handling import events
from densite.handlingreview import findings, of_event, residuals, robust_distance
from densite.vitals import judge


def said(handlings=None, drugs=None, read=None, cubs=None) -> list[str]:
    """Return the findings as text."""
    litter = None if cubs is None else frame_of("cub", cubs)
    return [str(problem) for problem in findings(*frames(handlings, drugs, read), cubs=litter)]


def cub(number: int, **fields) -> dict:
    """Return a cub's record."""
    given = {
        "den_label": "D-2026-14",
        "date": DAY,
        "female": "OB-031",
        "cub_no": float(number),
        "source_file": "cubs.csv",
    }
    return {"record_id": f"c{number}", "source_line": number + 1, **given, **fields}


def test_nothing_to_say() -> None:
    """A sound handling, with as many cubs as were counted."""
    assert said([handling(cubs_counted=2.0, mass_kg=80.0)], cubs=[cub(1, mass_g=2000.0), cub(2)]) == []


@pytest.mark.parametrize(
    ("times", "told_as"),
    [
        ({"darted": "08:01"}, ["darted 08:01 stands before approach 08:02"]),
        ({"down": "08:13"}, ["down 08:13 stands before darted 08:14"]),
        ({"first_handled": "08:20"}, ["first handled 08:20 stands before down 08:21"]),
        ({"last_handled": "08:24"}, ["last handled 08:24 stands before first handled 08:25"]),
        (
            {"down": None, "first_handled": "08:13"},
            ["first handled 08:13 stands before darted 08:14", "no time for down"],
        ),
        ({"reversed": "08:20"}, ["reversal 08:20 stands before down 08:21"]),
        ({"head_up": "08:20"}, ["head up 08:20 stands before down 08:21", "50 min before the reversal"]),
        ({"head_up": "09:05"}, ["head up 09:05, 5 min before the reversal"]),
        ({"left": "09:21"}, ["crew away 09:21 stands before head up 09:22"]),
        ({"approached": "08:14", "down": "08:14", "left": "09:22"}, []),
        ({"darted": None}, ["no time for darted: how long induction took is not known"]),
    ],
)
def test_times_out_of_order(times, told_as) -> None:
    """Both times are named; equal times are in order; a missing time is passed over."""
    lines = said([handling(times=times)])
    assert len(lines) == len(told_as), lines
    for one, words in zip(lines, told_as, strict=True):
        assert words in one
        assert one.startswith("handled.csv line 1: warning: OB-031, 2026-02-24: ")


def test_vitals_and_drugs_before_darting_and_after_leaving() -> None:
    """Each by the nearest time that is known: darted, else the approach; crew away."""
    read = [reading(1, "08:13", heart_rate=60.0), *SOUND[:1], reading(9, "09:31", heart_rate=60.0)]
    drugs = [drug(1, "08:12"), *DRUGS, drug(9, "09:40", drug="agent B")]
    early, late = (f"vitals read {when}" for when in ("08:13, before darted 08:14", "09:31, after crew away 09:30"))
    lines = said(drugs=drugs, read=read)
    assert len(lines) == 4
    for words in (
        early,
        late,
        "agent A given 08:12, before darted 08:14",
        "agent B given 09:40, after crew away 09:30",
    ):
        assert any(words in one for one in lines), words
    before = said([handling(times={"darted": None})], read=[reading(1, "08:01", heart_rate=60.0)])
    assert any("vitals read 08:01, before approach 08:02" in one for one in before)


def test_times_across_midnight_and_the_change_of_clocks_are_in_order() -> None:
    """23:50, 00:05 on the next day; 01:55, 03:05 on the day of the change."""
    for day, clocks in ((DAY, ("23:50", "00:05", "00:10")), (dt.date(2026, 3, 8), ("01:55", "03:05", "03:10"))):
        next_day = day + dt.timedelta(days=clocks[1] < clocks[0])
        row = {
            "record_id": "h",
            "animal": "A",
            "date": day,
            **at("darted", clocks[0], day),
            **at("down", clocks[1], next_day),
        }
        read = reading(1, clocks[2], day=next_day, animal="A", heart_rate=50.0) | {"date": day}
        assert said([row], [], [read]) == []


def test_a_step_back_taken_for_midnight() -> None:
    """07:20 for 08:20, moved by intake to the next day: 23 h after the first time."""
    read = [*SOUND, reading(20, "07:20", day=DAY + dt.timedelta(days=1), heart_rate=60.0)]
    lines = said([handling(times={"left": None})], read=read)
    assert ["time 07:20 on 2026-02-25 is 23 h after the first time" in one for one in lines] == [True]
    assert "taken as past midnight?" in lines[0]


def test_reversal_and_its_drug() -> None:
    """One without the other; a drug without a purpose is asked about."""
    (line_,) = said(drugs=DRUGS[:1])
    assert "no drug is recorded as given to reverse (hand in" in line_
    (line_,) = said(drugs=[DRUGS[0], drug(3, "09:10", drug="antagonist A")])
    assert "was it antagonist A? Say what each drug was given for" in line_
    (line_,) = said([handling(times={"reversed": None})])
    assert "antagonist A was given to reverse, but the reversal has no time" in line_


def test_records_that_lack_the_other_half() -> None:
    """Vitals and drugs without handling; a handling under drugs without vitals; a den looked at is none."""
    lines = said([])
    assert ["7 records of vitals, but no handling" in one for one in lines] == [True, False]
    assert "2 records of drugs, but no handling" in lines[1]
    assert "no vitals are recorded" in said(read=[])[0]
    nothing = dict.fromkeys(TIMES)
    assert said([handling(times=nothing | {"approached": "08:02"}, cubs_counted=2.0)], [], []) == []


def test_two_handlings_of_one_day() -> None:
    """The second one is told, with its own file and line."""
    (line_,) = said([handling(1), handling(2, source_file="late.csv")])
    assert line_.startswith("late.csv line 2: warning: OB-031, 2026-02-24: a second handling")


def test_readings_as_they_stand_on_the_page() -> None:
    """A time that goes back from line to line, and two at one time; another file is another page."""
    read = [
        reading(2, "08:26", heart_rate=60.0),
        reading(3, "08:40", heart_rate=60.0),
        reading(4, "08:33", heart_rate=60.0),
    ]
    (line_,) = said(read=read)
    assert "vitals.csv line 4" in line_
    assert "a reading of 08:33 stands below one of 08:40" in line_
    assert said(read=[*read[:2], read[2] | {"source_file": "other.csv"}]) == []
    assert said(read=[*read[:2], read[2] | {"corrects": "r9"}]) == []  # a correction stands at the end of the page
    (line_,) = said(read=[*read[:2], reading(4, "08:40", heart_rate=61.0)])
    assert "two readings at 08:40" in line_


def test_other_units() -> None:
    """Fahrenheit, pounds, inches: the message says what the value then is; a confirmed one is left alone."""
    (line_,) = said(read=[*SOUND, reading(20, "09:09", temperature_c=95.0)])
    assert "temperature at 09:09: 95 C is 35.0 C if it was read in degrees Fahrenheit" in line_
    assert said(read=[*SOUND, reading(20, "09:09", temperature_c=95.0, settled="heart_rate,temperature_c")]) == []
    lines = said([handling(mass_kg=210.0, body_length_cm=60.0, girth_cm=40.0)])
    assert len(lines) == 3
    assert "mass: 210 kg is 95.3 kg if it was read in lb" in lines[0]
    assert "body length: 60 cm is 152.4 cm if it was read in inches" in lines[1]
    assert said([handling(girth_cm=40.0, settled="girth_cm")]) == []


@pytest.mark.parametrize(
    ("estimate", "mass", "told_"), [(70, 154, True), (154, 70, True), (70, 95, False), (60, 180, True)]
)
def test_mass_beside_its_estimate(estimate, mass, told_) -> None:
    """Told only where the factor of a pound fits, with the ratio."""
    lines = said([handling(estimated_mass_kg=float(estimate), mass_kg=float(mass))])
    assert len(lines) == told_
    if told_:
        assert f"{mass / estimate:.2g} times the estimate" in lines[0]


def test_beside_her_last_measures() -> None:
    """The mass of another year in pounds, a girth in inches; another animal's are no measure."""
    last = handling(1, day=dt.date(2025, 2, 20), mass_kg=70.0, girth_cm=130.0)
    rows = [last, handling(2, mass_kg=160.0, girth_cm=51.0)]
    lines = [one for one in said(rows) if "on 2025-02-20" in one]
    assert len(lines) == 2
    assert "mass 160 kg, but 70 kg on 2025-02-20; 160 kg is 72.6 kg if it was read in lb" in lines[0]
    assert "51 cm is 129.5 cm if it was read in inches" in lines[1]
    assert not [one for one in said([last, rows[1] | {"animal": "OB-002"}]) if "but 70" in one]


def females(count: int, slip: float = 1.0) -> list[dict]:
    """Return handlings of females whose mass follows their girth, the last one's times ``slip``."""
    rng = np.random.default_rng(5)
    girth = rng.uniform(70, 110, count)
    mass = 80 * (girth / 90) ** 2.5 * np.exp(rng.normal(0, 0.05, count))
    mass[-1] *= slip
    return [handling(n, animal=f"OB-{n:03}", mass_kg=round(float(m), 1), girth_cm=round(float(g), 1))
            for n, (m, g) in enumerate(zip(mass, girth, strict=True))]  # fmt: skip


def off_the_line(rows) -> list[str]:
    """Return what is said about masses and girths."""
    return [one for one in said(rows) if "robust SDs" in one]


def test_mass_off_the_line_of_the_others() -> None:
    """Needs 10 other females; says that it is their own data; repeated handlings of one female do not count."""
    (line_,) = off_the_line(females(11, slip=1.5))
    assert "above the line of the study's other 10 females" in line_
    assert "the study's own data, no outside norm" in line_
    assert "below the line" in off_the_line(females(11, slip=0.6))[-1]
    assert off_the_line(females(10, slip=1.5)) == []
    rows = females(12, slip=1.5)
    often = [*rows, *(rows[-1] | {"record_id": f"x{n}", "date": dt.date(2010 + n, 2, 20)} for n in range(6))]
    assert len(off_the_line(often)) == 7  # her own other masses are no measure of hers
    assert off_the_line(females(11)) == []
    again = females(10, slip=1.5)
    assert off_the_line([*again, again[0] | {"record_id": "x", "date": dt.date(2025, 2, 20)}]) == []


def test_line_and_distance_are_those_of_a_reference_library() -> None:
    """scipy's median of slopes, and its median absolute deviation scaled to a normal distribution."""
    rng = np.random.default_rng(7)
    girth, mass = rng.uniform(70, 110, 25), rng.uniform(50, 120, 25)
    fit = stats.theilslopes(np.log(mass), np.log(girth))
    away = residuals(girth, mass)
    assert np.allclose(away - away[0], np.log(mass) - np.log(mass[0]) - fit.slope * (np.log(girth) - np.log(girth[0])))
    scale = stats.median_abs_deviation(away, scale="normal")
    assert robust_distance(1.0, away) == pytest.approx((1.0 - np.median(away)) / scale, rel=1e-4)
    assert robust_distance(1.0, np.ones(12)) is None
    assert np.allclose(residuals(np.full(5, 80.0), np.full(5, 70.0)), 0)


def test_the_line_of_very_many_is_made_from_some() -> None:
    """Slopes of all pairs of thousands would fill the memory; those of 1000 tell the same."""
    rng = np.random.default_rng(11)
    girth = rng.uniform(70, 110, 4000)
    mass = 80 * (girth / 90) ** 2.5 * np.exp(rng.normal(0, 0.05, 4000))
    rest = np.log(mass) - 2.5 * np.log(girth)
    assert np.allclose(residuals(girth, mass), rest - np.median(rest), atol=0.01)


def test_a_problem_shows_the_value_of_its_field() -> None:
    """A time as the clock at the den showed it, a number as written, nothing where nothing stands."""
    problems = findings(*frames([handling(times={"left": "09:21", "down": None}, cubs_counted=2.0)]),
                        cubs=frame_of("cub", []))  # fmt: skip
    assert {p.field: p.value for p in problems} == {
        "left": "2026-02-24T09:21:00-07:00",
        "down": "",
        "cubs_counted": "2",
    }


def test_cubs_counted_and_described() -> None:
    """Cubs of that mother on that day, or of the den where no mother is named."""
    (line_,) = said([handling(cubs_counted=4.0)], cubs=[cub(1), cub(2, female=None), cub(3, female="OB-002"),
                                                       cub(5, female="ob 31"),
                                                       cub(4, date=dt.date(2026, 2, 25))])  # fmt: skip
    assert "4 cubs counted in the den, but 3 described one by one" in line_
    assert "but 0 described" in said([handling(cubs_counted=2.0)], cubs=[])[0]
    assert said([handling(cubs_counted=2.0, settled="cubs_counted")], cubs=[]) == []
    assert said([handling()], cubs=[cub(1)]) == []


def test_a_cub_heavier_than_its_mother() -> None:
    """As heavy is told too; the estimate stands in for a mass that is missing; the cub's line is named."""
    for mother in ({"mass_kg": 60.0}, {"estimated_mass_kg": 60.0}):
        (line_,) = said([handling(**mother)], cubs=[cub(1, mass_g=60_000.0), cub(2, mass_g=5_000.0)])
        assert line_.startswith("cubs.csv line 2: ")
        assert "cub 1 of 60000 g is as heavy as its mother (60 kg" in line_
    assert said([handling()], cubs=[cub(1, mass_g=60_000.0)]) == []


def test_of_one_handling() -> None:
    """What its own records show."""
    (problem,) = of_event(event([handling(times={"left": "09:21"})]))
    assert (problem.level, problem.field, problem.line) == (Level.WARNING, "left", 1)


MOMENTS = st.datetimes(dt.datetime(2026, 2, 23), dt.datetime(2026, 2, 26), timezones=st.just(dt.UTC))
NUMBERS = st.one_of(st.none(), st.floats(0, 1000), st.just(float("nan")))
WORDS = st.one_of(st.none(), st.just(""), st.sampled_from(("OB-1", "OB-2", "reverse", "immobilise", "girth_cm,read")))


def rows(kind: str) -> st.SearchStrategy[list[dict]]:
    """Draw records of a kind in which anything may be missing and times follow in no order."""
    columns = {}
    for term in KINDS[kind].terms:
        if term.kind == "time":
            columns[f"{term.name}_at"] = st.one_of(st.none(), MOMENTS)
            columns[f"{term.name}_local"] = st.one_of(st.none(), MOMENTS.map(dt.datetime.isoformat), st.just("8:14"))
        else:
            words = st.one_of(st.none(), st.just(DAY)) if term.kind == "date" else WORDS
            columns[term.name] = NUMBERS if term.kind == "number" else words
    fixed = {"settled": WORDS, "source_file": WORDS, "source_line": st.one_of(st.none(), st.integers(0, 9))}
    drawn = st.lists(st.fixed_dictionaries(columns | fixed), max_size=4)
    return drawn.map(lambda found: [{"record_id": f"{kind}{n}", **row} for n, row in enumerate(found)])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(rows("handling"), rows("drug"), rows("reading"), rows("cub"))
def test_whatever_is_missing_nothing_raises(handlings, drugs, read, cubs) -> None:
    """Any times, any values, any gaps: findings, judgement and page are made, and no length is negative."""
    three = [frame_of(kind, found) for kind, found in (("handling", handlings), ("drug", drugs), ("reading", read))]
    for problem in findings(*three, cubs=frame_of("cub", cubs)):
        assert problem.message
    for one in events(*three):
        judged = judge(one, protocol())
        assert all(gap.minutes > 0 for gap in judged.gaps)
        assert all(beyond.at_least_min >= 0 for beyond in judged.excursions)
        assert told(one, judged, of_event(one))
        assert line(one, judged)
        assert data(one, judged)["judged"] == (one.date == DAY)
