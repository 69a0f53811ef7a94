"""Litters written down: every format says the same, what is missing, and where ages come from."""

import csv
import io
import json

import numpy as np
import pytest
from made_litters import CLASSES, TYPES, made

from densite.births import birth_dates, shown
from densite.compare.resample import Chance
from densite.growth import growth, litter_ages
from densite.litters import litter_table, litters_of
from densite.littertables import WRITERS, as_csv, as_json, as_markdown, as_text, told_births, told_growth, told_litters

FEW = Chance(permutations=199)
INVENTED = "THE CALIBRATION IS INVENTED: for tests."


@pytest.fixture(scope="module")
def results() -> tuple:
    """Litters, births and growth of a made study."""
    study = made()
    found = litters_of(study.cubs, study.handlings, study.dens)
    return (
        litter_table(found, types=TYPES, classes=CLASSES, chance=FEW, no_litters=(3, 0)),
        birth_dates(study.births, found, classes=CLASSES, chance=FEW, ages_from=INVENTED),
        growth(study.cubs, litter_ages(study.cubs, study.births.frame), found, ages_from=INVENTED),
    )


def test_litters_in_words(results) -> None:
    """The first sentences tell mean, interval, litters and females; types and classes stand in their order."""
    table = results[0]
    text = as_text(told_litters(table))
    first = table.frame.iloc[0]
    assert f"Mean litter size {first['mean']:.2f} cubs (95 % interval {first['lower']:.2f} to" in text
    assert f"{first['litters']} litters of {first['females']} females" in text
    assert text.index("by den type") < text.index("by landscape class") < text.index("by winter")
    assert "Females with a count of 0 cubs in a winter: 3." in text.replace("\n  ", " ")


def test_births_in_words(results) -> None:
    """Dates read as dates, the calibration's part is told, and that it is invented comes first."""
    table = results[1]
    told = told_births(table)
    assert told.lead[0] == INVENTED
    assert f"born on {shown(table.frame.iloc[0]['mean'])} on average" in told.lead[1]
    first = table.frame.iloc[0]
    said = f"uncertain by about {2 * first['shared_se']:.1f} d either way, however many litters are measured"
    assert said in " ".join(told.lead)
    early = f"before {shown(first['q10'])} (95 % interval {shown(first['q10_lower'])} to {shown(first['q10_upper'])})"
    assert early in " ".join(told.lead)


def test_growth_in_words(results) -> None:
    """Grams a day with their limits, the lightest first."""
    told = told_growth(results[2])
    assert told.lead[0] == INVENTED
    assert "g a day (95 % interval" in " ".join(told.lead)
    assert f"up to {100 * results[2].too_slow:.0f} % too slow" in " ".join(told.lead)
    standings = [float(row[4]) for row in told.parts[0].rows]
    assert standings == sorted(standings)


@pytest.mark.parametrize("kind", WRITERS)
def test_every_format_says_that_the_calibration_is_invented(results, kind) -> None:
    """Births and growth, in all formats."""
    for told in (told_births(results[1]), told_growth(results[2])):
        assert INVENTED in WRITERS[kind](told).replace("\n  ", " ")


def test_tables_of_numbers(results) -> None:
    """JSON and CSV hold every row; missing numbers are null and empty, never NaN."""
    table = results[1]
    told = told_births(table)
    whole = json.loads(as_json(told))
    assert [row["group"] for row in whole["births"]] == list(table.frame["group"])
    assert whole["births"][0]["mean"] == pytest.approx(table.frame.iloc[0]["mean"])
    rows = list(csv.DictReader(io.StringIO(as_csv(told))))
    assert {row["part"] for row in rows} == {"births", "tests", "litters"}
    assert len(rows) == len(table.frame) + len(table.tests) + len(table.litters)
    assert "nan" not in as_csv(told).casefold().split(",")


def test_markdown_has_even_rows(results) -> None:
    """Every pipe table has as many cells in all its lines."""
    for told in (told_litters(results[0]), told_births(results[1]), told_growth(results[2])):
        blocks = as_markdown(told).split("\n\n")
        tables = [block.splitlines() for block in blocks if block.startswith("|")]
        assert len(tables) == len([part for part in told.parts if part.rows])
        assert all(len({line.replace("\\|", "").count("|") for line in lines}) == 1 for lines in tables)


def test_what_is_missing_is_said() -> None:
    """Four females: no interval in the first sentence, and why among the notes."""
    study = made(4)
    found = litters_of(study.cubs, study.handlings, study.dens)
    told = told_litters(litter_table(found, types=TYPES, classes=CLASSES, chance=FEW))
    assert "(no 95 % interval)" in told.lead[0]
    assert any("4 females; 6 are needed" in note for note in told.notes)
    births = told_births(birth_dates(study.births, found, classes=CLASSES, chance=FEW))
    assert "(no 95 % interval)" in births.lead[0]
    assert np.isnan(births.frames["births"]["lower"]).all()
