"""The timeline of a handling: what is drawn are the records' numbers, and bands only by a signed protocol."""

import datetime as dt
import hashlib
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest
from made_handlings import DAY, DRUGS, SIGNED, SOUND, at, drug, event, handling, protocol, reading, readings
from PIL import Image

from densite.figures.look import NothingToDraw
from densite.figures.timeline import Clock, drawn, file_name, lines_of, rows_of, timeline, told_timeline
from densite.protocol import parse
from densite.vitals import judge

SVG = "{http://www.w3.org/2000/svg}"
READ = [
    *readings(("08:26", 33.9), ("08:33", 34.2), ("08:52", 33.5), ("08:58", 32.5)),
    reading(9, "09:05", heart_rate=60.0, temperature_c=98.6),
]


def panels(one, protocol_=None):
    """Return the panels of vitals, without the lane of lines."""
    return drawn(one, judge(one, protocol_), title="t").axes[1:]


def named(axes, gid: str) -> list:
    """Return what carries a name."""
    return axes.findobj(lambda artist: artist.get_gid() == gid)


def marks(axes, marker: str) -> list[tuple[float, float]]:
    """Return the places and values of readings drawn with a mark."""
    return [pair for line in named(axes, f"readings {marker}") for pair in zip(*line.get_data(), strict=True)]


def test_readings_at_their_minutes_and_values() -> None:
    """One panel for each vital that was read; the value in another unit is no dot but a cross."""
    heart, temperature = panels(event(read=READ))
    assert marks(heart, "o") == [(51, 60)]
    assert marks(temperature, "o") == [(12, 33.9), (19, 34.2), (38, 33.5), (44, 32.5)]
    assert [line.get_xdata()[0] for line in named(temperature, "left out")] == [51]
    assert len(named(heart, "left out")) == 0


def test_bands_and_triangles_by_the_protocol() -> None:
    """The limits' own numbers; readings beyond them point up or down; gaps by the protocol's interval."""
    heart, temperature = panels(event(read=READ), protocol())
    (band,) = named(temperature, "limits")
    assert (band.get_y(), band.get_y() + band.get_height()) == (33, 34)
    assert marks(temperature, "^") == [(19, 34.2)]
    assert marks(temperature, "v") == [(44, 32.5)]
    assert len(named(heart, "limits")) == 1
    assert [(gap.get_x(), gap.get_width()) for gap in named(heart, "gap")] == [(19, 19)]


@pytest.mark.parametrize(
    "text", [None, SIGNED.replace("2026-01-10", "2026-03-10"), SIGNED.replace('"made up 1"', '""')]
)
def test_no_bands_without_a_protocol_in_force(text) -> None:
    """No band, no triangle; the figure says why; gaps over 10 minutes are hatched as common practice."""
    one, signed = event(read=READ), text and parse(text)
    for axes in panels(one, signed):
        assert not named(axes, "limits")
        assert not marks(axes, "^") + marks(axes, "v")
        assert [(gap.get_x(), gap.get_width()) for gap in named(axes, "gap")] == [(19, 19)]
    said = " ".join(written.get_text() for written in drawn(one, judge(one, signed), title="t").texts).replace(
        "\n", " "
    )
    assert "Shown without judging" in said
    assert "common practice, no source" in said


def test_limit_on_one_side() -> None:
    """The band reaches the edge of the panel."""
    only_low = protocol(SIGNED.replace("high = 34", ""))
    (axes,) = panels(event(), only_low)
    (band,) = named(axes, "limits")
    assert (band.get_y(), band.get_y() + band.get_height()) == (33, pytest.approx(axes.get_ylim()[1]))


def test_lines_of_times_and_drugs() -> None:
    """At their minutes, drugs and reversals with strokes of their own; one label for one minute and kind."""
    one = event(drugs=[*DRUGS, drug(8, "08:36", drug="agent B"), drug(9, "08:36", drug="agent C"), drug(10, None)])
    found = {(line.place, line.kind): line.label for line in lines_of(one, Clock.of(one))}
    assert found[0, "drug"] == "agent A"
    assert found[0, "time"] == "Darted"
    assert found[22, "drug"] == "agent B, agent C"
    assert found[56, "reversal"] == "Reversal, antagonist A"
    lane = drawn(one, judge(one, None), title="t").axes[0]
    assert len(named(lane, "drug")) == 2
    assert len(named(lane, "reversal")) == 1


def test_labels_touch_nowhere() -> None:
    """In one row every label ends before the next begins."""
    one = event(drugs=[drug(n, f"08:{14 + n:02}", drug=f"agent number {n}") for n in range(12)])
    clock, width = Clock.of(one), 123.0
    placed = rows_of(lines_of(one, clock), clock, width)
    low, high = clock.span
    ends: dict[int, float] = {}
    for line, row in placed:
        start = (line.place - low) / (high - low) * width
        assert ends.get(row, 0.0) <= start or start + len(line.label) > width
        ends[row] = start + 1.12 * len(line.label)


def test_clock_over_the_change() -> None:
    """8 March 2026 in Boise: half an hour after 01:45 the clock shows 03:15; minutes run on."""
    day = dt.date(2026, 3, 8)
    row = {"record_id": "h", "animal": "A", "date": day, **at("darted", "01:45", day), **at("left", "03:30", day)}
    read = [reading(1, "03:05", day=day, animal="A", heart_rate=50.0) | {"date": day}]
    one = event([row], [], read)
    clock = Clock.of(one)
    assert clock.changes
    assert [clock.shown(place) for place in (0, 20, 30)] == ["01:45", "03:05", "03:15"]
    shown = [clock.shown(place) for place in clock.ticks()]
    assert shown == [when for when in shown if when < "02:00" or when >= "03:05"]  # 02:00 to 03:00 never was
    assert len(shown) >= 2
    assert "Clocks were changed" in " ".join(t.get_text() for t in drawn(one, judge(one, None), title="t").texts)


def test_round_ticks_across_midnight() -> None:
    """Quarter hours by the clock at the den, not by UTC or by the dart."""
    row = handling(times=dict.fromkeys(("down", "first_handled", "last_handled", "reversed", "head_up", "approached")))
    row |= at("darted", "23:20") | at("left", "00:50", DAY + dt.timedelta(days=1))
    clock = Clock.of(event([row], [], []))
    assert [clock.shown(place) for place in clock.ticks()] == [
        "23:30", "23:45", "00:00", "00:15", "00:30", "00:45",
    ]  # fmt: skip
    assert not clock.changes


def test_files_words_and_the_same_bytes(tmp_path) -> None:
    """SVG and PNG with the alternative text, the same again; each handling has its own name."""
    one = event(read=READ)
    judged, name = judge(one, protocol()), file_name(one)
    made = timeline(one, judged, tmp_path / "a", name)
    again = timeline(one, judged, tmp_path / "b", name)
    assert name == "handling-OB-031-2026-02-24"
    for first, second in ((made.svg, again.svg), (made.png, again.png)):
        assert hashlib.sha256(first.read_bytes()).digest() == hashlib.sha256(second.read_bytes()).digest()
    root = ET.fromstring(made.svg.read_text(encoding="utf-8"))  # noqa: S314  # our own file
    assert root.find(f"{SVG}desc").text == made.alt
    with Image.open(made.png) as picture:
        assert picture.info["Description"] == made.alt
    assert file_name(event([handling(animal="OB/031")], [], [])) != name


def test_hostile_names(tmp_path) -> None:
    """A word without end, control characters, right to left: a file of a usable name that is sound XML."""
    for animal in ("W" * 300, "\x1b[31m<b>&\n", "\u05e9\u05dc\u05d5\u05dd"):
        one = event([handling(animal=animal)], [drug(1, "08:14", drug=animal)], [])
        made = timeline(one, judge(one, None), tmp_path, file_name(one))
        title = ET.fromstring(made.svg.read_text(encoding="utf-8")).find(f"{SVG}title").text  # noqa: S314  # our own
        assert title.startswith("2026-02-24: handling of ")
        assert len(made.svg.name) < 100
    assert "W" * 40 in _labels(event([], [drug(1, "08:14", drug="W" * 300)], []))[0]


def _labels(one):
    return [line.label for line in lines_of(one, Clock.of(one))]


def test_minutes_of_gaps_do_not_overlap() -> None:
    """Of gaps too short for their words, the longest are written."""
    read = [reading(n, f"{8 + n // 4:02}:{n % 4 * 15:02}", heart_rate=50.0) for n in range(2, 60)]
    one = event([], [], read)
    axes = drawn(one, judge(one, None), title="t").axes[1]
    places = sorted(text.get_position()[0] for text in axes.texts if text.get_text().endswith(" min"))
    low, high = axes.get_xlim()
    assert places
    assert all(after - before >= 9 / 123 * (high - low) for before, after in pairwise(places))


def test_limits_close_together_are_both_legible() -> None:
    """Their numbers stand above and below instead of over each other."""
    text = SIGNED.replace("low = 33", "low = 33.9")
    one = event(read=[*SOUND, reading(20, "09:09", temperature_c=20.0)])
    figure = drawn(one, judge(one, parse(text)), title="t")
    sides = {t.get_text(): t.get_va() for axes in figure.axes for t in axes.texts if t.get_text() in ("33.9", "34")}
    assert sides == {"33.9": "top", "34": "bottom"}


def test_alternative_text_tells_the_numbers() -> None:
    """Times, ranges, the longest gap, excursions with the protocol, or why nothing is judged."""
    one = event(read=READ)
    alt = told_timeline(one, judge(one, protocol()))
    for words in (
        "darted 08:14", "antagonist A 09:10", "Temperature: 4 readings, 32.5 to 34.2 C", "SpO2: not read",
        "Heart rate: 1 reading,",
        "19 min between readings, 08:33 to 08:52", "Temperature above 34 C", protocol().fingerprint[:12],
    ):  # fmt: skip
        assert words in alt, words
    assert told_timeline(one, judge(one, None)).endswith("No protocol on file: shown without judging.")


def test_little_to_draw(tmp_path) -> None:
    """Times without vitals make a figure; one time too; no time makes none and takes the old one away."""
    for one in (event(read=[]), event([], [], SOUND[:1]), event([], DRUGS[:1], [])):
        assert timeline(one, judge(one, protocol()), tmp_path, "handling").png.is_file()
    nothing = event([], [drug(1, None)], [])
    made = timeline(nothing, judge(nothing, None), tmp_path, "handling")
    assert (made.svg, made.png, list(tmp_path.iterdir())) == (None, None, [])
    assert "no figure, because no time was recorded" in made.why_not
    with pytest.raises(NothingToDraw):
        Clock.of(nothing)
