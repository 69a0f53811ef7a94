"""Open questions about samples: labels, vials, animals, cub rows, results."""

import datetime as dt

import pytest

from densite.animals import frame_of
from densite.samples import findings
from densite.samples.review import label_findings

DAY = dt.date(2026, 2, 24)
ANIMALS = [{"animal": "OB-031", "sex": "female"}, {"animal": "OB-032", "sex": "female"}]
CUBS = [{"cub_no": 1.0, "cub_id": "OB-031-26a", "sex": "male", "sample_label": "C-1"}]
SAMPLES = [
    {"sample_label": "S-1", "tissue": "blood"},
    {"sample_label": "C-1", "tissue": "ear punch", "animal": "OB-031-26a"},
]


def frames(samples=SAMPLES, custody=None, results=(), cubs=CUBS, animals=ANIMALS):
    """Return the frames of a small sound study with changes."""
    taken = [{"animal": "OB-031", "date": DAY, "source_file": "s.csv", "source_line": n} | row
             for n, row in enumerate(samples, start=2)]  # fmt: skip
    steps = [{"sample_label": row["sample_label"], "step": "collected", "date": row["date"]} for row in taken]
    return (
        frame_of("sample", taken),
        frame_of("custody", steps if custody is None else [*steps, *custody]),
        frame_of("result", results),
        frame_of("cub", [{"den_label": "D-2026-14", "date": DAY, "female": "OB-031"} | cub for cub in cubs]),
        frame_of("animal", animals),
    )


def said(**changes) -> list[str]:
    """Return the findings as text."""
    return [str(problem) for problem in findings(*frames(**changes))]


def one(**changes) -> str:
    """Return the only finding."""
    (line,) = said(**changes)
    return line


def test_a_sound_study_has_no_findings() -> None:
    """Nor has an empty one."""
    results = [{"sample_label": "s 1", "determination": "sex", "value": "F"}]
    assert said(results=results) == []
    assert said(samples=(), cubs=()) == []


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"sample_label": "s 1", "date": None}, "the label is that of S-1 of OB-031, spelled otherwise"),
        ({"sample_label": "S-9", "tissue": "hair", "animal": "OB-033"}, "no animal or cub record has this id"),
        ({"sample_label": "S-0014", "tissue": "hair", "vial": "C1"}, "its vial C1 bears the label of sample C-1"),
        ({"sample_label": "S-7", "tissue": "blood"}, "same day and tissue as S-1, and the labels are one slip apart"),
        ({"sample_label": "D202614/7", "den_label": "D-2026-14"}, "the label names the den"),
        ({"sample_label": "D7-9", "den_label": "D7"}, ""),
        ({"sample_label": "D77-9", "den_label": "D77"}, "the label names the den"),
        ({"sample_label": "S-5", "animal": "OB-031-26a", "tissue": "hair", "date": dt.date(2026, 3, 1)}, ""),
    ],
)
def test_one_more_sample(more, word) -> None:
    """Each slip alone gives one finding, at its own line."""
    lines = said(samples=[*SAMPLES, {"tissue": "hair"} | more])
    lines = [line for line in lines if "custody" not in line]
    assert [word in line for line in lines] == ([True] if word else [])
    assert all(line.startswith("s.csv line 4: warning: ") for line in lines)


def test_one_label_twice() -> None:
    """To the letter the same: two vials of one sample, until a person says so."""
    halves = [SAMPLES[0], SAMPLES[0] | {"vial": "2"}]
    (line,) = label_findings(frames(samples=halves)[0])
    assert line.message.endswith("the label is that of S-1 of OB-031")
    assert label_findings(frames(samples=[halves[0], halves[1] | {"settled": "sample_label"}])[0]) == []


def test_spellings_of_an_animal_are_one() -> None:
    """As everywhere: case, dashes and leading zeros do not count."""
    assert said(samples=[SAMPLES[0] | {"animal": "ob 31"}, SAMPLES[1] | {"animal": "OB031 26A"}]) == []


def test_one_vial_under_two_labels() -> None:
    """Which of the two is in it?"""
    samples = [SAMPLES[0] | {"vial": "77"}, SAMPLES[1] | {"vial": "77"}]
    assert "sample C-1 of OB-031-26a: vial 77 is also that of sample S-1 of OB-031" in one(samples=samples)


def test_vials_filled_one_after_another_are_no_doubt() -> None:
    """Three tubes of blood of one animal count up; two swapped figures do not."""
    tubes = [{"sample_label": f"B-{n}", "tissue": "blood"} for n in (8, 9, 10)]
    letters = [{"sample_label": f"H{n}", "tissue": "hair"} for n in "abc"]
    assert label_findings(frames(samples=[*tubes, *letters])[0]) == []
    tubes = [{"sample_label": f"B-1{n}", "tissue": "blood"} for n in (3, 5)]
    assert len(label_findings(frames(samples=tubes)[0])) == 1  # one left out
    tubes = [{"sample_label": f"B-0{n}", "tissue": "blood"} for n in (14, 41)]
    assert len(label_findings(frames(samples=tubes)[0])) == 1
    assert label_findings(frames(samples=[tubes[0], tubes[1] | {"settled": "sample_label"}])[0]) == []


@pytest.mark.parametrize(
    ("cub", "word"),
    [
        ({"sample_label": "C-2"}, "its sample C-2 has no record of its own (is C-1 meant?"),
        ({"cub_id": "OB-031-26b"}, "its sample C-1 is recorded as one of OB-031-26a"),
        ({"date": dt.date(2026, 2, 25)}, "stands on its row of 2026-02-25, but was taken 2026-02-24"),
    ],
)
def test_cub_rows_and_samples_disagree(cub, word) -> None:
    """Label, animal or day."""
    lines = [line for line in said(cubs=[CUBS[0] | cub]) if "no animal or cub" not in line]
    assert [word in line for line in lines] == [True]


def test_one_vial_on_two_cubs() -> None:
    """The vial of one cub on the row of another: told for both reasons."""
    lines = said(cubs=[*CUBS, {"cub_no": 2.0, "cub_id": "OB-031-26b", "sample_label": "c 1"}])
    assert ["recorded as one of" in lines[0], "also stands on the row of OB-031-26a" in lines[1]] == [True, True]
    assert len(lines) == 2


def test_a_sample_that_its_cub_does_not_name() -> None:
    """Only where the cub's row of that day names none; a second tissue needs no second label there."""
    assert "the cub's own row of 2026-02-24 names no sample" in one(cubs=[CUBS[0] | {"sample_label": None}])
    hair = {"sample_label": "H-1", "tissue": "hair", "animal": "OB-031-26a"}
    assert said(samples=[*SAMPLES, hair]) == []
    assert said(samples=[*SAMPLES, hair], cubs=[CUBS[0] | {"sample_label": "C-1; H-1"}]) == []


def test_labels_that_no_sample_bears() -> None:
    """Told once for custody and once for results."""
    assert "custody step on S-2: no sample is labelled so (is S-1 meant?" in one(
        custody=[{"sample_label": "S-2", "step": step, "date": DAY} for step in ("collected", "stored")]
    )
    assert "result on X: no sample is labelled so (hand in" in one(
        results=[{"sample_label": "X", "determination": "sex", "value": "F"}]
    )


def test_two_values_of_one_determination() -> None:
    """From two laboratories; the way of writing does not count."""
    rows = [{"sample_label": label, "determination": name, "value": value, "laboratory": lab}
            for label, name, value, lab in (("S-1", "Mass", "12", "Lab A"), ("s1", "mass", "12.0", "Lab B"))
           ]  # fmt: skip
    assert said(results=rows) == []
    line = one(results=[rows[0], rows[1] | {"value": "13"}])
    assert "sample S-1: mass is 12 and 13 (determined by Lab A, Lab B: ask which one holds)" in line


def test_sex_of_the_laboratory() -> None:
    """Swapped vials show as another sex; of an unknown sex nothing is said."""
    rows = [{"sample_label": "C-1", "determination": "Sex", "value": "XX"}]
    assert "the laboratory found female, OB-031-26a is recorded as male" in one(results=rows)
    assert said(results=rows, cubs=[CUBS[0] | {"sex": "unknown"}]) == []


def test_analysed_without_a_result() -> None:
    """Waiting samples are no finding, analysed ones are."""
    steps = [{"sample_label": "S-1", "step": "analysed", "date": dt.date(2026, 5, 1)}]
    assert "sample S-1 of OB-031 was analysed on 2026-05-01, but no result is on file" in one(custody=steps)
    assert said(custody=steps, results=[{"sample_label": "S1", "determination": "sex", "value": "F"}]) == []
