"""Who an animal is: from any mark, a piece of one, or a slip, and what is known of it."""

import datetime as dt
import json

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from densite import identity
from densite.animals import frame_of
from densite.cli.animal import animal
from densite.identity import EXACT, FRAGMENT, SLIP, as_json, as_text, look_up
from densite.identity.beware import beware
from densite.marks.events import events_of
from densite.marks.known import Marks

TODAY = dt.date(2026, 3, 1)
HERS, OTHER, CUB = "985112003456781", "985112003456785", "985112007654321"


def day(text):
    """Read a day."""
    return dt.date.fromisoformat(text)


def mark(number, name, date, kind, code, event="put on", **more):
    """Return a mark record."""
    return {"record_id": f"m{number}", "animal": name, "date": day(date), "mark_kind": kind, "mark_code": code,
            "mark_event": event} | more  # fmt: skip


def frames():
    """Return the records of a small study: OB-031 with two litters, OB-044 with marks like hers."""
    marks = [
        mark(1, "OB-031", "2022-02-20", "ear tag", "14", side="left", colour="red"),
        mark(2, "OB-031", "2022-02-20", "ear tag", "14", side="right", colour="blue"),
        mark(3, "OB-031", "2022-02-20", "transponder", HERS),
        mark(4, "OB-031", "2022-02-20", "lip tattoo", "B031"),
        mark(5, "ob 31", "2024-02-25", "transponder", HERS, "seen"),
        mark(6, "OB-031", "2024-02-25", "collar", "S-40071", neck_cm=58.0, collar_gap_cm=3.0),
        mark(7, "OB-031", "2026-02-24", "ear tag", "14", "lost", side="right", colour="blue"),
        mark(8, "OB-044", "2023-02-20", "ear tag", "14", side="left", colour="green"),
        mark(9, "OB-044", "2023-02-20", "transponder", OTHER),
    ]
    cubs = [
        cub(1, "2024-02-25", 1, "OB-031-24a", "female", transponder=CUB, mass_g=1900.0, eyes="closed"),
        cub(2, "2024-02-25", 2, "OB-031-24b", "male"),
        cub(3, "2024-03-10", 1, "OB-031-24a", "female", mass_g=2600.0, eyes="open"),
        cub(4, "2026-02-24", 1, None, "unknown", dead="yes", den="D-2"),
    ]
    handlings = [
        {"record_id": "h1", "animal": "OB-031", "date": day("2024-02-25"), "den_label": "D-1", "mass_kg": 82.0,
         "condition_score": 3.0, "lactating": "yes"},
        {"record_id": "h2", "animal": "OB-031", "date": day("2026-02-24"), "den_label": "D-2", "mass_kg": 91.5},
    ]  # fmt: skip
    animals = [
        {"record_id": "a1", "animal": "OB-031", "sex": "female", "cementum_age_y": 5.0, "cementum_year": 2022.0,
         "dam": "OB-007"},
        {"record_id": "a2", "animal": "OB-044", "sex": "female", "age_class": "adult", "first_seen": day("2023-02-20")},
        {"record_id": "a3", "animal": "OB-060", "sex": "male", "dam": "OB-031", "born_on": day("2020-01-20")},
        {"record_id": "a4", "animal": "OB-061", "sex": "male", "cementum_age_y": 3.0},
    ]  # fmt: skip
    dens = pd.DataFrame(
        {"label": ["D-1", "D-2", "D-0"], "den_type": ["tree", "rock ledge", "brush"],
         "landscape_class": ["wildland", None, "urban"]}, index=pd.Index(["d1", "d2", "d0"], name="den_id"),
    )  # fmt: skip
    visits = pd.DataFrame({"female": ["OB-031", None, "ob31"], "den_id": ["d1", "d2", "d0"],
                           "observed_on": [day("2024-02-25"), day("2025-01-01"), day("2022-02-20")]})  # fmt: skip
    return {"animals": frame_of("animal", animals), "marks": frame_of("mark", marks), "cubs": frame_of("cub", cubs),
            "handlings": frame_of("handling", handlings), "dens": dens, "visits": visits}  # fmt: skip


def cub(number, date, cub_no, cub_id, sex, den="D-1", **more):
    """Return a cub record of OB-031."""
    return {"record_id": f"c{number}", "female": "OB-031", "den_label": den, "date": day(date), "cub_no": cub_no,
            "cub_id": cub_id, "sex": sex} | more  # fmt: skip


STUDY = frames()


def asked(query):
    """Return who is found, as animal and tier."""
    return [(each.animal, each.match) for each in look_up(query, **frames(), today=TODAY)]


@pytest.mark.parametrize(
    "query",
    [
        HERS, "985 112 003 456 781", "985.112003456781", "chip 985112003456781", "B031",
        "tattoo b-31", "red 14", "14 red", "r14", "left red 014", "blue 14", "right 14", "ear tag red 14", "S-40071",
        "collar s40071", "OB-031", "ob31", "bear OB 31",
    ],
)  # fmt: skip
def test_exact_by_any_mark(query) -> None:
    """Every mark of hers, in the ways a crew writes it."""
    assert asked(query) == [("OB-031", EXACT)]


@pytest.mark.parametrize(
    ("query", "animals"),
    [
        ("14", ["OB-031", "OB-044"]),
        ("L14", ["OB-031", "OB-044"]),
        ("g14", ["OB-044"]),
        ("green 14", ["OB-044"]),
        (CUB, ["OB-031-24a"]),
        ("OB-031-24b", ["OB-031-24b"]),
        ("OB-007", ["OB-007"]),
        ("OB-060", ["OB-060"]),
    ],
)
def test_exact_with_several_or_others(query, animals) -> None:
    """A bare number fits two; cubs and parents that are only named are found too."""
    assert asked(query) == [(name, EXACT) for name in animals]


@pytest.mark.parametrize(
    ("query", "animals"),
    [
        ("3456781", ["OB-031"]),
        ("98511200345", ["OB-031", "OB-044"]),
        ("985*781", ["OB-031"]),
        ("9851...6785", ["OB-044"]),
        ("4007", ["OB-031"]),
        ("031-24", ["OB-031-24a", "OB-031-24b"]),
        ("44", ["OB-044"]),
    ],
)
def test_fragments(query, animals) -> None:
    """Part of a code or id, with gaps; the number of an animal alone."""
    assert sorted(asked(query)) == [(name, FRAGMENT) for name in animals]


@pytest.mark.parametrize(
    "query",
    ["985112007654231", "985112007654329", "98511200765421", "9851120O7654321", "OB-O31-24a"],
)
def test_one_slip_off_is_not_found_but_told(query) -> None:
    """Swapped, one off, one missing, a letter O: said so."""
    assert asked(query) == [("OB-031-24a", SLIP)]


@pytest.mark.parametrize("query", ["", "  ", "zz", "77", "*", "985999999999999", "???", "\u200b"])
def test_nobody(query) -> None:
    """Too short, too strange, or simply unknown."""
    assert asked(query) == []


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=20))
def test_any_question_has_an_answer(query) -> None:
    """No text that is typed ends in an error, and the answer can be written."""
    found = look_up(query, **STUDY, today=TODAY)
    assert as_text(query, found)
    assert json.loads(as_json(query, found))["query"] == query


def test_her_life() -> None:
    """Age by tooth, parents, dens by day, litters by winter, young, measurements, marks."""
    (her,) = look_up("red 14", **frames(), today=TODAY)
    assert (her.sex, her.age_y, her.dam, her.young) == ("female", 9.0, "OB-007", ("OB-060",))
    assert "by its tooth 5 y in 2022" in her.age
    assert [(use.den_label, use.den_type, use.known_from) for use in her.dens] == [
        ("D-0", "brush", "visit"), ("D-1", "tree", "visit"), ("D-1", "tree", "cubs"), ("D-2", "rock ledge", "handling"),
    ]  # fmt: skip
    assert her.dens[-1].landscape_class == ""
    first, second = her.litters
    assert (first.winter, first.cubs, first.sexes, first.names) == (
        2024, 2, {"female": 1, "male": 1}, ("OB-031-24a", "OB-031-24b"),
    )  # fmt: skip
    assert (second.winter, second.cubs, second.dead, second.names) == (2026, 1, 1, ("cub 1 of D-2, 2026-02-24",))
    assert [each.values["mass_kg"][0] for each in her.measured] == [82.0, 91.5]
    assert her.measured[0].values["neck_cm"] == (58.0, "cm")
    gone = [worn for worn in her.marks if worn.ended_by]
    assert [(worn.words, worn.on_to) for worn in gone] == [("ear tag blue 14 right", day("2026-02-24"))]


def test_litters_over_visits_and_years() -> None:
    """A cub numbered first and named later is one; a litter met in December belongs to the next winter."""
    rows = [cub(1, "2025-12-28", 1, None, "unknown"), cub(2, "2026-02-24", 1, "OB-031-26a", "male"),
            cub(3, "2026-02-24", 2, "OB-031-26b", "male")]  # fmt: skip
    (her,) = look_up("red 14", **{**frames(), "cubs": frame_of("cub", rows)}, today=TODAY)
    (litter,) = her.litters
    assert (litter.winter, litter.cubs, litter.sexes) == (2026, 2, {"male": 2})


def test_marks_that_are_still_on_come_first() -> None:
    """A lost tag's animal stands behind the one that carries the number now."""
    lost = mark(20, "OB-031", "2025-02-24", "ear tag", "14", "lost", side="left", colour="red")
    marks = pd.concat([frames()["marks"], frame_of("mark", [lost])])
    found = look_up("left 14", **{**frames(), "marks": marks}, today=TODAY)
    assert [each.animal for each in found] == ["OB-044", "OB-031"]
    assert found[1].why == ("ear tag red 14 left, lost 2025-02-24",)


def test_beware_of_codes_like_hers() -> None:
    """A neighbour of the same box is told to who asked for the transponder, and to nobody else."""
    (her,) = look_up(HERS, **frames(), today=TODAY)
    assert her.beware == ("transponder 985 112 003 456 785 of OB-044 is one digit off",)
    (piece,) = look_up("3456781", **frames(), today=TODAY)
    assert piece.beware == her.beware
    assert [look_up(name, **frames(), today=TODAY)[0].beware for name in ("OB-031", "B031", "S-40071")] == [()] * 3


def worn(*codes, kind="transponder", **more):
    """Return marks that were put on animals A, B, C ... on one day."""
    rows = [mark(n, chr(65 + n), "2024-02-25", kind, code, **more) for n, code in enumerate(codes)]
    return Marks(frame_of("animal", []), events_of(frame_of("mark", rows), frame_of("cub", [])))


def told(known, **how):
    """Return the warnings for animal A."""
    return beware([w for w in known.wearings if w.first.key == "A"], known, **how)


def test_beware_of_a_slip_that_no_box_explains() -> None:
    """A digit in the middle: told whatever was asked, unless the numbers round about are a dense series."""
    base = 985112003450781
    known = worn(str(base), str(base + 5000))
    assert told(known, by_transponder=False) == ("transponder 985 112 003 455 781 of B is one digit off",)
    series = worn(*(str(base + 1000 * n) for n in range(10)))  # ten codes in 10 000 numbers
    assert told(series, by_transponder=False) == ()
    assert told(series, by_transponder=True)[3:] == ("and 6 more transponders as near as these",)


def test_beware_of_a_code_written_in_part() -> None:
    """Fourteen digits of another's transponder are its slip."""
    assert "one character missing" in told(worn("985112003456781", "98511200345678"), by_transponder=False)[0]


@pytest.mark.parametrize(
    ("kind", "codes", "more", "warned"),
    [
        ("collar", ("KC-1204", "KC-1211"), {}, 0),
        ("collar", ("KC-1204", "KC-1204"), {}, 1),
        ("lip tattoo", ("B031", "B032"), {}, 0),
        ("lip tattoo", ("B031", "B031"), {}, 1),
        ("ear tag", ("14", "14"), {"side": "left", "colour": "red"}, 1),
        ("ear tag", ("14", "15"), {"side": "left", "colour": "red"}, 0),
    ],
)
def test_numbers_of_a_series_are_no_warning(kind, codes, more, warned) -> None:
    """Tags, tattoos and collars are told where they are the same only."""
    assert len(told(worn(*codes, kind=kind, **more), by_transponder=False)) == warned


def test_hostile_text_stays_on_its_line() -> None:
    """Line breaks, escapes and signs that turn the direction of writing do not leave the value."""
    rows = frame_of("animal", [{"record_id": "a", "animal": "OB-1", "sex": "female",
                                "dam": "x\nBEWARE\x1b[2J\u202e"}])  # fmt: skip
    text = as_text("OB-1", look_up("OB-1", **{**frames(), "animals": rows}, today=TODAY))
    assert "dam x BEWARE [2J" in text
    assert not {"\x1b", "\u202e"} & set(text)


def test_seen_but_never_put_on() -> None:
    """The day stands beside what happened on it."""
    marks = frame_of("mark", [mark(1, "OB-1", "2024-02-25", "lip tattoo", "B1", "seen")])
    text = as_text("B1", look_up("B1", **{**frames(), "marks": marks}, today=TODAY))
    assert "lip tattoo B1: seen 2024-02-25, never put on" in text


def test_a_cubs_own_life() -> None:
    """Her mother, her measurements at both visits, her age."""
    (young,) = look_up(CUB, **frames(), today=TODAY)
    assert (young.animal, young.dam, young.sex, young.age_y) == ("OB-031-24a", "OB-031", "female", 2.0)
    assert [each.values["mass_g"] for each in young.as_cub] == [(1900.0, "g"), (2600.0, "g")]
    assert [use.known_from for use in young.dens] == ["cub record", "cub record"]


@pytest.mark.parametrize(
    ("name", "age", "years"),
    [
        ("OB-044", "adult when first seen, 2023-02-20", None),
        ("OB-060", "6.1 y (born 2020-01-20, known)", 6.1),
        ("OB-061", "3 y when its tooth was drawn, year not recorded", None),
        ("OB-007", "unknown", None),
    ],
)
def test_how_the_age_is_known(name, age, years) -> None:
    """Known birth, tooth without a year, class, nothing."""
    (found,) = look_up(name, **frames(), today=TODAY)
    assert (found.age, found.age_y) == (age, years)


def test_text_for_a_crew() -> None:
    """What was asked and who it is stand first, then the marks to look for, latest years first."""
    lines = as_text("red 14", look_up("red 14", **frames(), today=TODAY)).splitlines()
    assert lines[0] == "'red 14': one animal."
    assert lines[2].startswith("OB-031: female, 9 y in 2026")
    assert lines[3] == "  Found by   ear tag red 14 left"
    (seen,) = (at for at, line in enumerate(lines) if line.startswith("  Look for"))
    assert "ear tag red 14 left: put on 2022-02-20" in lines[seen]
    text = "\n".join(lines)
    assert "transponder 985 112 003 456 781: put on 2022-02-20, last seen 2024-02-25" in text
    assert "Gone       ear tag blue 14 right: put on 2022-02-20, lost 2026-02-24" in text
    assert "lip tattoo B031: put on" in text
    assert "collar S-40071: put on" in text
    assert "1 cub (1 unknown), 1 dead: cub 1 of D-2" in text
    assert "mass 91.5 kg" in text
    assert text.index("2026-02-24  D-2") < text.index("2024-02-25  D-1")
    assert "nan" not in text.lower()
    assert "None" not in text


def test_text_says_what_is_doubtful() -> None:
    """Several animals, a mere likeness, nobody, too short a piece, very many."""

    def said(query):
        return as_text(query, look_up(query, **frames(), today=TODAY))

    assert "fits 2 animals. It does not say which" in said("14")
    assert "nobody carries this mark. Near it, so read it again:" in said("985112007654231")
    assert "nobody carries this mark, one that it is a piece of" in said("zzz")
    assert "give at least three letters or digits" in said("zz")
    assert "three letters" not in said("zzz")
    many = said("OB-0")
    assert "fits 7 animals, by a piece of a mark" in many
    assert "Look for" not in many


def test_json() -> None:
    """What is found and what is only near stand apart; days are ISO 8601, missing ones null."""
    said = json.loads(as_json("14", look_up("14", **frames(), today=TODAY)))
    assert [each["animal"] for each in said["found"]] == ["OB-031", "OB-044"]
    assert said["found"][0]["marks"][0]["on_to"] in (None, "2026-02-24")
    assert said["found"][0]["litters"][0]["sexes"] == {"female": 1, "male": 1}
    near = json.loads(as_json("x", look_up("985112007654231", **frames(), today=TODAY)))
    assert (near["found"], [each["animal"] for each in near["near"]]) == ([], ["OB-031-24a"])


def test_nothing_recorded() -> None:
    """An empty study finds nobody."""
    empty = {name: frame.iloc[:0] for name, frame in frames().items()}
    assert look_up("OB-031", **empty, today=TODAY) == []


class FakeStudy:
    """A study that gives records, as the pipeline does."""

    def __enter__(self):
        """Open."""
        return self

    def __exit__(self, *_):
        """Close."""

    frame, visits = frames()["dens"], frames()["visits"]

    def records(self, kind):
        """Return the records of a kind."""
        return frames()[f"{kind}s"]


@pytest.mark.parametrize(("words", "code"), [(["red", "14"], 0), (["14"], 0), (["985112007654231"], 1), (["zzz"], 1)])
def test_command(monkeypatch, words, code) -> None:
    """Words need no quotes; exit code 1 where nobody was found, with what is near."""
    monkeypatch.setattr("densite.pipeline.open_study", lambda folder: FakeStudy())  # noqa: ARG005
    result = CliRunner().invoke(animal, words)
    assert result.exit_code == code
    assert " ".join(words) in result.output
    as_script = CliRunner().invoke(animal, ["--json", *words])
    assert json.loads(as_script.output)["query"] == " ".join(words)
    assert as_script.exit_code == code
    assert identity.SLIP == "one slip off"
