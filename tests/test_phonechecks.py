"""The phone form's checks against intake: the same rows through both, compared by field and level."""

import datetime as dt
import json
import random
import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from conftest import STUDY_TOML
from playwright.sync_api import Browser, Page

from densite.animals import record_uuid
from densite.animalterms import KINDS
from densite.errors import Level, Problem
from densite.intake.animalrows import KnownRecords, read_record
from densite.intake.rawrow import RawRow, understand
from densite.intake.rows import read_row
from densite.intake.standpoint import NAMES as SEEN_FIELDS
from densite.phoneform.rules import (
    DEN,
    FORM_KINDS,
    MESSAGES,
    SCRIPTS,
    browser_text,
    needed_of,
    reading_of,
    rules,
    terms_of,
)
from densite.records import SPELLINGS, folded_label
from densite.settings import Settings, parse
from densite.terms import Term, by_name

Row = dict[str, str]

NOW = dt.datetime(2026, 3, 1, 12, tzinfo=dt.UTC)
ZONE = 'time_zone = "America/Boise"\n'
LEVELS = {Level.ERROR: "error", Level.CONFIRM: "doubt", Level.WARNING: "doubt", Level.NOTE: "note"}

# What only the office can know: the register's contents, and what PROJ and the magnetic models compute.
UNKNOWN_ON_PHONE = (
    "no den of that label", "no visit to den", "in another way before", "such a record is there already",
    "no such record of this kind", "is as heavy as its mother", "no magnetic model", "lie .* from the place in the",
    "is no place on Earth", "is no place in", "has no EPSG code here", "is no CRS", "datum 'EPSG:32611'",
)  # fmt: skip
PLACE_FIELDS = {"latitude", "longitude", "coordinates", "easting", "northing", "utm_zone", "mgrs", "datum"}

GOOD: dict[str, Row] = {
    DEN: {
        "den_label": "D-2026-14", "latitude": "44.5123", "longitude": "-118.2210", "uncertainty_m": "5",
        "position_method": "gps averaged", "den_type": "tree", "aspect": "140", "aspect_reference": "true",
        "slope_deg": "31", "date": "2026-02-24", "female": "OB-031",
    },
    "mark": {"animal": "OB-031", "date": "2026-02-24", "mark_kind": "ear tag", "mark_code": "117",
             "mark_event": "put on"},
    "handling": {"animal": "OB-031", "date": "2026-02-24", "darted": "08:14", "down": "08:21"},
    "drug": {"animal": "OB-031", "date": "2026-02-24", "drug": "as written", "given": "08:14"},
    "reading": {"animal": "OB-031", "date": "2026-02-24", "read": "08:30", "heart_rate": "60"},
    "cub": {"den_label": "D-2026-14", "date": "2026-02-24", "cub_no": "1", "sex": "male"},
    "sample": {"sample_label": "S-1", "animal": "OB-031", "tissue": "hair", "date": "2026-02-24"},
    "check": {"den_label": "D-2026-14", "date": "2026-02-24", "checked_on": "2026-02-26", "at_den": "yes",
              "checked": "16:10"},
}  # fmt: skip
# A den seen from where the crew stood, and errors of such sightings that a study may have set.
SEEN: Row = {
    **GOOD[DEN], "offset_bearing": "75", "offset_reference": "true", "offset_bearing_error_deg": "2",
    "offset_distance_m": "120", "offset_by": "laser", "offset_distance_error_m": "0.5", "offset_tilt_deg": "-12",
}  # fmt: skip
OWN_ERRORS = "[intake.offset_errors]\nbearing_deg = 3\nlaser_m = 0.5\nestimate_pct = 20\n"
HOSTILE = (
    "<img src=x onerror=alert(1)>", "</script><script>", "__proto__", "constructor", "toString", "=cmd()", "NaN",
    "Infinity", "null", "-0", "1e999", "0x1f", "1_000", "٤٠", "４０", "40\u202e%", "\u200b", "\x00", "½", "²",
    "ſ", "K", "ß", "'); DROP TABLE dens;--", "${1+1}", "🐻", "a" * 500, "1" * 400, "\u2028", "\ufeff7",
)  # fmt: skip
DAYS = (
    "2026-02-24", "2026-2-4", "2026/02/24", "2026.02.24", "24 Feb 2026", "24-Feb-2026", "Feb 24, 2026", "24 Febr 2026",
    "24/02/2026", "02/24/2026", "03/02/2026", "13/13/2026", "30/02/2026", "2026-02-30", "20260224", "2026-02-24T18:30",
    "2026-02-24T18:30:00Z", "2026-02-25T03:30:00Z", "2026-02-24 23:59:59.5+05:30", "2026-02-24T25:00", "yesterday",
    "2026-03-01", "2026-03-02", "2026-03-03", "2036-02-24", "1899-12-31", "0000-01-01", "24 Foo 2026", "2024-02-29",
    "2025-02-29", "٢٠٢٦-٠٢-٢٤", "2026-02", "02/2026", "1/1/26", "2026-02-24T", "2026-02-24T1830-0700",
    "24 feb. 2026",
)  # fmt: skip
TIMES = (
    "08:14", "8:14", "0814", "814", "8.14", "8h14", "08:14:30", "24:00", "23:59", "08:60", "8:14 pm", "8:14 p.m.",
    "12:14 pm", "0:14 am", "13:14 pm", "08:14Z", "08:14-07:00", "08:14+1500", "08:14-07", "8", "eight", "00:05",
    "20:30", "02:30",
    "2026-02-24T08:14", "2026-02-24T08:14:00-07:00", "2026-02-24 08:14Z", "2026-02-24T99:00", "٠٨:١٤", "01:30",
)  # fmt: skip
ANGLES = (
    "44.5123", "+44.5", "-44.5", "44", "44.5 N", "44.5N", "N 44.5", "N44.5", "44 30 44.3 N", "44°30'44.3\"N",
    "44 30.5 S", "44d30m44.3sN", "44d30m44s", "44:30:44", "44° 30′ 44.3″ N", "44 60 0", "44 30 60", "-44.5 S",
    "−44.5",
    "N 44.5 N", "44.5 W", "118.22 W", "118°13'12\"W", "90", "90.0001", "180", "180.5", "1234", "44,5123", "44.5.1",
    "44 N 30", "s 44.5", "٤٤.٥", "44.51230", "44.", ".5", "4e1", "ſ 44", "44 30 44.3 N x", "44''", "118d 13m 12s w",
    "44" + " " * 90 + "N", "44" + " " * 98 + "N",
)  # fmt: skip
PAIRS = (
    "44.51 N 118.22 W", "44.51, -118.22", "44°30'N, 118°13'W", "118.22 W 44.51 N", "N44.51 W118.22", "44.51 -118.22",
    "44.51", "44.51 N", "44.51;-118.22", "44 30 44 N 118 13 12 W", "95.1, -118.2", "-118.22, 44.51", "a b", "a, b, c",
    "44.5, -118.2", "44, -118", "W 118 13 12 N 44 30 44",
    "44 N," + " " * 150 + "118 W", "44 N" + " " * 98 + ", 118 W",
)  # fmt: skip
ASPECTS = (
    "0", "360", "360.5", "361", "140 deg", "140°", "140 degrees", "N", "nne", "south-west", "Southwestern", "SSSW",
    "north by nothing", "flat", "None", "N/A", "-5", "1e2", "12.5", "north west", "٩٠", "NORTH NORTH EAST", "n.",
    "1400", "140 toward the mouth", "NNE, to mouth.", "140 deg (towards the den mouth)", "toward the mouth",
    "sto mouth",
    "140 to mouths", "140 TOWARD  the\tMOUTH", "140 toward\u017f mouth", "361 to the mouth", "flat to the mouth",
    "N\u0301 to mouth", "140\u00e9to mouth", "140" + " " * 12 + "to mouth",
)  # fmt: skip
LONG = tuple(start + sign * 20_000 + end for start, sign, end in (
    ("", ".", ""), ("140", " ", "x"), ("44 N", " ", "118"), ("N", ",", "E"), ("1", "1", ""), ("140 ", "to ", "mouth"),
    ("", "\u00a0.", "x"), ("d1m1", " ", "x"), ("44 30", " ", "x"), ("", "to mouth ", "x"),
))  # fmt: skip
SIGHTED = ("", "outward from the mouth", "Toward  the mouth", "TOWARD THE MOUTH", "toward-the-mouth", "in", "__proto__")
NORTHS = ("", "true", "magnetic", "Mag", "M", "t", "True North", "grid", "__proto__", "MAGNETIC NORTH")
TEETH = (
    "uc",
    "uc lc=felt ui3=absent",
    "UC;LC",
    "uc uc",
    "uc=gone",
    "p1",
    "up5",
    "uc=felt lc",
    "uc, lc ,ui1",
    "=through",
)
SLOPES = (
    ("31", "40"), ("", "40"), ("", "40 %"), ("40 %", ""), ("40%", "40"), ("", "-3"), ("", "176"), ("", "1e9"),
    ("", "40 deg"), ("200 %", ""), ("-5%", ""), ("x%", ""), ("61", ""), ("91", ""),
)  # fmt: skip
CLOCKS = (
    ("23:50", "00:10", "00:20"), ("01:30", "01:40", "03:10"), ("02:30", "02:40", "04:00"), ("08:14", "08:10", ""),
    ("08:14", "x", "08:10"), ("08:14", "", "07:00"), ("9:00 pm", "8:50", ""),
)  # fmt: skip


def settings_of(extra: str = "") -> Settings:
    """Settings as the form assumes them: positions on WGS 84."""
    return parse(STUDY_TOML + ZONE + '[intake]\ndatum = "WGS84"\n' + extra)


def numbers(term: Term) -> Iterator[str]:
    """Write numbers at the edges of a term's bounds, with units of its own and of others."""
    for bound in (term.floor, term.ceiling, term.low, term.high):
        for step in (-1, -0.01, 0, 0.01, 1) if bound is not None else ():
            yield f"{bound + step:g}"
    middle = f"{((term.low or 0) + (term.high or term.ceiling or 10)) / 2:g}"
    yield from (f"{middle} {unit}" for unit in (*SPELLINGS, "furlongs"))
    yield from (
        middle,
        f" {middle} ",
        f"+{middle}",
        f"{middle}.",
        "1,5",
        "1.5,2",
        "7 7",
        "1e2",
        "98.6",
        "109.5 F",
        "1500",
    )


def spellings(term: Term) -> Iterator[str]:
    """Write the choices of a term in all ways, and words that are none."""
    for choice in term.choices:
        yield from (
            choice,
            choice.upper(),
            choice.replace(" ", "-"),
            choice.replace(" ", "__"),
            f" {choice}  ",
            choice[0],
        )
    yield from ("cave", "y", "N", "f", "unknown", "yes no", "true")


def texts(term: Term) -> Iterator[str]:
    """Write what a field of a term may hold, one text at a time."""
    made = {"number": numbers, "choice": spellings}.get(term.kind)
    yield from made(term) if made else {"date": DAYS, "time": TIMES}.get(term.kind, ())
    yield ""


def some(term: Term, count: int) -> list[str]:
    """Draw some of a term's texts and of the hostile ones, the same at each run."""
    chance = random.Random(f"{term.name} {term.meaning}")  # noqa: S311 - draws test rows, no secrets
    own = list(texts(term))
    return [*chance.sample(own, min(count, len(own))), *chance.sample(HOSTILE, 4)]


def single_rows() -> Iterator[tuple[str, Row]]:
    """Change one field of a good row, once in full for a term of each sort."""
    for kind, name in ((DEN, "depth_cm"), (DEN, "den_type"), (DEN, "date"), ("reading", "temperature_c"),
                       ("cub", "mass_g"), ("drug", "given"), ("mark", "mark_event"), (DEN, "notes"),
                       ("check", "checked_on")):  # fmt: skip
        term = next(term for term in terms_of(kind) if term.name == name)
        yield from ((kind, {**GOOD[kind], name: text}) for text in (*texts(term), *HOSTILE))
    for kind in FORM_KINDS:
        for term in terms_of(kind):
            if term.name not in ("x", "y", "epsg", "den_id", "corrects", "easting", "northing"):
                good = SEEN if term.name in SEEN_FIELDS else GOOD[kind]
                yield from ((kind, {**good, term.name: text}) for text in some(term, 25))


def place_rows() -> Iterator[tuple[str, Row]]:
    """Write places in every way that the form takes."""
    plain = {name: text for name, text in GOOD[DEN].items() if name not in ("latitude", "longitude")}
    for angle in ANGLES:
        yield from ((DEN, {**GOOD[DEN], name: angle}) for name in ("latitude", "longitude"))
        yield DEN, {**GOOD[DEN], "latitude": angle, "uncertainty_m": ""}
    for pair in PAIRS:
        yield DEN, {**plain, "coordinates": pair}
        yield DEN, {**plain, "coordinates": pair, "uncertainty_m": ""}
    for datum in ("", "WGS84", "wgs-84", "NAD83", "nad 27", "EPSG:4326", "4267", "Mars"):
        yield DEN, {**GOOD[DEN], "datum": datum}
        yield DEN, {**plain, "mgrs": "11TLK4414084706", "datum": datum}
        yield DEN, {**plain, "easting": "402960", "northing": "4929583", "utm_zone": "11N", "datum": datum}
    for mgrs in ("11T LK 44140 84706", "11TLK441408470", "11TLK", "hello", "11TLK 4 8", "1ITLK44148470"):
        yield DEN, {**plain, "mgrs": mgrs}
    for utm in (("402960", "4929583", ""), ("402960", "", "11N"), ("40296", "4929583", "11N"), ("4e5", "1e9", "11N"),
                ("402960 m", "4929583m", "11t"), ("x", "4929583", "11N"), ("402960", "4929583", "61N")):  # fmt: skip
        yield DEN, {**plain, **dict(zip(("easting", "northing", "utm_zone"), utm, strict=True))}
    yield from ((DEN, {**plain, **half}) for half in ({}, {"latitude": "44.5"}, {"longitude": "-118.2"}))


def crossed_rows() -> Iterator[tuple[str, Row]]:
    """Write fields that bear on each other."""
    for aspect in ASPECTS:
        yield from ((DEN, {**GOOD[DEN], "aspect": aspect, "aspect_reference": north}) for north in NORTHS)
    for degrees, percent in SLOPES:
        yield DEN, {**GOOD[DEN], "slope_deg": degrees, "slope_pct": percent}
    for den_type in ("tree", "Rock-Ledge", "unknown", "brush"):
        yield from (
            (DEN, {**GOOD[DEN], "den_type": den_type, "tree_diameter_cm": cm}) for cm in ("60", "5", "x", "300")
        )
    for name in ("first_found", "entered_at"):
        yield from ((DEN, {**GOOD[DEN], name: day}) for day in ("2026-02-23", "2026-02-24", "2026-02-25", "2030-01-01"))
    for metres in ("5", "0.96", "0.94", "0", "-1", "100 ft", "5 km", "", "400"):
        for lat, lon in (("44.51234", "-118.22101"), ("44.5", "-118.2"), ("44 30", "118 13 W"), ("44", "-118")):
            yield DEN, {**GOOD[DEN], "uncertainty_m": metres, "latitude": lat, "longitude": lon}
    yield from (("cub", {**GOOD["cub"], "teeth": teeth}) for teeth in TEETH)
    yield from (("cub", {**GOOD["cub"], "withdrawn": told}) for told in ("yes", "Y", "no", "maybe"))


def sighted_rows() -> Iterator[tuple[str, Row]]:
    """Write bearings of the entrance that were sighted either way, by column and by words."""
    for sighted in SIGHTED:
        for aspect in ASPECTS:
            for north in ("", "true", "magnetic", "grid"):
                yield DEN, {**GOOD[DEN], "aspect": aspect, "aspect_reference": north, "aspect_sighted": sighted}
        yield DEN, {**GOOD[DEN], "aspect": "", "aspect_sighted": sighted}
        yield DEN, {**GOOD[DEN], "aspect": "140", "aspect_sighted": sighted, "latitude": "x"}


def seen_rows() -> Iterator[tuple[str, Row]]:
    """Write dens that were seen from elsewhere: every field by itself, left out, alone, and in pairs."""
    changes: dict[str, tuple[str, ...]] = {
        "offset_bearing": (*ASPECTS, "75,5"), "offset_reference": (*NORTHS, "true-north"),
        "offset_bearing_error_deg": ("", "0", "-1", "90", "90.1", "2 deg", "2 %", "45", "x"),
        "offset_distance_m": ("", "0", "-1", "400 ft", "1,5", "2 km", "1e5", "1e30", "300 m", "12 %"),
        "offset_by": ("", "LASER", " tape ", "estimate", "esti-mate", "laser-", "guess", "__proto__", "l"),
        "offset_distance_error_m": ("", "0", "20 %", "20%", "%", "-5 %", "20 percent", "3 ft", "300", "x%", "1e3 %"),
        "offset_tilt_deg": ("", "0", "89.9", "-89.9", "90", "-90", "91", "12 %", "steep", "-12 deg"),
        "uncertainty_m": ("", "0", "x", "0.5", "0.04", "299.9", "400", "16 ft"),
        "date": ("", "no day", "24/02/2026", "2036-02-24", "1931-02-24"),
        "latitude": ("", "44", "44 30", "95"), "datum": ("NAD83", "Mars"),
    }  # fmt: skip
    for name, texts_ in changes.items():
        for text in texts_:
            for north in ("true", "magnetic", ""):
                yield DEN, {**SEEN, "offset_reference": north, name: text}
            yield DEN, {**SEEN, name: text, "offset_by": "estimate", "offset_distance_error_m": ""}
            yield DEN, {**SEEN, name: text, "offset_bearing_error_deg": "", "offset_distance_error_m": ""}
            yield DEN, {**GOOD[DEN], name: text}
    yield from ((DEN, {**SEEN, "latitude": "44", "longitude": "-118", "uncertainty_m": m}) for m in ("", "5", "900"))
    yield DEN, {**SEEN, "aspect": "140 to the mouth", "aspect_reference": "magnetic"}
    # Just inside and outside what is usual, by the width of a compass point and by the tilt.
    for bearing, metres, tilt in (("N", 1300, 0), ("N", 1320, 0), ("NNE", 2400, 0), ("NNE", 2600, 0), ("N", 2400, 60)):
        yield DEN, {**SEEN, "offset_bearing": bearing, "offset_distance_m": f"{metres}", "offset_tilt_deg": f"{tilt}"}


def mixed_seen_rows(count: int) -> Iterator[tuple[str, Row]]:
    """Change three fields at once of a den seen from elsewhere."""
    chance = random.Random(20260226)  # noqa: S311 - as above
    own = {t.name: t for t in terms_of(DEN)}
    names = [*SEEN_FIELDS, *SEEN_FIELDS, "uncertainty_m", "date", "aspect", "aspect_sighted", "latitude"]
    bearings = (*ASPECTS, *ANGLES[:9])
    for _ in range(count):
        drawn = {name: chance.choice([*(texts(own[name]) if own[name].kind != "text" else bearings), *HOSTILE])
                 for name in chance.sample(names, 3)}  # fmt: skip
        yield DEN, SEEN | drawn


def clock_rows() -> Iterator[tuple[str, Row]]:
    """Write the times of a handling: in order, out of it, past midnight, and where the clocks are changed."""
    for day in ("2026-02-24", "2025-11-02", "2025-03-09", "", "no day"):
        for times in CLOCKS:
            named = dict(zip(("darted", "down", "first_handled"), times, strict=True))
            yield "handling", {**GOOD["handling"], "date": day, **named}
    yield from (
        ("check", {**GOOD["check"], "checked_on": day, "checked": "01:30"}) for day in ("2025-11-02", "2025-03-09")
    )


def mixed_rows(count: int) -> Iterator[tuple[str, Row]]:
    """Change several fields of a good row at once."""
    chance = random.Random(20260224)  # noqa: S311 - as above
    for _ in range(count):
        kind = chance.choice(FORM_KINDS)
        known = [
            term for term in terms_of(kind) if term.name in (*GOOD[kind], "notes") or term.kind in ("number", "choice")
        ]
        known = [term for term in known if term.name not in ("easting", "northing", "x", "y")]
        changed = chance.sample(known, 3)
        yield kind, GOOD[kind] | {t.name: chance.choice([*texts(t), *HOSTILE]) for t in changed}


def office(kind: str, row: Row, settings: Settings, known: KnownRecords) -> list[Problem]:
    """Read a row as intake does."""
    headings = understand(list(row), {}, file="field.geojson", terms=terms_of(kind))
    raw = RawRow("field.geojson", 1, headings.sort(row), row)
    if kind == DEN:
        return list(read_row(raw, settings, now=NOW).problems)
    return list(read_record(raw, KINDS[kind], settings, known, now=NOW).problems)


def known_to_all() -> KnownRecords:
    """A register that holds the den of the good rows and a visit on its day."""
    den = str(record_uuid("x" * 8, "den", "D-2026-14"))
    visits = {(den, dt.date(2026, 2, 24)): den}
    return KnownRecords(dens={folded_label("D-2026-14"): (den, "D-2026-14")}, visits=visits)


def said_by_office(kind: str, row: Row, settings: Settings, known: KnownRecords) -> set[tuple[str, str]]:
    """Give field and level of what intake says, without what only the register can know."""
    told = [p for p in office(kind, row, settings, known) if not re.search("|".join(UNKNOWN_ON_PHONE), p.message)]
    return {(p.field, LEVELS[p.level]) for p in told}


def compared(kind: str, row: Row, office_says: set[tuple[str, str]], phone_says: set[tuple[str, str]]) -> str:
    """Say how the two differ, but for these: intake reads on only after an error is mended, the form reads all.

    1. Where intake has an error, only errors are compared. 2. Of a place intake tells the first error, before it
    reads the uncertainty. 3. A needed time is asked for once the rest is right. 4. A missing place is told at
    the latitude, a datum that a grid reference cannot be on at the datum. 5. A slope in percent is kept in degrees.
    6. Which EPSG code is a datum only PROJ knows. 7. Of a den seen from elsewhere intake tells the first error, once
    the place is right.
    """
    same = {"coordinates": "latitude", "slope_pct": "slope_deg"} | (
        {"longitude": "latitude"} if row.get("coordinates") else {}
    )
    first = {(same.get(field, field), level) for field, level in office_says}
    second = {(same.get(field, field), level) for field, level in phone_says}
    if any(
        sign.isdigit() for sign in row.get("datum", "").upper().replace("84", "").replace("83", "").replace("27", "")
    ):
        first, second = ({one for one in found if one[0] != "datum"} for found in (first, second))
    errors = {field for field, level in first if level == "error"}
    if errors:
        first, second = ({one for one in found if one[1] == "error"} for found in (first, second))
    if errors & PLACE_FIELDS:
        extra = PLACE_FIELDS | {"uncertainty_m", *SEEN_FIELDS}
        second = {one for one in second if one in first or one[0] not in extra} | (first if row.get("mgrs") else set())
    if errors & {"uncertainty_m", *SEEN_FIELDS}:
        second = {one for one in second if one in first or one[0] not in SEEN_FIELDS}
    late = {t.name for t in terms_of(kind) if t.kind == "time" and t.name in needed_of(kind)} if errors else set()
    second = {one for one in second if one in first or one[0] not in late}
    return "" if first == second else f"{kind} {row}: intake {sorted(first)}, phone {sorted(second)}"


@pytest.fixture(scope="module")
def page(chromium: Browser) -> Page:
    """One page with the clock stopped."""
    shown = chromium.new_page()
    shown.clock.set_fixed_time(NOW)
    return shown


def judged(page: Page, settings: Settings, rows: list[tuple[str, Row]]) -> list[list[dict[str, Any]]]:
    """Let the form judge every field of every row."""
    data = {"terms": rules(), "needed": {k: needed_of(k) for k in FORM_KINDS}, "reading": reading_of(settings)}
    names = {kind: [term.name for term in terms_of(kind)] for kind in FORM_KINDS}
    return page.evaluate(f"""(given) => {{
      "use strict";
      const [PAGE, names, rows] = given;
      const choiceWord = (value) => value, termHeading = (kind, name) => name;
      {browser_text("readings.js")}
      {browser_text("checks.js")}
      {browser_text("standpoint.js")}
      return rows.map(([kind, row]) => names[kind].flatMap((name) =>
        judge(kind, name, row[name] || "", row).map((found) => ({{name, ...found}}))));
    }}""", [data, names, rows])  # fmt: skip


def differences(page: Page, settings: Settings, rows: list[tuple[str, Row]]) -> list[str]:
    """List the rows on which intake and the form differ."""
    known, found = known_to_all(), judged(page, settings, rows)
    both = zip(rows, found, strict=True)
    told = (compared(k, row, said_by_office(k, row, settings, known), {(f["name"], f["level"]) for f in says})
            for (k, row), says in both)  # fmt: skip
    return [said for said in told if said]


@pytest.mark.parametrize("make", [single_rows, place_rows, crossed_rows, sighted_rows, seen_rows, clock_rows,
                                  lambda: mixed_rows(400), lambda: mixed_seen_rows(600)],
                         ids=["single", "place", "crossed", "sighted", "seen", "clock", "mixed", "mixed seen"]
)  # fmt: skip
def test_the_phone_says_what_intake_says(page, make) -> None:
    """Row by row, field by field, level by level."""
    rows = list(make())
    assert len(rows) > 30
    assert differences(page, settings_of(), rows) == []


@pytest.mark.parametrize("extra", [
    'decimal = ","', 'date_order = "day first"', 'date_order = "month first"', 'aspect_reference = "magnetic"',
    'aspect_reference = "true"', "assumed_uncertainty_m = 60", OWN_ERRORS,
])  # fmt: skip
def test_the_studys_own_settings_count_on_the_phone(page, extra) -> None:
    """Decimal comma, order of day and month, north, the uncertainty that is assumed, errors of sightings."""
    rows = [(DEN, {**GOOD[DEN], "date": day}) for day in DAYS]
    rows += [(DEN, {**GOOD[DEN], "aspect": aspect, "aspect_reference": ""}) for aspect in ASPECTS]
    rows += [
        (DEN, {**GOOD[DEN], name: text}) for name in ("depth_cm", "latitude") for text in ("44,5", "1,500", "44,5123 N")
    ]
    rows += [
        (DEN, {**GOOD[DEN], "latitude": text, "longitude": "-118", "uncertainty_m": ""})
        for text in ("44.512", "44.5123")
    ]
    rows += seen_rows() if "date_order" not in extra else ()
    assert differences(page, settings_of(extra), rows) == []


def test_a_long_text_takes_no_time(page) -> None:
    """Neither the office nor the phone hangs on a cell that a cat has walked over."""
    plain = {name: text for name, text in SEEN.items() if name not in ("latitude", "longitude")}
    rows = [(DEN, {**(plain if name == "coordinates" else SEEN), name: text}) for text in LONG for name in
            ("latitude", "coordinates", "aspect", "offset_bearing", "offset_distance_m", "date")]  # fmt: skip
    begun = time.process_time()
    assert differences(page, settings_of(), rows) == []
    assert time.process_time() - begun < 10


def test_a_datum_is_asked_for_on_the_phone_too(page) -> None:
    """A study that names none gets none guessed."""
    assert differences(page, parse(STUDY_TOML + ZONE), list(place_rows())) == []


def test_every_finding_has_words_with_these_placeholders(page) -> None:
    """What is said is in the list of messages, with just the values that the list names."""
    rows = [*single_rows(), *place_rows(), *crossed_rows(), *sighted_rows(), *seen_rows(), *clock_rows()]
    bare = judged(page, parse(STUDY_TOML + ZONE), list(place_rows()))
    found = [one for says in (*judged(page, settings_of(), rows), *bare) for one in says]
    for one in found:
        assert set(MESSAGES[one["key"]]) == set(one["values"]), one["key"]
    said = {one["key"] for one in found}
    assert {key for key in MESSAGES if key.startswith("check.")} - said == set()


def test_all_keys_of_the_scripts_are_listed() -> None:
    """A message that nobody lists would show as its key."""
    used = {
        key
        for name in SCRIPTS
        for key in re.findall(r'"((?:check|position|bearing|photo)\.[a-z_]+)"', browser_text(name))
    }
    assert used == set(MESSAGES)


def test_rules_are_plain_json_of_the_terms() -> None:
    """Bounds, unit and choices as in the table of terms, nothing where a term has none."""
    term = by_name()["slope_deg"]
    assert rules()["den.slope_deg"] == {
        "kind": "number", "floor": 0, "ceiling": 90, "low": 0, "high": 60, "unit": term.unit,
    }  # fmt: skip
    assert rules()["den.notes"] == {"kind": "text"}
    assert rules(["cub"])["cub.sex"]["choices"] == ["female", "male", "unknown"]
    assert needed_of("cub") == ["den_label", "date", "cub_no", "sex"]
    assert json.loads(json.dumps([rules(), reading_of(settings_of())])) == [rules(), reading_of(settings_of())]


def test_nothing_of_the_study_but_how_it_writes_is_handed_to_the_phone() -> None:
    """The page gets no name, no path, no column of the study's own."""
    text = json.dumps(reading_of(settings_of('[intake.columns]\nsecret = "notes"\n')))
    assert "secret" not in text
    assert "Test study" not in text
