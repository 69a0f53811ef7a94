"""Results: matched by label, doubts left out and told, joined with their animals."""

import datetime as dt

from densite.animals import frame_of
from densite.samples import joined, returned
from densite.samples.labfile import Determination

DAY = dt.date(2026, 2, 24)
SAMPLES = frame_of(
    "sample",
    [{"sample_label": f"S-01{n}", "animal": f"OB-03{n}", "date": DAY, "tissue": "blood"} for n in range(3)],
)
NONE = frame_of("result", [])


def back(*cells, results=NONE):
    """Return what is made of (label, determination, value)."""
    found = [Determination(*cell, line) for line, cell in enumerate(cells, start=2)]
    return returned(found, SAMPLES, results, file="lab.csv", laboratory="Lab A", reported_on=dt.date(2026, 6, 1))


def test_rows_to_be_handed_in() -> None:
    """In densite's columns and the register's spelling of the labels."""
    made = back(("s 010", "sex", "F"), ("S-O11", "sex", "M"))
    assert made.rows.to_dict("records")[1] == {
        "sample_label": "S-011", "determination": "sex", "value": "M", "laboratory": "Lab A",
        "reported_on": dt.date(2026, 6, 1), "result_file": "lab.csv",
    }  # fmt: skip
    assert list(made.rows["sample_label"]) == ["S-010", "S-011"]
    assert made.problems == []
    assert made.missing == ["S-012"]


def test_near_misses_are_told_and_not_joined() -> None:
    """Once for a label, with what may be meant."""
    made = back(("S-0l0", "sex", "F"), ("S-0l0", "G10B", "152"), ("X-99", "sex", "F"))
    assert made.rows.empty
    assert [str(p) for p in made.problems] == [
        "lab.csv line 2: error: no sample is labelled S-0l0 (is S-010 meant? Never joined by itself: mend the label "
        "where it is wrong)",
        "lab.csv line 4: error: no sample is labelled X-99 (hand in the sample's own record, or mend the label)",
    ]


def test_two_values_are_left_out() -> None:
    """In one file or against the results on file; the same value again is kept once."""
    made = back(("S-010", "sex", "F"), ("s010", "SEX", "M"), ("S-011", "mass", "12"), ("S-011", "mass", "12.0"))
    assert list(made.rows["value"]) == ["12"]
    assert [p.message for p in made.problems] == ["sample S-010: sex has two values: F, M"]
    on_file = frame_of("result", [{"sample_label": "S 012", "determination": "sex", "value": "M"}])
    made = back(("S-012", "sex", "F"), results=on_file)
    assert "hand in a correction" in made.problems[0].hint
    assert made.rows.empty
    assert made.missing == ["S-010", "S-011"]


def test_joined_with_animals() -> None:
    """Animal, day and tissue stand beside the label; a label without sample has none."""
    results = frame_of("result", [{"record_id": n, "sample_label": label, "determination": "sex", "value": "F"}
                                  for n, label in (("a", "s 011"), ("b", "S-999"))])  # fmt: skip
    frame = joined(results, SAMPLES)
    place = list(frame.columns).index("sample_label")
    assert list(frame.columns[place : place + 4]) == ["sample_label", "animal", "date", "tissue"]
    assert list(frame.index) == ["a", "b"]
    assert frame.loc["a", ["animal", "date", "tissue"]].tolist() == ["OB-031", DAY, "blood"]
    assert frame.loc["b", ["animal", "date", "tissue"]].isna().all()
    assert "animal" not in results
    assert joined(back(("S-010", "sex", "F")).rows, SAMPLES)["animal"].tolist() == ["OB-030"]
