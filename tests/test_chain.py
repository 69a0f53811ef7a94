"""Custody: where each sample is, and the gaps on its way."""

import datetime as dt

import pandas as pd
import pytest

from densite.animals import frame_of
from densite.samples.chain import gaps, steps_by_label, whereabouts

DAY = dt.date(2026, 2, 24)
TODAY = dt.date(2026, 3, 31)
SOUND = (
    ("collected", 0, None, "A. Crew"), ("stored", 1), ("handed over", 2, "a. crew", "B. Keeper"),
    ("shipped", 5, "B. Keeper", "Lab A"), ("received", 7, "courier", "Lab A"), ("analysed", 9),
    ("returned", 20, "Lab A", "B. Keeper"), ("discarded", 30),
)  # fmt: skip


def sample(**fields):
    """Return one sample."""
    row = {"sample_label": "S-1", "animal": "OB-031", "date": DAY, "tissue": "blood", "storage": "freezer 2"}
    return frame_of("sample", [row | {"source_file": "s.csv", "source_line": 3} | fields])


def custody(*steps, **fields):
    """Return custody steps given as (step, days after the sample, from, to)."""
    names = ("step", "day", "from_whom", "to_whom")
    rows = [dict(zip(names, step, strict=False)) for step in steps]
    return frame_of(
        "custody",
        [{"sample_label": "S-1", "date": DAY + dt.timedelta(row["day"]), "source_file": "c.csv", "source_line": n + 2}
         | row | fields for n, row in enumerate(rows)],
    )  # fmt: skip


def said(*steps, **fields) -> list[str]:
    """Return the gaps as text."""
    return [str(problem) for problem in gaps(sample(), custody(*steps, **fields))]


def test_a_sound_way_has_no_gap() -> None:
    """From the den to the laboratory and back; the case of names does not count."""
    assert said(*SOUND) == []


def test_steps_are_put_in_order() -> None:
    """Rows may be written in any order; any spelling of the label counts."""
    assert said(*reversed(SOUND), sample_label="s 1") == []


@pytest.mark.parametrize(
    ("steps", "word"),
    [
        ((), "s.csv line 3: warning: sample S-1 of OB-031 has no custody step"),
        (SOUND[1:], "starts with 'stored'"),
        ((SOUND[0], ("handed over", 2, "C. Other", "B. Keeper")), "by C. Other on 2026-02-26, but A. Crew had it"),
        ((SOUND[0], ("handed over", 2, "A. Crew")), "to whom is not said"),
        ((SOUND[0], ("shipped", 3, "A. Crew", "Lab A")), "shipped on 2026-02-27 and never received"),
        ((SOUND[0], ("received", 3)), "nobody shipped it"),
        ((SOUND[0], ("received", 3), ("shipped", 5, "A. Crew")), "received on 2026-02-27, before it was shipped"),
        ((SOUND[0], ("discarded", 3), ("stored", 5)), "stored on 2026-03-01, after it was discarded on 2026-02-27"),
        ((("collected", -1, None, "A. Crew"),), "collected on 2026-02-23, before it was taken on 2026-02-24"),
        ((("collected", 1, None, "A. Crew"),), "taken on 2026-02-24 by its own record, collected on 2026-02-25"),
    ],
)
def test_each_gap_alone(steps, word) -> None:
    """One gap, one finding, with what to do next."""
    (line,) = said(*steps)
    assert word in line
    assert line.endswith(")")


def test_stored_before_it_was_collected() -> None:
    """On an earlier day, or by the times; on one day without times nothing is known of the order."""
    lines = said(("stored", 0), ("collected", 1))
    assert "S-1 of OB-031 was stored on 2026-02-24, before it was collected on 2026-02-25" in lines[1]
    assert said(("stored", 0), ("collected", 0)) == []


def test_steps_of_one_day_without_times() -> None:
    """From two crews' files, in whatever order they came: hand-overs stand so that whoever gives has the sample."""
    day = [("handed over", 1, "B. Keeper", "C. Driver"), ("handed over", 1, "a. crew", "B. Keeper"),
           ("received", 1, "C. Driver", "Lab A")]  # fmt: skip
    assert said(*day, SOUND[0]) == []
    assert said(day[0], day[2], SOUND[0], day[1]) == []
    (line,) = said(SOUND[0], ("handed over", 1, "A. Crow", "B. Keeper"), ("handed over", 1, "B. Keeper", "C. Driver"))
    assert "by A. Crow on 2026-02-25, but A. Crew had it" in line
    frame = custody(*day, SOUND[0])
    assert [row["to_whom"] for row in steps_by_label(sample(), frame)["S-1"]] == [
        "A. Crew",
        "B. Keeper",
        "C. Driver",
        "Lab A",
    ]


def test_one_sample_in_two_vials() -> None:
    """Two records of one label, confirmed: its custody is told once."""
    halves = pd.concat([sample(vial="1"), sample(vial="2")])
    assert gaps(halves, custody(*SOUND)) == []
    assert ["has no custody step" in p.message for p in gaps(halves, custody())] == [True]
    assert whereabouts(halves, custody(*SOUND), today=TODAY)["step"].tolist() == ["discarded", "discarded"]


def test_a_sample_brought_by_hand_needs_no_shipping() -> None:
    """Handed over at the laboratory's door, then received."""
    assert said(SOUND[0], ("handed over", 1, "A. Crew", "Lab A"), ("received", 1, "A. Crew", "Lab A")) == []


def test_sent_twice() -> None:
    """Each shipping has its own arrival."""
    steps = (*SOUND[:7], ("shipped", 25, "B. Keeper", "Lab B"))
    (line,) = said(*steps)
    assert "shipped on 2026-03-21 and never received" in line
    assert said(*steps, ("received", 27)) == []


def test_each_shipping_needs_its_own_arrival() -> None:
    """A second shipping does not hide that the first never arrived."""
    (line,) = said(SOUND[0], ("shipped", 3), ("shipped", 9), ("received", 11))
    assert "shipped on 2026-02-27 and never received" in line


def test_after_a_hand_over_to_nobody_named_anyone_may_have_it() -> None:
    """One gap is told once, not again at the next step."""
    (line,) = said(SOUND[0], ("handed over", 2, "A. Crew"), ("handed over", 4, "C. Other", "B. Keeper"))
    assert "to whom is not said" in line


def test_another_parcel() -> None:
    """Numbers of the shipment must agree."""
    frame = custody(*SOUND[:1], ("shipped", 5, "A. Crew"), ("received", 7)).assign(shipment=[None, "P-1", "P-2"])
    assert ["shipped as P-1 and received as P-2" in p.message for p in gaps(sample(), frame)] == [True]
    assert gaps(sample(), frame.assign(shipment=[None, "P-1", "p1"])) == []


def test_a_clock_that_goes_backwards() -> None:
    """Times of one day order its steps; a later day with an earlier time cannot be."""
    times = [("stored", 0, 20), ("collected", 0, 15), ("stored", 1, 12)]
    rows = [{"sample_label": "S-1", "step": step, "date": DAY + dt.timedelta(day), "done_local": f"{hour - 7:02}:00",
             "done_at": dt.datetime(2026, 2, 24, hour, tzinfo=dt.UTC)} for step, day, hour in times]  # fmt: skip
    frame = frame_of("custody", rows)
    assert [row["step"] for row in steps_by_label(sample(), frame)["S-1"]] == ["collected", "stored", "stored"]
    (problem,) = gaps(sample(), frame)
    assert "stored at 05:00 stands after 13:00" in problem.message


def test_what_a_person_confirmed_is_left_out() -> None:
    """The field of the doubt must be the one confirmed."""
    assert said(SOUND[0], ("received", 3), settled="step,where") == []
    assert len(said(SOUND[0], ("received", 3), settled="date")) == 1


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ((), [0, None, None, "freezer 2"]),
        (SOUND[:2], [2, "stored", "A. Crew", "freezer 2"]),
        (SOUND[:4], [4, "shipped", "Lab A", "on the way"]),
        (SOUND[:6], [6, "analysed", "Lab A", None]),
        (SOUND, [8, "discarded", "B. Keeper", "discarded"]),
    ],
)
def test_whereabouts(steps, expected) -> None:
    """The last step, who has it, and where, as far as it is known."""
    row = whereabouts(sample(), custody(*steps), today=TODAY).loc["S-1"]
    assert [None if row[n] != row[n] else row[n] for n in ("steps", "step", "holder", "place")] == expected
    assert (row["days_since"] != row["days_since"]) if not steps else row["days_since"] == 35 - steps[-1][1]


def test_a_place_holds_until_the_sample_moves() -> None:
    """Where it was stored before it was sent says nothing afterwards."""
    frame = custody(*SOUND[:5]).assign(where=[None, "freezer 3", None, None, None])
    assert whereabouts(sample(), frame.iloc[:2], today=TODAY).loc["S-1", "place"] == "freezer 3"
    assert whereabouts(sample(), frame, today=TODAY)["place"].isna().all()


def test_no_samples() -> None:
    """An empty study."""
    nothing = sample().iloc[:0]
    assert whereabouts(nothing, custody(), today=TODAY).empty
    assert gaps(nothing, custody()) == []
