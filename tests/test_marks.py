"""Marks: their courses over the years, and the records that cannot all be right."""

import datetime as dt
from itertools import combinations, count

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from densite.animals import frame_of
from densite.animalterms import MARK_EVENTS, MARK_KINDS
from densite.marks import animal_key, events_of, findings, history, mark_key, near_pairs, one_slip, wearings

LINE = count(2)
A, B, C = "985112003456781", "985112007456784", "985112009951230"


def day(text):
    """Read a day; None stays None."""
    return dt.date.fromisoformat(text) if text else None


def animals(*names, **more):
    """Return a list of animals."""
    return frame_of("animal", [{"record_id": name, "animal": name, "sex": "female"} | more for name in names])


def marks(*rows):
    """Return mark records from 'animal day kind code event side colour settled', blanks as '-'."""
    records = []
    for row in rows:
        animal, date, kind, code, event, *rest = (None if part == "-" else part for part in row)
        side, colour, settled = (*rest, None, None, None)[:3]
        line = next(LINE)
        records.append({
            "record_id": f"m{line}", "animal": animal, "date": day(date), "mark_kind": kind, "mark_code": code,
            "mark_event": event, "side": side, "colour": colour, "settled": settled, "source_file": "marks.csv",
            "source_line": line,
        })  # fmt: skip
    return frame_of("mark", records)


def cubs(*rows):
    """Return cub records from 'female den day number id transponder'."""
    records = []
    for row in rows:
        female, den, date, number, cub_id, transponder = (None if part == "-" else part for part in row)
        line = next(LINE)
        records.append({
            "record_id": f"c{line}", "female": female, "den_label": den, "date": day(date), "cub_no": number,
            "cub_id": cub_id, "transponder": transponder, "sex": "female", "source_file": "cubs.csv",
            "source_line": line,
        })  # fmt: skip
    return frame_of("cub", records)


def told(*rows, cub_rows=(), listed=("OB-031", "OB-044", "OB-050")):
    """Return the findings about mark rows as text."""
    return [str(problem) for problem in findings(animals(*listed), marks(*rows), cubs(*cub_rows))]


def one(*rows, **more):
    """Return the only finding."""
    (line,) = told(*rows, **more)
    return line


def chip(animal, date, code, event="put on", **_):
    """Return a transponder's row."""
    return (animal, date, "transponder", code, event)


def tag(animal, date, code, event="put on", side="left", colour="red"):
    """Return an ear tag's row."""
    return (animal, date, "ear tag", code, event, side, colour)


def collar(animal, date, event="put on"):
    """Return a collar's row."""
    return (animal, date, "collar", "77", event)


def test_a_collar_handed_on() -> None:
    """From the day of its removal on, with or without its own beginning; while it is on, it is told."""
    on, off, other = (
        collar("OB-031", "2020-03-01"),
        collar("OB-031", "2022-03-01", "removed"),
        collar("OB-044", "2022-03-01"),
    )
    assert told(on, off, other, collar("OB-044", "2023-03-01", "seen")) == []
    assert "collar 77 was removed, but never put on" in one(off, other)
    seen = collar("OB-044", "2023-03-01", "seen")
    assert "collar 77 was seen, but never put on" in one(on, off, seen)
    assert "marks disagree: collar 77 is OB-031's" in one(on, seen)
    assert "collar 77 is on OB-031 too" in one(on, other)
    assert "was seen, but never put on" in one(collar("OB-044", "2021-03-01", "seen"), collar("OB-031", "2021-03-02"))
    assert "marks disagree" in one(collar("OB-044", "2022-02-28", "seen"), on, off)
    assert "was seen, but never put on" in one(collar("OB-044", "2022-03-01", "seen"), on, off)
    assert "marks disagree" in one(collar("OB-044", "-", "seen"), on, off)


def test_a_tag_replaced_with_the_same_number() -> None:
    """In the same ear or the other one, on the day of its loss; seen later with the ear left blank."""
    on, lost, seen = (
        tag("OB-031", "2020-03-01", "14"),
        tag("OB-031", "2021-03-01", "14", "lost"),
        tag("OB-031", "2022-03-01", "14", "seen", "-"),
    )
    for side in ("left", "right"):
        assert told(on, lost, tag("OB-031", "2021-03-01", "14", side=side), seen) == []
    assert "ear tag red 14 left was put on again" in one(on, tag("OB-031", "2021-03-01", "14"))
    courses = history(marks(on, lost, tag("OB-031", "2021-03-01", "14", side="right"), seen), cubs())
    assert courses["how_known"].tolist() == ["put on", "put on"]


@pytest.mark.parametrize("text", ["OB-031", "ob31", "OB 031", "ob_031", " OB-31 "])
def test_spellings_of_an_animal(text) -> None:
    """Case, dashes and leading zeros do not count."""
    assert animal_key(text) == "OB-31"


def test_cubs_id_is_not_her_mothers() -> None:
    """What follows is kept."""
    assert animal_key("OB-031-26a") == animal_key("ob31 26A") != animal_key("OB-031")


@pytest.mark.parametrize(
    ("kind", "code", "side", "colour", "key"),
    [
        ("ear tag", "Red 014", "left", "red", "14"),
        ("ear tag", "L14", "left", "", "14"),
        ("ear tag", "L14", "", "", "L14"),
        ("ear tag", "L", "left", "", "L"),
        ("ear tag", "A-14", "right", "red", "A14"),
        ("ear tag", "1-23", "right", "red", "1-23"),
        ("lip tattoo", "b 031", "", "", "B31"),
        ("collar", "SN 0012345", "", "", "12345"),
        ("transponder", "985 112.003-456781", "", "", A),
        ("transponder", "98511 2003", "", "", "985112003"),
    ],
)
def test_spellings_of_a_mark(kind, code, side, colour, key) -> None:
    """Colour, side, zeros and separators that people write into the number."""
    assert mark_key(kind, code, side=side, colour=colour) == key


def test_history_of_a_tag() -> None:
    """Put on, seen, lost, replaced: two stretches with their ends."""
    rows = (tag("OB-031", "2024-02-20", "14"), tag("ob 31", "2025-02-21", "014", "seen"),
            tag("OB-031", "2026-02-24", "14", "lost"), tag("OB-031", "2026-02-24", "77"))  # fmt: skip
    frame = history(marks(*rows), cubs())
    first, second = frame.to_dict("records")
    assert (first["mark_code"], first["on_from"], first["on_to"]) == ("14", day("2024-02-20"), day("2026-02-24"))
    assert (first["ended_by"], first["last_seen"], first["how_known"]) == ("lost", day("2025-02-21"), "put on")
    assert (second["mark_code"], second["on_to"], second["ended_by"]) == ("77", None, None)
    assert told(*rows) == []


def test_history_says_how_it_is_known() -> None:
    """Only seen, only its loss, seen after a loss, day unknown, from a cub record."""
    rows = (
        ("OB-031", "2024-02-20", "collar", "C1", "seen"),
        ("OB-044", "2024-02-20", "collar", "C2", "removed"),
        ("OB-050", "-", "collar", "C3", "put on"),
        ("OB-060", "2023-02-20", "collar", "C4", "put on"),
        ("OB-060", "2024-02-20", "collar", "C4", "lost"),
        ("OB-060", "2025-02-20", "collar", "C4", "seen"),
    )
    frame = history(marks(*rows), cubs(("OB-031", "D-1", "2026-02-24", 1, "OB-031-26a", A)))
    assert list(frame["how_known"]) == [
        "seen, never put on", "put on (cub record)", "only known as removed", "put on, day unknown", "put on",
        "seen, though lost 2024-02-20",
    ]  # fmt: skip
    assert list(frame["on_from"])[2] is None


def test_order_of_one_day() -> None:
    """A collar taken off and put on again on one day is two stretches without a finding; one put on and lost is one."""
    refitted = (("OB-031", "2024-02-20", "collar", "C1", "put on"), ("OB-031", "2026-02-24", "collar", "C1", "put on"),
                ("OB-031", "2026-02-24", "collar", "C1", "removed"))  # fmt: skip
    assert list(history(marks(*refitted), cubs())["ended_by"]) == ["removed", None]
    assert told(*refitted) == []
    short = (refitted[2], refitted[1])
    assert list(history(marks(*short), cubs())["ended_by"]) == ["removed"]


def test_a_failed_mark_may_be_seen_again() -> None:
    """A chip that could not be read and then could is on all the time; a new one after a failure is right."""
    rows = (chip("OB-031", "2024-02-20", A), chip("OB-031", "2025-02-20", A, "failed"),
            chip("OB-031", "2026-02-20", A, "seen"))  # fmt: skip
    assert list(history(marks(*rows), cubs())["ended_by"]) == [None]
    assert told(*rows) == []
    assert told(*rows[:2], chip("OB-031", "2025-02-20", B)) == []
    assert (
        told(collar("OB-031", "2024-02-20"), collar("OB-031", "2025-02-20", "failed"), collar("OB-031", "2025-02-21"))
        == []
    )


def test_one_number_in_both_ears_is_two_tags() -> None:
    """Paired tags are common; each ear has its own course, and a row without a side shows both."""
    rows = (tag("OB-031", "2024-02-20", "14"), tag("OB-031", "2024-02-20", "14", side="right"),
            tag("OB-031", "2025-02-20", "14", "seen", side="-"), tag("OB-031", "2026-02-20", "14", "lost"))  # fmt: skip
    frame = history(marks(*rows), cubs())
    assert list(zip(frame["side"], frame["ended_by"], strict=True)) == [("left", "lost"), ("right", None)]
    assert set(frame["last_seen"]) == {day("2025-02-20")}
    assert told(*rows) == []
    assert "which is meant?" in one(*rows[:2], tag("OB-031", "2026-02-20", "14", "lost", side="-"))


def test_both_ears_seen_on_one_day_are_two_tags() -> None:
    """Though nobody wrote down that they were put in; on two days it may be one tag, written on the wrong side."""
    same = (tag("OB-031", "2024-02-20", "14", "seen"), tag("OB-031", "2024-02-20", "14", "seen", side="right"))
    assert list(history(marks(*same), cubs())["side"]) == ["left", "right"]
    assert all("never put on" in line for line in told(*same))
    days = (same[0], tag("OB-031", "2026-02-20", "14", "seen", side="right"))
    assert list(history(marks(*days), cubs())["side"]) == ["left"]
    assert "which was left before" in one(*days)


def test_swapped_ears_are_one_finding() -> None:
    """Both tags on the wrong side: told once, with both, at the later record."""
    rows = (tag("OB-031", "2024-02-20", "14"), tag("OB-031", "2024-02-20", "15", side="right", colour="blue"),
            tag("OB-031", "2026-02-24", "14", "seen", side="right"),
            tag("OB-031", "2026-02-24", "15", "seen", colour="blue"))  # fmt: skip
    line = one(*rows)
    assert "OB-031, 2026-02-24: ear tag red 14 right, which was left before; ear tag blue 15 left" in line
    assert "swapped?" in line


def test_other_colour() -> None:
    """The same number in another colour."""
    line = one(tag("OB-031", "2024-02-20", "14"), tag("OB-031", "2026-02-24", "14", "seen", colour="orange"))
    assert "ear tag orange 14 left, which was red before" in line


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (chip("OB-031", "2020-02-20", A), chip("OB-044", "2026-02-24", A), 1),
        (("OB-031", "2020-02-20", "lip tattoo", "B31", "put on"),
         ("OB-044", "2026-02-24", "lip tattoo", "b-031", "put on"), 1),
        (tag("OB-031", "2020-02-20", "14"), tag("OB-044", "2026-02-24", "14", side="right"), 1),
        (tag("OB-031", "2020-02-20", "14"), tag("OB-044", "2026-02-24", "14", colour="blue"), 0),
        (("OB-031", "2020-02-20", "collar", "C1", "put on"), ("OB-044", "2026-02-24", "collar", "C1", "put on"), 1),
        (("OB-031", "2020-02-20", "collar", "C1", "seen"), ("OB-044", "2026-02-24", "collar", "C1", "seen"), 1),
    ],
)  # fmt: skip
def test_one_mark_on_two_animals(first, second, expected) -> None:
    """The later record is named, with the earlier one's animal and day."""
    lines = told(first, second)
    assert len(lines) == expected
    assert all("OB-044, 2026-02-24" in line and "OB-031 too" in line for line in lines)


def test_a_collar_may_change_its_animal() -> None:
    """Once it was removed; on the very day, too. A chip may not."""
    rows = (("OB-031", "2020-02-20", "collar", "C1", "put on"), ("OB-031", "2026-02-24", "collar", "C1", "removed"),
            ("OB-044", "2026-02-24", "collar", "C1", "put on"))  # fmt: skip
    assert told(*rows) == []
    line = one(*((*row[:2], "transponder", A, *row[4:]) for row in rows))
    assert "removed 2026-02-24" in line


def test_marks_that_disagree_about_who_it_is() -> None:
    """A tattoo of one animal with the tags of another: one finding for the day, with the vote."""
    rows = (("OB-031", "2022-02-20", "lip tattoo", "B31", "put on"), tag("OB-031", "2022-02-20", "14"),
            tag("OB-031", "2022-02-20", "15", side="right"),
            ("OB-044", "2022-02-21", "lip tattoo", "B44", "put on"))  # fmt: skip
    seen = (("OB-031", "2026-02-24", "lip tattoo", "B44", "seen"), tag("OB-031", "2026-02-24", "14", "seen"),
            tag("OB-031", "2026-02-24", "15", "seen", side="right"))  # fmt: skip
    line = one(*rows, *seen)
    assert "lip tattoo B44 is OB-044's, put on 2022-02-21; ear tag red 14 left, ear tag red 15 right is its own" in line
    assert "most marks say OB-031: was lip tattoo B44 misread?" in line
    assert "is the animal OB-044?" in one(*rows, *seen[:2])
    alone = one(*rows, seen[0])
    assert "no mark of its own was seen" in alone
    assert "is the animal OB-044?" in alone


def test_two_marks_at_once() -> None:
    """A second chip, collar, tattoo or tag of one ear needs the first one's end; the other ear does not."""
    for first, second in (
        (chip("OB-031", "2022-02-20", A), chip("OB-031", "2026-02-24", C)),
        (tag("OB-031", "2022-02-20", "14"), tag("OB-031", "2026-02-24", "77")),
        (("OB-031", "2022-02-20", "collar", "C1", "put on"), ("OB-031", "2026-02-24", "collar", "C9", "put on")),
    ):
        assert "was neither lost nor removed" in one(first, second)
        gone = (*second[:3], first[3], "lost", *first[5:])
        assert told(first, second, gone) == []
    assert told(tag("OB-031", "2022-02-20", "14"), tag("OB-031", "2026-02-24", "77", side="right")) == []
    assert told(tag("OB-031", "2022-02-20", "14", side="-"), tag("OB-031", "2026-02-24", "77")) == []


def test_never_put_on() -> None:
    """What it carries instead is named."""
    assert "add when it was put on" in one(chip("OB-031", "2026-02-24", A, "seen"))
    line = one(tag("OB-031", "2022-02-20", "114"), tag("OB-031", "2026-02-24", "14", "seen"))
    assert "ear tag red 14 left was seen, but never put on" in line
    assert "misread" in line
    line = one(tag("OB-031", "2022-02-20", "1145"), tag("OB-031", "2026-02-24", "1154", "seen"))
    assert "it has ear tag red 1145 left: was that meant?" in line
    near = [one(tag("OB-031", "2022-02-20", put_on), tag("OB-031", "2026-02-24", seen, "seen"))
            for put_on, seen in (("145", "146"), ("45", "46"))]  # fmt: skip
    assert ["was that meant?" in line for line in near] == [True, False]  # most numbers of two digits are near


def test_seen_after_its_loss() -> None:
    """And never twice for the same thing."""
    rows = (tag("OB-031", "2022-02-20", "14"), tag("OB-031", "2024-02-20", "14", "lost"),
            tag("OB-031", "2026-02-24", "14", "seen"))  # fmt: skip
    assert "was seen, though it was lost 2024-02-20" in one(*rows)
    assert told(*rows[:2], tag("OB-031", "2026-02-24", "14")) == []


def test_put_on_twice_and_seen_before() -> None:
    """Typed twice, or a wrong day."""
    assert "put on again" in one(chip("OB-031", "2022-02-20", A), chip("OB-031", "2026-02-24", A))
    line = one(chip("OB-031", "2026-02-20", A), chip("OB-031", "2022-02-24", A, "seen"))
    assert "seen before it was put on, 2026-02-20" in line


@pytest.mark.parametrize(("code", "said"), [("9.85112E+14", "spreadsheet"), ("999112003456781", "test code"),
                                            ("985000000000000", "no number")])  # fmt: skip
def test_codes_that_identify_nobody(code, said) -> None:
    """Cut codes, test codes, empty chips: told once, at their line."""
    line = one(chip("OB-031", "2022-02-20", code), chip("OB-031", "2026-02-20", code, "seen"))
    assert said in line
    assert line.startswith("marks.csv line ")


@pytest.mark.parametrize(
    ("code", "slip"),
    [("985112003456787", "one digit off"), ("985112003457681", "swapped"), ("986112003456781", "one digit off")],
)
def test_slips_on_one_animal(code, slip) -> None:
    """A code read that was never put on, or put on besides, one slip from what she carries."""
    for event in ("seen", "put on"):
        line = one(chip("OB-031", "2022-02-20", A), chip("OB-031", "2026-02-24", code, event))
        assert slip in line
        assert "985 112 003 456 781 of OB-031" in line
        assert "OB-031, 2026-02-24" in line


def test_slips_between_animals() -> None:
    """A code never put on beside another's is told, and so is a pair far apart; neighbours of a box are not."""
    line = one(chip("OB-031", "2022-02-20", A), chip("OB-044", "2026-02-24", "985112003456785", "seen"))
    assert "one digit off from 985 112 003 456 781 of OB-031" in line
    assert "one digit off" in one(chip("OB-031", "2022-02-20", A), chip("OB-044", "2026-02-24", "985112903456781"))
    assert "one digit off" in one(chip("OB-031", "2022-02-20", A), chip("OB-044", "2026-02-24", "985112003456981"))
    for neighbour in ("985112003456782", "985112003456711", "985112003456718"):
        assert told(chip("OB-031", "2022-02-20", A), chip("OB-044", "2026-02-24", neighbour)) == []


def test_a_long_series_is_no_slip() -> None:
    """Twelve hundreds of one series: a digit apart by design. Slips that no series explains are told."""
    rows = [chip(f"OB-{n:03d}", "2022-02-20", f"98511200345{n:02d}81") for n in range(12)]
    names = [row[0] for row in rows]
    assert told(*rows, listed=names) == []
    few = [chip(f"OB-{n:03d}", "2022-02-20", f"985112003456{n}81") for n in (1, 2, 3, 5, 7, 9)]
    assert told(*few, listed=names) == []
    assert told(*few[:5], listed=names) != []
    far = [*rows, chip("OB-099", "2022-02-20", "885112003450181"), chip("OB-098", "2022-02-20", "985182003450181")]
    assert len(told(*far, listed=[*names, "OB-098", "OB-099"])) == 2


def test_two_cubs_with_one_transponder() -> None:
    """On one visit: told once, at the second cub's line, under the cub record's column."""
    rows = (("OB-031", "D-1", "2026-02-24", 1, "OB-031-26a", A), ("OB-031", "D-1", "2026-02-24", 2, "-", A))
    (problem,) = findings(animals("OB-031"), marks(), cubs(*rows))
    assert (problem.field, problem.file, problem.value) == ("transponder", "cubs.csv", A)
    assert "cub 2 of D-1, 2026-02-24" in problem.message
    assert "OB-031-26a" in problem.message
    nameless = [(*row[:4], "-", A) for row in rows]
    assert "was written for cub 1 of D-1, 2026-02-24 too" in one(cub_rows=nameless)


def test_a_cubs_transponder_on_another_animal() -> None:
    """Under the mother, on another animal, or on the cub itself when it is grown."""
    cub = (("OB-031", "D-1", "2024-02-24", 1, "OB-031-24a", A),)
    assert "under the mother?" in one(chip("OB-031", "2024-02-24", A), cub_rows=cub)
    assert "grown up?" in one(chip("OB-044", "2026-02-24", A), cub_rows=cub)
    assert "is OB-031-24a's" in one(chip("OB-044", "2026-02-24", A, "seen"), cub_rows=cub)
    assert told(chip("ob31-24a", "2026-02-24", A, "seen"), cub_rows=cub) == []
    assert told(chip("OB-031-24a", "2024-02-24", A), cub_rows=cub) == []


def test_a_cub_without_an_id_is_known_by_its_transponder() -> None:
    """The one animal that was later read with it; a second visit is no second cub."""
    cub = (("OB-031", "D-1", "2024-02-24", 2, "-", A), ("OB-031", "D-1", "2024-03-10", 1, "-", A))
    frame = history(marks(chip("OB-050", "2026-02-24", A, "seen")), cubs(*cub))
    assert list(frame["animal"]) == ["OB-050"]
    assert told(chip("OB-050", "2026-02-24", A, "seen"), cub_rows=cub) == []
    assert told(chip("OB-050", "2024-02-24", A), cub_rows=cub[:1]) == []  # the same chip, written down twice that day
    (name,) = history(marks(), cubs(*cub))["animal"]
    assert name == "cub 2 of D-1, 2024-02-24"
    assert told(cub_rows=cub) == []
    assert "grown up?" in one(chip("OB-050", "2026-02-24", A), cub_rows=cub)


def test_tattoo_that_repeats_another_animals_tag() -> None:
    """Only where most tattoos of the study repeat the animal's own tag."""
    names = [f"OB-{n:03d}" for n in range(101, 107)]
    rows = [row for n, name in enumerate(names, 1) for row in (
        tag(name, "2022-02-20", f"{n}"), (name, "2022-02-20", "lip tattoo", f"{n}", "put on"))]  # fmt: skip
    assert told(*rows, listed=names) == []
    rows[1] = ("OB-101", "2022-02-20", "lip tattoo", "99", "put on")
    assert told(*rows, listed=names) == []
    rows[1] = ("OB-101", "2022-02-20", "lip tattoo", "6", "put on")
    rows[11] = ("OB-106", "2022-02-20", "lip tattoo", "98", "put on")
    half = [*rows[:3], ("OB-102", "2022-02-20", "lip tattoo", "96", "put on"), *rows[4:]]
    assert told(*half, listed=names) == []  # half of them tell nothing
    line = one(*rows, listed=names)
    assert "none of its ear tags' numbers, but that of OB-106" in line
    assert "4 of 6" in line


def test_animals_nobody_listed() -> None:
    """With the id that may be meant; an empty list of animals says nothing."""
    line = one(chip("OB-O31", "2026-02-24", A), listed=("OB-031", "OB-044"))
    assert "not in the list of animals" in line
    assert "is it OB-031?" in one(chip("OB-013", "2026-02-24", A), listed=("OB-031", "OB-999"))
    assert told(chip("OB-777", "2026-02-24", A), listed=()) == []
    assert len(told(chip("OB-777", "2026-02-24", A, "seen"))) == 2


def test_what_a_person_settled_is_left_out() -> None:
    """By the field, in the record at which the finding stands."""
    seen = (*chip("OB-031", "2026-02-24", A, "seen"), "-", "-")
    assert len(told((*seen, "mark_code"))) == 1
    assert told((*seen, "mark_code,mark_event")) == []


def test_no_records() -> None:
    """Empty frames are fine."""
    assert told(listed=()) == []
    assert history(marks(), cubs()).empty


EVENTS = st.tuples(
    st.sampled_from(["OB-031", "ob 44", "OB-050"]), st.sampled_from(["-", "2022-02-20", "2024-02-20", "2026-02-24"]),
    st.sampled_from(MARK_KINDS), st.sampled_from(["14", "15", A, "985112003456785", "?"]), st.sampled_from(MARK_EVENTS),
    st.sampled_from(["left", "right", "-"]), st.sampled_from(["red", "blue", "-"]),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(EVENTS, max_size=14))
def test_any_events_make_sound_courses(rows) -> None:
    """Whatever crews write: no event is dropped, no stretch ends before it begins, no finding is said twice."""
    frame = marks(*rows)
    events = events_of(frame, cubs())
    worn = wearings(events)
    assert {e.record_id for w in worn for e in w.events} == {e.record_id for e in events}
    for stretch in worn:
        assert not (stretch.put_on and stretch.on_from and stretch.on_to) or stretch.on_from <= stretch.on_to
        assert {e.key for e in stretch.events} == {stretch.first.key}
    assert len(history(frame, cubs())) == len(worn)
    lines = [str(problem) for problem in findings(animals("OB-031", "OB-044"), frame, cubs())]
    assert len(lines) == len(set(lines))
    assert all(line.startswith("marks.csv line ") for line in lines)


def test_near_pairs_are_all_that_pairwise_comparison_finds() -> None:
    """Against every pair in turn, in a crowd where slips are common."""
    rng = np.random.default_rng(5)
    codes = sorted({f"98511200{number:07d}" for number in rng.integers(0, 12000, 700)} | {f"0{n}2345678901234" for n in
                   range(10)} | {"999274877906943", "999274877906934", "001000000000000"})  # fmt: skip
    near = near_pairs(codes)
    found = {(codes[i], codes[j]): slip for i, j, slip in zip(near["first"], near["second"], near["slip"], strict=True)}
    plain = {pair: slip for pair in combinations(codes, 2) if (slip := one_slip(*pair))}
    assert found == plain
    assert len(near) == len(found) > 500
    assert all(codes[i][p] != codes[j][p] and codes[i][:p] == codes[j][:p]
               for i, j, p in zip(near["first"], near["second"], near["place"], strict=True))  # fmt: skip


@pytest.mark.parametrize("codes", [[], [A]])
def test_near_pairs_of_few(codes) -> None:
    """None and one."""
    assert near_pairs(codes).empty


@pytest.mark.parametrize(
    ("one_text", "other", "slip"),
    [
        ("1145", "1154", "two neighbouring digits swapped"),
        ("1145", "1149", "one digit off"),
        ("1145", "114", "one character missing or too many"),
        ("1145", "1145", ""),
        ("1145", "5141", ""),
        ("1145", "11", ""),
        ("1122", "2211", ""),
    ],
)
def test_one_slip(one_text, other, slip) -> None:
    """Both ways round."""
    assert one_slip(one_text, other) == one_slip(other, one_text) == slip
