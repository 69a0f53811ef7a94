"""Vitals against the protocol: gaps, excursions with honest bounds, the temperature's slope."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_handlings import SIGNED, SOUND, event, handling, protocol, reading, readings
from scipy import stats

from densite.protocol import Limit, parse
from densite.vitals import excursions, gaps, judge, series, slope_per_hour, told_excursion, told_gap

TENTHS = st.integers(280, 430).map(lambda tenths: tenths / 10)


def minutes_of(one, **options) -> list[tuple[str, float]]:
    """Return the gaps with their first word."""
    return [(gap.what.split()[0], gap.minutes) for gap in gaps(one, **options)]


def test_gaps_from_down_to_reversal() -> None:
    """5 minutes to the first reading, 7 between, 2 to the reversal; an interval just kept is no long gap."""
    one = event()
    assert minutes_of(one) == [("before", 5), *[("between", 7)] * 6, ("after", 2)]
    assert [gap.too_long for gap in gaps(one)] == [None] * 8
    assert [gap.too_long for gap in gaps(one, longest_min=7)] == [False] * 8
    assert [gap.too_long for gap in gaps(one, longest_min=6.9)].count(True) == 6


def test_gaps_where_times_are_missing() -> None:
    """The first touch for down, head up for the reversal, the last touch for both; else no gap at the ends."""
    read = readings(("08:30", 33.5), ("08:40", 33.5))
    assert minutes_of(event([handling(times={"down": None, "reversed": None})], read=read)) == [
        ("before", 5), ("between", 10), ("after", 42),
    ]  # fmt: skip
    times = dict.fromkeys(("down", "first_handled", "reversed", "head_up", "last_handled"))
    assert minutes_of(event([handling(times=times)], read=read)) == [("between", 10)]
    assert minutes_of(event([], read=read)) == [("between", 10)]
    assert minutes_of(event([handling(times={"reversed": "08:35"})], read=read))[-1] == ("after", 42)
    assert minutes_of(event([handling(times={"reversed": "08:40"})], read=read))[-1] == ("between", 10)


def test_no_reading_at_all_is_one_gap() -> None:
    """A record without a vital or without a time is no reading."""
    for read in ([], [reading(2, "08:40", action="turned")], [reading(2, None, heart_rate=50.0)]):
        (gap,) = gaps(event(read=read), longest_min=7)
        assert (gap.minutes, gap.what, gap.too_long) == (49, "without any reading", True)


def test_excursion_is_bounded_by_the_readings_around_it() -> None:
    """Between readings nothing is known: at least from first to last outside, at most between those inside."""
    one = event(read=readings(("08:26", 33.5), ("08:31", 34.2), ("08:36", 34.6), ("08:44", 34.0), ("08:50", 32.9)))
    above, below = excursions(series(one, "temperature_c"), Limit(low=33, high=34), vital="temperature_c")
    assert (above.side, above.readings, above.worst.value, above.at_least_min, above.at_most_min) == (
        "above", 2, 34.6, 5, 18,
    )  # fmt: skip
    assert (below.side, below.worst.value, below.at_least_min, below.at_most_min) == ("below", 32.9, 0, None)
    assert told_excursion(above, one) == (
        "Temperature above 34 C: 2 readings, 08:31 to 08:36, worst 34.6 C at 08:36; at least 5 min, at most 18 min"
    )
    assert "1 reading, 08:50, worst 32.9 C" in told_excursion(below, one)
    assert told_excursion(below, one).endswith("at least 0 min, at most: not known")


def test_a_value_on_the_limit_is_within() -> None:
    """Both limits, and limits on one side only."""
    values = series(event(read=readings(("08:26", 33.0), ("08:31", 34.0))), "temperature_c")
    assert excursions(values, Limit(low=33, high=34), vital="temperature_c") == []
    assert len(excursions(values, Limit(low=33.5), vital="temperature_c")) == 1
    assert len(excursions(values, Limit(high=33.5), vital="temperature_c")) == 1


def test_from_one_side_to_the_other() -> None:
    """Two excursions, each bounded by the other's reading."""
    values = series(
        event(read=readings(("08:26", 33.5), ("08:31", 35.0), ("08:36", 32.0), ("08:40", 33.5))), "temperature_c"
    )
    found = excursions(values, Limit(low=33, high=34), vital="temperature_c")
    assert [(one.side, one.at_most_min) for one in found] == [("above", 10), ("below", 9)]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (None, "no protocol on file"),
        (SIGNED.replace('"Nobody Anyone"', '""'), "not signed"),
        (SIGNED.replace("2026-01-10", "2026-02-25"), "was not in force yet"),
        (SIGNED.replace("[limits.heart", "valid_to = 2026-02-23\n[limits.heart", 1), "expired on 2026-02-23"),
    ],
)
def test_nothing_is_judged_without_a_protocol_in_force(text, why) -> None:
    """Readings, gaps and slopes are there; no excursion, no long gap, no limit to draw; and it says why."""
    one = judge(event(read=readings(("08:26", 41.0), ("08:50", 29.0))), None if text is None else parse(text))
    assert why in one.why_not
    assert "shown without judging" in one.by
    assert (one.excursions, one.interval_min, one.limit("temperature_c")) == ([], None, None)
    assert {gap.too_long for gap in one.gaps} == {None}
    assert len(one.values["temperature_c"]) == 2
    assert one.longest.minutes == 24


def test_judged_by_name_version_and_fingerprint() -> None:
    """What is judged says by what; vitals without limits are not."""
    read = [*SOUND, reading(20, "09:09", heart_rate=112.0, respiration=59.0)]
    one = judge(event(read=read), protocol())
    assert [(found.vital, found.side) for found in one.excursions] == [("heart_rate", "above")]
    assert "version made up 1" in one.by
    assert protocol().fingerprint[:12] in one.by
    assert one.interval_min == 7


def test_a_value_is_held_against_neighbours_that_are_no_slips() -> None:
    """26 C is unusual itself, so 78.8 F is told by its neighbours, not by the range."""
    read = readings(("08:26", 26.0), ("08:33", 26.2), ("08:40", 78.8), ("08:47", 98.6))
    doubted = judge(event(read=read), None).doubted
    assert [(one.at.value, "like its neighbours" in one.slip.words) for one in doubted] == [(78.8, True), (98.6, False)]


def test_values_in_another_unit_are_left_out_and_told() -> None:
    """98.6 is no fever: it is neither judged nor in the slope, even where a person has confirmed the row."""
    read = [*SOUND[:3], reading(20, "08:50", temperature_c=98.6, settled="temperature_c")]
    one = judge(event(read=read), protocol())
    assert [(left.vital, left.at.value) for left in one.doubted] == [("temperature_c", 98.6)]
    assert one.excursions == []
    assert one.slopes[0].readings == 3
    assert one.summaries[0].high == 33.9


@given(st.lists(st.tuples(st.integers(0, 180), TENTHS), min_size=3, max_size=12, unique_by=lambda pair: pair[0]))
def test_slope_is_that_of_a_reference_library(pairs) -> None:
    """scipy.stats.linregress, its standard error and the t quantile."""
    hours, celsius = np.array(sorted(pairs), dtype=float).T
    hours /= 60
    if np.ptp(celsius) < 1e-3:
        return  # without scatter there is no interval: the next test
    slope, lower, upper = slope_per_hour(hours, celsius)
    fit = stats.linregress(hours, celsius)
    half = stats.t.ppf(0.975, len(hours) - 2) * fit.stderr
    assert slope == pytest.approx(fit.slope, rel=1e-6, abs=1e-6)
    assert lower is None or upper - lower == pytest.approx(2 * half, rel=1e-6, abs=1e-5)
    assert (lower is None) == (upper is None)


def test_readings_on_one_line_have_no_interval() -> None:
    """Three readings to a tenth of a degree may lie on a line by chance: no scatter, no interval of width zero."""
    (one,) = judge(event(read=readings(("08:26", 33.0), ("08:31", 33.0), ("08:36", 33.0))), None).slopes
    assert (one.per_hour, one.lower, one.upper) == (0.0, None, None)
    assert "on one line" in one.remark


def test_slope_of_few_readings() -> None:
    """Two give a slope without interval, one or several at one time give none."""
    read = readings(("08:26", 33.9), ("08:56", 33.4))
    (one,) = judge(event(read=read), None).slopes
    assert (one.per_hour, one.lower, one.upper) == (pytest.approx(-1.0), None, None)
    assert "no interval" in one.remark
    for few in (read[:1], readings(("08:26", 33.9), ("08:26", 33.4))):
        (one,) = judge(event(read=few), None).slopes
        assert one.per_hour is None
        assert "no slope" in one.remark
    assert judge(event(read=[]), None).slopes == []


def test_slope_of_the_last_half_hour() -> None:
    """Falling first, rising in the end: both are told; the reading 30 minutes before the last counts in."""
    clocks = [f"{8 + (26 + 10 * n) // 60:02}:{(26 + 10 * n) % 60:02}" for n in range(7)]
    read = readings(*zip(clocks, (34.0, 33.5, 33.0, 32.5, 33.0, 33.5, 34.0), strict=True))
    everything, recent = judge(event(read=read), None).slopes
    assert (everything.readings, everything.per_hour) == (7, pytest.approx(0.0, abs=1e-9))
    assert (recent.readings, recent.per_hour, recent.over) == (4, pytest.approx(3.0), "the last 30 min")


def test_mixed_thermometers_are_told() -> None:
    """A step between two ways of reading is no cooling."""
    read = [reading(2, "08:26", temperature_c=33.9, thermometer="rectal deep"),
            reading(3, "08:36", temperature_c=33.0, thermometer="rectal by hand")]  # fmt: skip
    (one,) = judge(event(read=read), None).slopes
    assert "thermometers differ (rectal by hand, rectal deep)" in one.remark


def test_gap_in_words() -> None:
    """Minutes, what it lies between, and the clock."""
    assert told_gap(gaps(event())[0], event()) == "5 min before the first reading, 08:21 to 08:26"
