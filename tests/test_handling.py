"""One handling: what belongs together, and times that run on over midnight and a change of clocks."""

import datetime as dt

import pytest
from made_handlings import DAY, SOUND, at, drug, event, frames, handling, reading

from densite.animals import frame_of
from densite.handling import Moment, elapsed, events

CHANGE = dt.date(2026, 3, 8)  # clocks in Boise go from 02:00 to 03:00


def taken(one) -> dict:
    """Return minutes by the start of what they count."""
    return {span.what.split(":")[0]: span.minutes for span in elapsed(one)}


def test_what_belongs_together() -> None:
    """The same animal and day; readings in the order of time, those without one last."""
    read = [reading(4, "08:40"), reading(3, None), reading(2, "08:26"), reading(5, "08:30", animal="OB-002")]
    own, other = sorted(events(*frames(read=read)), key=lambda one: one.animal, reverse=True)
    assert (own.animal, own.date, own.den_label) == ("OB-031", DAY, "D-2026-14")
    assert list(own.readings.index) == ["r2", "r4", "r3"]
    assert list(own.drugs.index) == ["d2", "d3"]
    assert other.handling is None
    assert list(other.readings.index) == ["r5"]


def test_order_of_handlings_and_records_without_a_day() -> None:
    """By day, then animal; no day comes last; no animal belongs to none; a second record is kept apart."""
    rows = [
        handling(1, animal="OB-2"),
        handling(2, animal="OB-1"),
        handling(3, day=dt.date(2025, 2, 1)),
        handling(4, animal=None),
        {**handling(5, animal="OB-0"), "date": None},
        handling(6, animal="OB-1"),
    ]
    found = events(frame_of("handling", rows), frame_of("drug", []), frame_of("reading", []))
    assert [one.animal for one in found] == ["OB-031", "OB-1", "OB-2", "OB-0"]
    assert [row["record_id"] for row in found[1].others] == ["h6"]


def test_elapsed() -> None:
    """Every part by its two times."""
    assert taken(event()) == {
        "approach to darted": 12, "induction": 7, "down to head up": 61, "handled": 43, "reversal to head up": 12,
        "in all": 88,
    }  # fmt: skip


def test_missing_and_reversed_times_have_reasons() -> None:
    """No minutes without both times, none where they run backwards."""
    spans = elapsed(event([handling(times={"down": None, "head_up": "09:05"})]))
    assert [span.why_not for span in spans if span.minutes is None] == [
        "not recorded: down", "not recorded: down", "head up stands before reversal",
    ]  # fmt: skip
    assert taken(event([handling(times={"down": "08:14"})]))["induction"] == 0
    alone = elapsed(event([], [], SOUND))
    assert all(span.minutes is None for span in alone)


def test_elapsed_over_the_change_of_clocks() -> None:
    """01:50 to 03:10 on 8 March 2026 in Boise are 20 minutes (tz database: MST to MDT at 02:00)."""
    times = {"approached": "01:40", "darted": "01:50", "down": "03:10", "left": "04:00"}
    one = event([handling(day=CHANGE, times=times)], [], [])
    assert taken(one)["induction"] == 20
    assert taken(one)["in all"] == 80
    assert (one.moment("darted").local[-6:], one.moment("down").local[-6:]) == ("-07:00", "-06:00")


def test_elapsed_over_the_hour_that_comes_twice() -> None:
    """01:50 to 01:10 on 1 November 2026 are 20 minutes, where the second is after the change."""
    day = dt.date(2026, 11, 1)
    row = handling(day=day) | at("darted", "01:50", day) | at("down", "01:10", day, fold=1)
    assert taken(event([row], [], []))["induction"] == 20


def test_elapsed_over_midnight() -> None:
    """23:50 to 00:15 of the next day are 25 minutes, and the other day is shown."""
    row = handling() | at("darted", "23:50") | at("down", "00:15", DAY + dt.timedelta(days=1))
    one = event([row], [], [])
    assert taken(one)["induction"] == 25
    assert one.moment("down").shown(DAY) == "00:15 on 2026-02-25"


@pytest.mark.parametrize(
    ("local", "shown"),
    [
        ("2026-02-24T08:14:00-07:00", "08:14"),
        ("2026-02-24T08:14:30-07:00", "08:14"),
        ("", "15:14 UTC"),
        ("08:14", "15:14 UTC"),
        ("2026-02-24T08:14:00", "15:14 UTC"),
    ],
)
def test_clock_as_shown(local, shown) -> None:
    """By the offset that was kept; without one, in UTC and said so."""
    assert Moment(dt.datetime(2026, 2, 24, 15, 14, tzinfo=dt.UTC), local).shown(DAY) == shown


def test_start() -> None:
    """Darted, else the first drug, else the first time, else none."""
    assert event().start.shown() == "08:14"
    assert event([handling(times={"darted": None})]).start.shown() == "08:14"
    assert event([handling(times={"darted": None})], []).start.shown() == "08:02"
    assert event([], [], [reading(1, "08:20")]).start.shown() == "08:20"
    assert event([], [drug(1, None)], []).start is None
