"""Clock times: spellings, midnight, and the days on which the clocks change."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from densite.intake.clock import read_moment

BOISE = ZoneInfo("America/Boise")
DAY = dt.date(2026, 2, 24)
FORWARD, BACK = dt.date(2026, 3, 8), dt.date(2026, 11, 1)  # US change of clocks, tz database


@pytest.mark.parametrize(
    ("text", "local"),
    [
        ("08:14", "2026-02-24T08:14-07:00"),
        ("8:14", "2026-02-24T08:14-07:00"),
        ("0814", "2026-02-24T08:14-07:00"),
        ("814", "2026-02-24T08:14-07:00"),
        ("8.14", "2026-02-24T08:14-07:00"),
        ("8h14", "2026-02-24T08:14-07:00"),
        ("8:14 pm", "2026-02-24T20:14-07:00"),
        ("12:05 a.m.", "2026-02-24T00:05-07:00"),
        ("12:05 PM", "2026-02-24T12:05-07:00"),
        ("08:14:30", "2026-02-24T08:14:30-07:00"),
        ("15:14Z", "2026-02-24T08:14-07:00"),
        ("09:14-06:00", "2026-02-24T08:14-07:00"),
        ("2026-02-24T08:14", "2026-02-24T08:14-07:00"),
        ("2026-02-24 15:14Z", "2026-02-24T08:14-07:00"),
    ],
)
def test_spellings(text, local) -> None:
    """One moment, written in many ways."""
    assert read_moment(text, DAY, BOISE).local == local


@pytest.mark.parametrize(
    "text", ["", "8", "25:00", "08:60", "13:00 pm", "0:30 pm", "noon", "08:14+99:00", "2026-02-24T25:00"]
)
def test_what_is_no_time(text) -> None:
    """Refused with the expected form."""
    with pytest.raises(ValueError, match="08:14"):
        read_moment(text, DAY, BOISE)


def test_a_clock_that_runs_back_far_has_passed_midnight() -> None:
    """23:50, then 00:05: the next day, and said; 23:40 is a slip, not another day."""
    late = read_moment("23:50", DAY, BOISE).at
    moment = read_moment("00:05", DAY, BOISE, after=late)
    assert moment.local == "2026-02-25T00:05-07:00"
    assert "after midnight" in moment.note
    assert read_moment("23:40", DAY, BOISE, after=late).local == "2026-02-24T23:40-07:00"


def test_an_hour_that_the_clocks_skipped() -> None:
    """02:30 did not exist."""
    with pytest.raises(ValueError, match="does not exist on 2026-03-08"):
        read_moment("02:30", FORWARD, BOISE)


def test_elapsed_over_the_skipped_hour() -> None:
    """01:50 to 03:10 is twenty minutes."""
    first, second = (read_moment(text, FORWARD, BOISE).at.astimezone(dt.UTC) for text in ("01:50", "03:10"))
    assert second - first == dt.timedelta(minutes=20)


def test_an_hour_that_happened_twice() -> None:
    """01:30 is told; an offset decides; after 01:50 only the second 01:10 is later."""
    moment = read_moment("01:30", BACK, BOISE)
    assert (moment.local, "happened twice" in moment.doubt) == ("2026-11-01T01:30-06:00", True)
    assert read_moment("01:30-07:00", BACK, BOISE).local == "2026-11-01T01:30-07:00"
    first = read_moment("01:50-06:00", BACK, BOISE).at
    second = read_moment("01:10", BACK, BOISE, after=first)
    assert (second.local, second.doubt) == ("2026-11-01T01:10-07:00", "")


def test_midnight_and_the_change_of_clocks_together() -> None:
    """Begun the evening before: 02:30 after midnight is still skipped."""
    late = read_moment("23:50", FORWARD - dt.timedelta(days=1), BOISE).at
    with pytest.raises(ValueError, match="does not exist"):
        read_moment("02:30", FORWARD - dt.timedelta(days=1), BOISE, after=late)


@given(st.text(max_size=12))
def test_any_text_is_a_time_or_one_value_error(text) -> None:
    """Never another error."""
    try:
        moment = read_moment(text, DAY, BOISE)
    except ValueError:
        return
    assert moment.at.tzinfo is not None


@given(st.datetimes(dt.datetime(2015, 1, 1), dt.datetime(2035, 1, 1)))
def test_what_was_kept_reads_back_as_the_same_moment(naive) -> None:
    """Local text with offset to moment and back, over all changes of clocks."""
    at = naive.replace(second=0, microsecond=0, tzinfo=dt.UTC)
    local = at.astimezone(BOISE).isoformat(timespec="minutes")
    assert read_moment(local, DAY, BOISE).at.astimezone(dt.UTC) == at
