"""The sheet of a den visit: its words, its order, its one page, and that nothing of the records is dropped."""

import datetime as dt
import importlib.util
import os
import re
import sys
import uuid
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
import shapely
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from densite.animals import frame_of
from densite.animalterms import KINDS
from densite.cli.sheet import sheet
from densite.terms import DEN_TERMS, PLACE_TERMS, VISIT_TERMS
from densite.visitsheet import (
    PAPERS,
    SheetContent,
    SheetError,
    file_stem,
    layout,
    marks_to_expect,
    sheet_content,
    visit_sheet,
    write_pdf,
)
from densite.visitsheet.front import place_marks
from densite.visitsheet.style import LINE_MM
from densite.visitsheet.values import clock, text_width
from densite.visitsheet.vitals import grid
from densite.webmap.page import digest

DAY = dt.date(2026, 2, 24)
HERS = {"animal": "OB-031"}
PLACE = ("42.31234", "116.41234")
TERMS = (*PLACE_TERMS, *DEN_TERMS, *VISIT_TERMS, *(term for kind in KINDS.values() for term in kind.terms))
HOSTILE = '</td></table><script>alert(1)</script><img src="http://x.invalid/a.png" onerror=alert(2)>\ud800'


class Words(HTMLParser):
    """Collects the text under each class or element name."""

    def __init__(self, text: str) -> None:
        """Read a whole document."""
        super().__init__()
        self.found: list[tuple[frozenset[str], str]] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[frozenset[str]] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        """Note an element; those that have no end tag hold nothing."""
        named = dict(attrs)
        self.elements.append((tag, named))
        if tag not in ("meta", "col", "img"):
            self.open.append(frozenset({tag, *(named.get("class") or "").split()}))

    def handle_endtag(self, tag):
        """Leave an element."""
        assert tag in self.open.pop(), f"</{tag}> ends something else"

    def handle_data(self, data):
        """Keep a text with all names it stands under."""
        if data.strip():
            self.found.append((frozenset().union(*self.open), data.strip()))

    def under(self, name: str, *, but: tuple[str, ...] = ()) -> list[str]:
        """Return the texts under a class or an element, except those under others."""
        return [text for names, text in self.found if name in names and not names & set(but)]

    @property
    def text(self) -> str:
        """All text of the page."""
        return " ".join(text for names, text in self.found if "style" not in names)


def at(**times) -> dict:
    """Write clock times as the register keeps them."""
    kept = {}
    for name, time in times.items():
        moment = dt.datetime.fromisoformat(f"{DAY}T{time}-07:00")
        kept |= {f"{name}_at": moment.astimezone(dt.UTC), f"{name}_local": moment.isoformat()}
    return kept


def records(kind: str, *rows: dict) -> pd.DataFrame:
    """Return records of one kind, of the day of the visit."""
    made = {"recorded_at": dt.datetime(2026, 3, 1, tzinfo=dt.UTC), "row_key": "k", "date": DAY}
    return frame_of(kind, [{"record_id": uuid.uuid4(), **made, **row} for row in rows])


def handling(**fields) -> pd.DataFrame:
    """Return the handling of the female."""
    return records("handling", {**HERS, "mass_kg": 81.5, "lactating": "yes", **at(darted="08:10"), **fields})


def readings(*minutes: float, **fields) -> pd.DataFrame:
    """Return readings so many minutes after darting, each with a heart rate of its own."""
    start = dt.datetime.fromisoformat(f"{DAY}T08:10-07:00")
    times = [start + dt.timedelta(minutes=m) for m in minutes]
    return records("reading", *(
        {**HERS, "heart_rate": 40 + i / 8, "read_at": t.astimezone(dt.UTC), "read_local": t.isoformat(), **fields}
        for i, t in enumerate(times)
    ))  # fmt: skip


def den(**fields) -> dict:
    """Return the den as the register gives it."""
    return {"label": "D-2026-14", "geometry": shapely.Point(-float(PLACE[1]), float(PLACE[0])), "den_type": "tree",
            "aspect_read": "NNE", "slope_deg": 31.0, "uncertainty_m": 5.0, "cover_notes": None, **fields}  # fmt: skip


def visits(**fields) -> pd.DataFrame:
    """Return the visit as the register gives it."""
    return pd.DataFrame([{"den_id": "d", "observed_on": DAY, "crew": "A. Crew", "observer": None, **fields}])


def content(frames: dict | None = None, *, female: str = "OB-031", **fields) -> SheetContent:
    """Gather a visit."""
    return sheet_content(frames or {}, den_id="d", den=den(**fields), visits=visits(), date=DAY, female=female)


def page(held: SheetContent | None = None, **options) -> str:
    """Return a sheet."""
    return visit_sheet(held, study_name="Ondra Basin bear study", **options)


def test_every_word_on_the_paper_is_a_term_of_the_file() -> None:
    """Headings, units and choices come from the tables of terms; only numbers and the marks' places stand beside."""
    seen = Words(page())
    assert set(seen.under("h")) <= {term.heading for term in TERMS}
    assert {unit.strip("()") for unit in seen.under("u")} <= {term.unit for term in TERMS if term.unit}
    choices = {choice for term in TERMS for choice in term.choices}
    assert set(seen.under("t")) <= choices | {"f", "m", "u"}
    assert {choice for text in seen.under("c") for choice in text.split(", ")} <= choices
    beside = [text for name in ("dt", "th") for text in seen.under(name, but=("h", "u", "c", "h2"))]
    assert all(re.fullmatch(r"[+\d]*|\+ min", text) for text in beside), beside
    assert set(seen.under("h3")) == set(layout.mark_names())


def test_the_sheet_holds_what_the_work_needs() -> None:
    """Every field of vitals, times, drugs and mother's measures has its place; what is left out is known."""
    left_out = {
        kind: {t.name for t in KINDS[kind].terms}
        - {k.split(".")[1] for k in layout.printed_keys() if k[: len(kind)] == kind}
        for kind in ("reading", "handling", "drug", "cub", "mark", "check")
    }
    common = {"notes", "observer", "entered_at", "confirmed", "corrects", "correction_reason", "withdrawn"}
    joins = {"animal", "date", "den_label", "female"}
    assert {kind: names - common - joins for kind, names in left_out.items()} == {
        "reading": set(), "handling": {"procedures"}, "drug": set(), "mark": set(), "check": set(),
        "cub": {"born_on", "born_known_by"},
    }  # fmt: skip


def test_the_order_is_that_of_the_work() -> None:
    """Sections count up, and times, drugs, vitals, cubs, den and leaving follow each other."""
    text = page()
    numbers = [int(number) for number in re.findall(r"<h2[^>]*>(\d+) ", text)]
    assert numbers == list(range(1, 12))
    keys = ("Crew<", "Datum<", "Approach<", "Darted<", "Lot<", "Down<", "Heart rate<", "Neck<", "Transponder<",
            "Den type<", "Reversal<", "Head up<", "Signature", "Checked on<")  # fmt: skip
    assert [text.index(key) for key in keys] == sorted(text.index(key) for key in keys)


def test_vitals_have_a_row_every_five_minutes() -> None:
    """0 to 60 minutes since darted, then spare rows."""
    minutes = [text for text in Words(page()).under("m", but=("h", "thead")) if text != "+ min"]
    assert minutes == [f"+{m}" for m in range(0, 61, 5)]


def test_room_for_a_cold_hand() -> None:
    """At least 5 mm between the lines and 7 pt type, by the style sheet."""
    assert all(paper.pitch - LINE_MM >= 5 for paper in PAPERS.values())
    for paper in PAPERS:
        sizes = re.findall(r"font(?:-size)?:([\d.]+)pt", page(paper=paper))
        assert len(sizes) > 4
        assert min(map(float, sizes)) >= 7


def test_widths_of_each_row_add_up() -> None:
    """Rows fill the page or their column, tables too."""
    for row in layout.ALL_ROWS:
        assert sum(cell.width for cell in row) in (layout.WIDTH, layout.LEFT, layout.RIGHT), row
    assert sum(c.width for c in layout.DRUGS) == layout.LEFT
    assert layout.MINUTE_WIDTH + sum(c.width for c in layout.VITALS) == layout.LEFT
    assert sum(c.width for c in layout.SAMPLES) == layout.RIGHT
    assert layout.CUB_HEADING + layout.CUB_COLUMNS * sum(layout.CUB_PARTS) == layout.WIDTH
    assert all(sum(span for _, span in row) == len(layout.CUB_PARTS) for row in layout.CUB_ROWS)


@pytest.fixture
def opened(chromium) -> Iterator:
    """Open a sheet in a browser; complain of any request or breach of its policy."""
    context, complaints = chromium.new_context(), []
    shown = context.new_page()
    shown.route("**/*", lambda route: complaints.append(route.request.url))
    shown.on("console", lambda message: complaints.append(message.text))

    def show(text: str):
        shown.set_content(text)
        return shown

    yield show
    context.close()
    assert complaints == []


def pages_of(pdf: bytes) -> int:
    """Count the pages of a PDF whose objects are not packed, as Chromium writes it."""
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


MEASURED = """() => {
  const mm = 25.4 / 96, high = e => e.getBoundingClientRect().height * mm
  const all = selector => [...document.querySelectorAll(selector)]
  return {
    rows: Math.min(...all('main .f, main tbody tr').map(high)),
    type: Math.min(...all('main *').filter(e => e.textContent.trim())
      .map(e => parseFloat(getComputedStyle(e).fontSize) * 0.75)),
    over: all('main .f, main th, main td, main h2, main h3, main p').filter(e => e.scrollWidth > e.clientWidth + 1)
      .map(e => e.textContent),
    height: high(document.querySelector('main')),
  }
}"""


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("held", [None, content({"handling": handling(), "reading": readings(2, 7, 13)})])
def test_one_page_and_nothing_cut_off(opened, paper, held) -> None:
    """Chromium prints one page; lines are 5 mm apart, type is 7 pt, no heading runs out of its box."""
    shown = opened(page(held, paper=paper))
    assert pages_of(shown.pdf(prefer_css_page_size=True)) == 1
    seen = shown.evaluate(MEASURED)
    assert seen["rows"] >= 4.99
    assert seen["type"] >= 6.99
    assert seen["over"] == []
    assert seen["height"] < PAPERS[paper].height - 2 * PAPERS[paper].margin


def full() -> SheetContent:
    """A visit with more of everything than the front has room for."""
    drugs = (
        {**HERS, "drug": f"agent {i}", "lot": f"L-{i}", "volume_ml": i / 8, **at(given=f"08:1{i}")} for i in range(7)
    )
    marks = (
        {**HERS, "mark_kind": "ear tag", "side": "left", "mark_code": f"T{i}", "mark_event": "seen"} for i in range(4)
    )
    cubs = ({"den_label": "D-2026-14", "cub_no": i, "sex": "male", "mass_g": 2000 + i, "notes": f"cub note {i}"}
            for i in range(1, 7))  # fmt: skip
    samples = ({**HERS, "sample_label": f"S-{i}", "tissue": "hair"} for i in range(6))
    checks = ({"den_label": "D-2026-14", "checked_on": DAY + dt.timedelta(i), "at_den": "yes", "moved_m": 10 + i}
              for i in (1, 2))  # fmt: skip
    return content({
        "handling": handling(injuries="a long story of an old wound " * 6, notes=HOSTILE),
        "reading": readings(*range(-3, 90, 2), action="head turned so that the airway stayed free"),
        "drug": records("drug", *drugs), "mark": records("mark", *marks), "cub": records("cub", *cubs),
        "sample": records("sample", *samples), "check": records("check", *checks),
    }, cover_notes="thick brush on every side, " * 5)  # fmt: skip


def test_nothing_is_dropped() -> None:
    """47 readings, 7 drugs, 6 cubs, long texts: each value stands on the sheet at least once."""
    held = full()
    text = Words(page(held)).text
    for record in (*held.readings, *held.drugs):
        time = record.get("read_local") or record["given_local"]
        assert dt.datetime.fromisoformat(time).strftime("%H:%M") in text
    rates = {f"{record['heart_rate']:g}" for record in held.readings}
    assert len(rates) == 47
    assert rates <= set(text.split())
    numbered = {
        "agent {}": range(7),
        "T{}": range(4),
        "S-{}": range(6),
        "200{}": range(1, 7),
        "cub note {}": range(1, 7),
    }
    for wanted in (*(form.format(i) for form, numbers in numbered.items() for i in numbers), "11", "12"):
        assert wanted in text, wanted
    assert "a long story of an old wound " * 5 in text
    assert text.count("head turned so that the airway stayed free") == 47


def test_the_front_stays_one_page_however_much_there_is(opened) -> None:
    """Long values are cut on the front and told in full behind it."""
    shown = opened(page(full(), paper="letter"))
    seen = shown.evaluate(MEASURED)
    assert seen["height"] < 279.4 - 10
    assert seen["over"] == []
    assert pages_of(shown.pdf(prefer_css_page_size=True)) in (2, 3)


def test_records_text_is_escaped() -> None:
    """Markup in a record is shown, never obeyed, and nothing asks for the network."""
    held = content({"handling": handling(injuries=HOSTILE, notes=HOSTILE)}, label=HOSTILE, cover_notes=HOSTILE)
    text = visit_sheet(held, study_name=HOSTILE, protocol=HOSTILE)
    seen = Words(text)
    assert {tag for tag, _ in seen.elements} & {"script", "img", "link", "iframe"} == set()
    assert not any(
        name.startswith("on") or name in ("src", "href", "style") for _, named in seen.elements for name in named
    )
    assert "<script>alert(1)</script>" in seen.text
    text.encode("utf-8")


def test_the_page_is_self_contained() -> None:
    """Language, policy with the style's hash, headers with scope."""
    text = page()
    (style,) = re.findall(r"<style>(.*?)</style>", text, flags=re.DOTALL)
    assert f"default-src 'none'; style-src {digest(style)}" in text
    assert '<html lang="en">' in text
    assert all(named.get("scope") for tag, named in Words(text).elements if tag == "th")
    assert "url(" not in style


def test_the_place_is_for_the_crew_only() -> None:
    """A filled sheet says so; without the place no part of it is left, and a blank one has none."""
    held = content({"handling": handling()})
    assert all(part in page(held) for part in (*PLACE, "WGS84", "exact den location: for the crew only"))
    for text in (page(held, with_place=False), page()):
        assert not any(part in text for part in (*PLACE, "42.3", "116.4", "exact den location"))
    assert "without coordinates" in page(held, with_place=False)


def test_limits_are_the_protocols() -> None:
    """The sheet names the protocol and gives no number of its own."""
    assert "Limits: see protocol version 3" in page(protocol="protocol version 3")
    assert "the study&#x27;s veterinary protocol" in page()
    cautions = " ".join(Words(page()).under("caution"))
    for word in ("permit", "emergency", "zoonoses", "hypothermia", "hyperthermia", "orphan", "warm"):
        assert word in cautions
    assert not re.search(r"\d", cautions)


def lines(frame: pd.DataFrame, darted: str | None = "08:10") -> tuple[list, list]:
    """Return minutes and heart rates of the grid's lines and of the rest."""
    held = content({"reading": frame})
    start = None if darted is None else pd.Timestamp(f"{DAY}T{darted}-07:00")
    return tuple(
        [(line.minutes, (line.reading or {}).get("heart_rate")) for line in part] for part in grid(held.readings, start)
    )


def test_readings_go_to_the_nearest_row() -> None:
    """4 minutes to the row of 5; a second one of that row, one before and one late to spare rows, then behind."""
    front, behind = lines(readings(-4, 0, 4, 6, 12.4, 12.6, 62.4, 62.5))
    placed = {minutes: rate for minutes, rate in front if rate is not None}
    assert placed == {"-4": 40.0, "+0": 40.125, "+5": 40.25, "+6": 40.375, "+10": 40.5, "+15": 40.625, "+60": 40.75}
    assert behind == [("+62", 40.875)]


def test_without_darting_time_readings_stand_in_order() -> None:
    """No minutes are made up."""
    front, behind = lines(readings(*range(0, 48, 3)), None)
    assert {minutes for minutes, _ in front} == {""}
    assert [rate for _, rate in front] == [40 + i / 8 for i in range(15)]
    assert behind == [("", 40 + 15 / 8)]


def test_a_reading_without_time_is_kept() -> None:
    """It stands in a spare row."""
    front, behind = lines(pd.concat([readings(5), records("reading", {**HERS, "heart_rate": 77.0})]))
    assert ("", 77.0) in front
    assert behind == []


@given(st.lists(st.floats(-30, 200), max_size=40))
def test_every_reading_has_one_line(minutes) -> None:
    """Whatever the times, no reading is lost or doubled."""
    frame = readings(*sorted(minutes))
    front, behind = lines(frame)
    kept = [rate for _, rate in (*front, *behind) if rate is not None]
    assert sorted(kept) == sorted(frame["heart_rate"])
    assert len(front) == 15


def test_clocks() -> None:
    """Midnight and missing local time are said; the offset stands once on the sheet."""
    assert clock("2026-02-24T08:14:00-07:00", day=DAY) == "08:14"
    assert clock("2026-02-25T00:10:00-07:00", day=DAY) == "00:10 +1d"
    assert clock("2026-02-23T23:50:00-07:00", day=DAY) == "23:50 -1d"
    assert clock(None, pd.Timestamp("2026-02-24T15:14Z"), day=DAY) == "15:14 UTC"
    assert clock(None, pd.NaT) == clock(float("nan")) == ""
    assert "Clock: UTC-07:00." in page(content({"handling": handling()}))
    late = page(content({"handling": handling(**at(darted="23:50")), "reading": readings(938, 968)}))
    assert "Clock: UTC-07:00; past midnight: 2026-02-25." in late
    assert {"23:48", "00:18"} <= set(Words(late).under("td"))


def test_thermometer_is_ticked_where_all_agree() -> None:
    """Two ways of taking it: no tick, each reading tells its own behind."""
    same = Words(page(content({"reading": readings(1, 6, thermometer="rectal deep")})))
    mixed = pd.concat([readings(1, thermometer="rectal deep"), readings(6, thermometer="other")])
    told = Words(page(content({"reading": mixed})))
    assert same.text.count("Temperature by") == 1
    assert told.text.count("Temperature by") == 3
    assert "× rectal deep" in same.text
    assert "× rectal deep" not in told.text


def mark(kind: str, code: str, event: str, **fields) -> dict:
    """Return a mark."""
    return {**HERS, "mark_kind": kind, "mark_code": code, "mark_event": event, **fields}


def test_a_new_collar_comes_before_the_old_one() -> None:
    """The collar put on takes the collar's place, the one taken off the spare one, a third goes behind."""
    marks = [
        mark("collar", "C-1", "removed"),
        mark("collar", "C-2", "put on"),
        mark("ear tag", "9", "lost", side="left"),
        mark("ear tag", "10", "put on", side="left"),
    ]
    placed, rest = place_marks(marks)
    assert [m and m["mark_code"] for m in placed] == ["C-2", "10", None, None, None, "C-1"]
    assert [m["mark_code"] for m in rest] == ["9"]


def test_marks_to_expect() -> None:
    """The last event counts: a tag lost since is not expected; other animals' marks do not count."""
    early = dt.date(2024, 3, 1)
    frame = records(
        "mark", mark("ear tag", "9", "lost", side="left"), mark("ear tag", "9", "put on", side="left", date=early),
        mark("transponder", "999000123456789", "seen"), mark("collar", "C-2", "put on", animal="OB-032"),
        mark("ear tag", "014", "put on", side="right", colour="blue", date=early),
    )  # fmt: skip
    expected = marks_to_expect(frame, "OB-031")
    assert set(expected) == {"transponder 999 000 123 456 789", "ear tag blue 14 right"}
    assert marks_to_expect(frame, "ob 31") == expected
    assert expected[0] == "ear tag blue 14 right"  # seen first
    assert "Marks on file: ear tag blue 14 right" in page(SheetContent(female="OB-031", expected=expected))
    many = page(SheetContent(female="OB-031", expected=tuple(f"ear tag left blue {i:05d}" for i in range(40))))
    assert "densite animal" in many


def test_only_what_belongs_to_the_visit_is_gathered() -> None:
    """Other females, other days and other dens stay out; a cub's sample without den comes in by its cub."""
    other = dt.date(2026, 2, 25)
    cubs = records("cub", {"den_label": "D-2026-14", "cub_no": 2, "cub_id": "OB-031-26b"},
                   {"den_label": "d 2026 14", "den_id": "d", "cub_no": 1}, {"den_label": "D-2026-15", "cub_no": 1},
                   {"den_label": "D-2026-14", "cub_no": 3, "date": other})  # fmt: skip
    rows = ({"animal": "OB-031-26b"}, HERS, {"animal": "OB-099"}, {**HERS, "date": other})
    samples = records("sample", *({**row, "sample_label": label} for row, label in zip(rows, "abcd", strict=True)))
    drugs = records(
        "drug", {**HERS, "drug": "x"}, {"animal": "OB-099", "drug": "y"}, {**HERS, "drug": "z", "date": other}
    )
    held = content({"cub": cubs, "sample": samples, "drug": drugs})
    assert [cub["cub_no"] for cub in held.cubs] == [1, 2]
    assert [row["sample_label"] for row in held.samples] == ["a", "b"]
    assert [row["drug"] for row in held.drugs] == ["x"]
    assert content({"drug": drugs}, female="").drugs == ()


def test_values_are_printed_in_their_boxes() -> None:
    """Ticks, digits in boxes, the bearing as read, numbers without needless zeros."""
    cub = {
        "den_label": "D-2026-14",
        "cub_no": 1,
        "sex": "female",
        "transponder": "999000123456789",
        "scent_masked": "yes",
    }
    text = page(content({"handling": handling(), "cub": records("cub", cub)}))
    seen = Words(text)
    assert '<span class="comb" role="img" aria-label="999000123456789">' in text
    assert ["".join(seen.under("comb"))] == ["999000123456789"]
    assert "81.5" in seen.under("dd")
    assert "NNE" in seen.under("dd")
    assert "31" in seen.under("dd")
    ticked = re.findall(r'aria-checked="true" aria-label="[a-z ]+"><span class="b">×</span>([a-z ]+)<', text)
    assert ticked == ["yes", "f", "yes", "tree"]  # lactating, sex, scent masked, den type
    long = page(content({"cub": records("cub", {**cub, "transponder": "9990001234567890"})}))
    assert "9990001234567890" in Words(long).text


def test_a_check_has_its_own_day() -> None:
    """A check of the next day shows its time without "+1d", since its day stands beside it."""
    row = {"den_label": "D-2026-14", "checked_on": DAY + dt.timedelta(days=1), "checked_by": "vhf",
           "checked_at": pd.Timestamp("2026-02-25T20:00Z"), "checked_local": "2026-02-25T13:00-07:00"}  # fmt: skip
    text = page(content({"check": records("check", row)}))
    assert "<dd>13:00</dd>" in text
    assert "Time of check" not in text.partition('class="next"')[2]


def test_a_cubs_sample_says_whose_it_is() -> None:
    """A sample of another animal than the female is not taken for hers."""
    row = {"sample_label": "S-7", "animal": "OB-031-26a", "den_label": "D-2026-14", "tissue": "hair"}
    assert "OB-031-26a" in page(content({"sample": records("sample", row)}))


def test_names_in_the_head_of_the_next_page() -> None:
    """Very long names are cut there, and each keeps its own direction of writing."""
    text = page(SheetContent(den_label="W" * 300, female="\u05d0" * 9, date=DAY, den={"x": 1}))
    head = text.partition('class="next"')[2].partition("</header>")[0]
    assert f"<bdi>{DAY}</bdi> <bdi>WWW" in head
    assert len(head) < 300
    assert "W" * 300 in text


def test_text_width_is_on_the_safe_side() -> None:
    """Not narrower than in DejaVu Sans Condensed, which is nine tenths of the DejaVu Sans that matplotlib brings."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    for words in ("old scar on the left forearm", "WINTER", "0123456789", "ground bed"):
        width = TextPath((0, 0), words, size=10, prop=FontProperties(family="DejaVu Sans")).get_extents().width
        assert text_width(words, 10) >= 0.9 * 0.95 * width * 25.4 / 72
    assert text_width("雪", 10) == pytest.approx(10 * 25.4 / 72)


@pytest.mark.parametrize(
    ("label", "stem"),
    [("D-2026-14", r"sheet-D-2026-14-2026-02-24"), ("../../a b", r"sheet-a-b-[0-9a-f]{6}-2026-02-24"),
     ("洞", r"sheet-[0-9a-f]{6}-2026-02-24"), ("x" * 300, r"sheet-x{60}-[0-9a-f]{6}-2026-02-24")],
)  # fmt: skip
def test_file_names_are_safe(label, stem) -> None:
    """No folder, blank or foreign sign, and two labels never share a name."""
    assert re.fullmatch(stem, file_stem(SheetContent(label, DAY)))
    assert file_stem(SheetContent("a b", DAY)) != file_stem(SheetContent("a.b", DAY))


def test_pdf_is_one_page(tmp_path) -> None:
    """WeasyPrint sets one page of either paper."""
    if importlib.util.find_spec("weasyprint") is None:
        assert not os.environ.get("CI"), "weasyprint is missing: .ci/run must install the extra pdf"
        pytest.skip("weasyprint is not installed")
    import weasyprint

    for paper, size in PAPERS.items():
        (only,) = weasyprint.HTML(string=page(paper=paper)).render().pages
        assert only.width == pytest.approx(size.width * 96 / 25.4)
    write_pdf(page(), tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_without_weasyprint_the_way_out_is_told(tmp_path, monkeypatch) -> None:
    """One message, no file."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(SheetError, match=r"densite\[pdf\].*apt-get.*browser"):
        write_pdf(page(), tmp_path / "a.pdf")
    assert list(tmp_path.iterdir()) == []


class FakeStudy:
    """A study with one visit of one or two females."""

    def __init__(self, folder, females=("OB-031",)) -> None:
        """Hold what the command asks for."""
        self.folder, self.out, self.females = folder, folder / "out", females
        self.settings = SimpleNamespace(
            study=SimpleNamespace(name="Ondra Basin"), animals=SimpleNamespace(protocol="protocol.toml")
        )
        self.dens, self.visits = pd.DataFrame([den()], index=["d"]), visits()

    def __enter__(self):
        """Return itself."""
        return self

    def __exit__(self, *_) -> None:
        """Close nothing."""

    def records(self, kind):
        """Return the records of one kind."""
        return (
            handling()
            if kind == "handling"
            else records(kind, *([mark("collar", "C-2", "seen")] if kind == "mark" else []))
        )

    def visit(self, text):
        """Find the only visit."""
        assert text == "D-2026-14"
        return SimpleNamespace(den_id="d", den_label="D-2026-14", date=DAY, females=self.females)


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run the command on the fake study."""

    def call(*words, females=("OB-031",)):
        monkeypatch.setattr("densite.pipeline.open_study", lambda _: FakeStudy(tmp_path, females))
        return CliRunner().invoke(sheet, [str(word) for word in words])

    return call


PROTOCOL = '[signed]\nveterinarian = "V. Vet"\nversion = "{}"\ndate = {}\n'


def test_command_writes_the_filled_sheet(run, tmp_path) -> None:
    """Under out, named by den and day; the protocol in force is named."""
    (tmp_path / "protocol.toml").write_text(PROTOCOL.format("3", "2026-01-10"))
    done = run("D-2026-14")
    path = tmp_path / "out" / "sheet-D-2026-14-2026-02-24.html"
    assert done.output.strip() == str(path)
    text = path.read_text()
    assert "81.5" in text
    assert "Limits: see protocol version 3, signed 2026-01-10 by V. Vet" in text
    (tmp_path / "protocol.toml").write_text(PROTOCOL.format("4", "2026-03-10"))
    run("D-2026-14", "--without-place")
    text = (tmp_path / "out" / "sheet-D-2026-14-2026-02-24-without-place.html").read_text()
    assert "version 4" not in text
    assert PLACE[0] not in text


def test_command_writes_the_blank_sheet(run, tmp_path) -> None:
    """With the marks to expect on the female."""
    assert run("--blank").exit_code == 0
    assert (tmp_path / "out" / "sheet-blank.html").is_file()
    done = run("--blank", "--den", "D-2026-14", "--female", "OB-031", "-o", tmp_path / "take.html", "--paper", "letter")
    assert done.exit_code == 0, done.output
    assert "collar C-2" in (tmp_path / "take.html").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [((), "name a visit"), (("D-2026-14", "--blank"), "name a visit"), (("D-2026-14", "--den", "x"), "name a visit"),
     (("--blank", "-o", "a.docx"), ".html or .pdf"), (("D-2026-14", "--female", "OB-9"), "recorded: OB-031")],
)  # fmt: skip
def test_wrong_use_is_told(run, words, said) -> None:
    """Exit code 2 with the way out."""
    done = run(*words)
    assert done.exit_code == 2
    assert said in done.output


def test_a_visit_with_two_females_asks_which(run, tmp_path) -> None:
    """And then names her in the file."""
    assert "OB-031 or OB-032" in run("D-2026-14", females=("OB-031", "OB-032")).output
    run("D-2026-14", "--female", "OB-031", females=("OB-031", "OB-032"))
    assert (tmp_path / "out" / "sheet-D-2026-14-OB-031-2026-02-24.html").is_file()


def test_a_broken_protocol_does_not_keep_the_paper_back(run, tmp_path) -> None:
    """The sheet is written, names no protocol, and says why."""
    (tmp_path / "protocol.toml").write_text("[signed]\ndate = soon\n")
    done = run("D-2026-14")
    assert done.exit_code == 0
    assert "names no protocol" in done.stderr
    assert "the study&#x27;s veterinary protocol" in Path(done.stdout.strip()).read_text()


def test_names_that_the_register_does_not_know_are_told(run) -> None:
    """A new den is right, a mistyped one is not: the crew is asked."""
    told = run("--blank", "--den", "D-9", "--female", "QQ").stderr
    assert "No den D-9" in told
    assert "No marks of QQ" in told
    assert run("--blank", "--den", "D-2026-14", "--female", "OB-031").stderr == ""


def test_a_folder_that_is_missing_is_told(run, tmp_path) -> None:
    """No traceback."""
    done = run("--blank", "-o", tmp_path / "nowhere" / "a.html")
    assert isinstance(done.exception, SheetError)
    assert "cannot be written" in str(done.exception)
