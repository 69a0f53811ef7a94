"""The demo study: its planted slips are all told, and the job runs to the end."""

import csv
import json

import numpy as np
import pandas as pd
import pytest

from densite.compare.logit import type_along_gradient
from densite.compare.resample import Chance
from densite.demo import demo_source, make_demo
from densite.errors import SettingsError


@pytest.fixture(scope="session")
def demo(ondra):
    """The demo with its files handed in and its values derived, and what came of the files."""
    return ondra


def slips(*, of_dens: bool = True) -> list[dict[str, str]]:
    """Read the list of slips planted in the files of dens, or of the animals."""
    with (demo_source() / "slips.csv").open(encoding="utf-8", newline="") as file:
        return [slip for slip in csv.DictReader(file) if slip["file"].startswith("winter-") == of_dens]


WORDS = {
    "swapped latitude and longitude": "swapped",
    "comma decimal": "Decimal comma",
    "impossible date": "no day of the calendar",
    "NAD27 declared": "North American Datum 1927",
    "NAD27 not declared": "NAD27",
    "percent in degrees, impossible": "in percent?",
    "percent in degrees, doubtful": "in percent?",
    "empty datum": "datum is missing",
    "wrong UTM zone": "zone 11N",
    "repeated row": "repeats",
    "duplicate den": "one den twice?",
    "magnetic bearings": "magnetic bearing made true",
    "unknown type word": "allowed: tree",
    "empty type": "den_type is empty",
    "aspect without reference": "true or magnetic",
}


@pytest.mark.parametrize("slip", slips(), ids=lambda s: f"{s['slip']}, {s['file']}")
def test_every_planted_slip_is_told_by_name(demo, slip) -> None:
    """At its file, line and level, in words that name the slip; line 1 stands for the whole file."""
    problems = [p for d in demo[1] for p in d.problems if p.file == slip["file"] and p.level == slip["expected_level"]]
    told = [str(p) for p in problems if slip["line"] in ("1", str(p.line))]
    assert any(WORDS[slip["slip"]] in text for text in told), told


ANIMALS_WORDS = {
    "more animals than the permit allows": "is beyond permit DV-2020: animal 7 of 6 allowed",
    "unknown age class": "allowed: cub, yearling",
    "one digit off": "one digit off from",
    "transposed digits": "two neighbouring digits swapped",
    "one transponder on two animals": "is on OB-028 too",
    "left and right tags swapped": "were the sides swapped?",
    "two collars": "was neither lost nor removed",
    "tattoo of another animal": "marks disagree",
    "past midnight": "after midnight",
    "litter count against cub rows": "cubs counted in the den, but",
    "head up before down": "is before Down",
    "pounds in the kilograms column": "read in lb?",
    "inches in the centimetres column": "read in in?",
    "no permit": "names no permit",
    "permit of another year": "lies outside permit",
    "procedure not on the permit": "'draw tooth' is not among the procedures",
    "another spelling of the id": "taken for OB-055",
    "time that the clock skipped": "the clocks were set forward",
    "reading before darting": "before darted",
    "Fahrenheit in the Celsius column": "read in F?",
    "empty sex": "sex is empty",
    "unknown den label": "no den of that label",
    "unknown tooth": "is no tooth",
    "cub heavier than its mother": "as heavy as its mother",
    "kilograms in the grams column": "read in kg?",
    "hair without landmark": "without its landmark",
    "two cubs with one transponder": "one chip is in one cub",
    "date before the den": "no visit to den",
    "sample label twice": "such a record is there already",
    "custody gap": "nobody shipped it or handed it over",
    "repeated row": "counted once",
    "result without a sample": "no sample is labelled so",
}


@pytest.mark.parametrize("slip", slips(of_dens=False), ids=lambda s: f"{s['slip']}, {s['file']}")
def test_every_slip_planted_in_the_animals_files_is_told(demo, slip) -> None:
    """At its file, line and level, by the row itself or beside other records, in words that name the slip."""
    problems = [p for d in demo[1] for p in d.problems if p.level == slip["expected_level"]]
    if slip["slip"] != "more animals than the permit allows":  # told at the handling that was one too many
        problems = [p for p in problems if p.file == slip["file"] and str(p.line) == slip["line"]]
    assert any(ANIMALS_WORDS[slip["slip"]] in str(p) for p in problems), problems


def test_animals_rows_with_planted_errors_are_held_back(demo) -> None:
    """None of them is among the records."""
    study, _ = demo
    kinds = {"cubs.csv": "cub", "handlings.csv": "handling", "readings.csv": "reading", "animals.csv": "animal"}
    kinds |= {"samples.csv": "sample"}
    held = [slip for slip in slips(of_dens=False) if slip["expected_level"] in ("error", "confirm")]
    assert len(held) >= 8
    for slip in held:
        lines = study.records(kinds[slip["file"]])["source_line"].astype(str)
        assert slip["line"] not in set(lines), slip


def test_rows_with_planted_errors_are_held_back(demo) -> None:
    """None of them is in the register."""
    study, _ = demo
    recorded = set(zip(study.visits["source_file"], study.visits["source_line"].astype(str), strict=True))
    for slip in slips():
        if slip["expected_level"] in ("error", "confirm"):
            assert (slip["file"], slip["line"]) not in recorded


def test_all_classes_and_types_occur(demo) -> None:
    """The table has dens in every class; observed and derived agree but for what was planted."""
    study, _ = demo
    frame = study.frame
    assert set(frame["landscape_class"]) == {"urban", "suburban", "exurban", "rural"}
    assert set(frame["den_type"]) == {"tree", "ground bed", "rock ledge", "brush", "unknown"}
    assert frame["elevation_m"].notna().all()
    assert frame["slope_difference_deg"].abs().median() < 4
    assert frame["aspect_difference_deg"].abs().median() < 15


def test_magnetic_bearings_became_true(demo) -> None:
    """A declination of about 12.5 degrees, forgotten, would show as a mean difference of that size."""
    study, _ = demo
    frame = study.frame
    magnetic = frame.loc[(frame["aspect_reference"] == "magnetic") & (frame["derived_slope_deg"] > 10)]
    assert len(magnetic) > 25
    assert magnetic["declination_deg"].between(11.5, 13.5).all()
    difference = magnetic["aspect_difference_deg"]
    assert difference.abs().median() < (difference - magnetic["declination_deg"]).abs().median()


def test_handing_the_demo_in_again_changes_nothing(demo) -> None:
    """Every file a second time."""
    study, _ = demo
    before = study.register.counts()
    again = study.intake(sorted((study.folder / "crew").rglob("*.*")))
    assert sum(d.dens + d.visits + d.records for d in again) == 0
    assert study.register.counts() == before


def test_the_demo_is_not_made_over_a_study(demo) -> None:
    """The folder is left alone."""
    with pytest.raises(SettingsError, match="is a study already"):
        make_demo(demo[0].folder)


def test_the_comparison_finds_what_was_planted(demo) -> None:
    """Each planted log odds lies in its interval, types follow the gradient, dens face as they prefer."""
    study, _ = demo
    found = study.compare()
    row = {result.key: result for result in found.results}
    assert row["type-along-gradient/test"].p < 0.001
    for slope, truth in slopes(found.results):
        assert slope.lower < truth < slope.upper, slope.where
    preferred = row["ground-aspect/available/direction"]
    assert row["ground-aspect/available"].p_adjusted < 0.01
    assert abs((preferred.estimate - truth_file()["aspect_preference"]["mean_deg"] + 180) % 360 - 180) < 25
    paths = study.write_comparison(found)
    assert {path.suffix for path in paths} == {".txt", ".csv", ".md", ".json", ".svg", ".png"}
    assert all(path.stat().st_size > 500 for path in paths)
    labels = set(study.dens["label"])
    for path in paths:
        if path.suffix != ".png":
            assert not any(label in path.read_text(encoding="utf-8") for label in labels)


def truth_file() -> dict:
    """Read what was put in."""
    return json.loads((demo_source() / "truth.json").read_text(encoding="utf-8"))


def slopes(results):
    """Yield each slope of log odds with the planted one."""
    planted = {kind: told["slope"] for kind, told in truth_file()["den_type_model"]["coefficients"].items()}
    for result in results:
        if result.key.startswith("type-along-gradient/slope/"):
            one, other = result.where.split(" against ")
            yield result, planted[one] - planted[other]


@pytest.mark.gate
def test_gate_planted_coefficients_are_recovered(demo) -> None:
    """At the demo's dens, types drawn anew by the planted rule: 90 % of the intervals hold the planted log odds."""
    study, _ = demo
    frame = study.frame.sort_values(["female", "first_visit"])
    model, repeats = truth_file()["den_type_model"], truth_file()["repeat_own_type_probability"]
    x = np.log10(1 + frame["gradient"].to_numpy(float))
    odds = np.exp([told["constant"] + told["slope"] * x for told in model["coefficients"].values()])
    kinds = np.array(list(model["coefficients"]))
    again = frame["female"].eq(frame["female"].shift()).to_numpy()
    rng, held = np.random.default_rng(5), []
    for _ in range(100):
        fresh = (rng.random(len(x)) > np.cumsum(odds / odds.sum(axis=0), axis=0)).sum(axis=0)
        fresh = np.where(again & (rng.random(len(x)) < repeats), -1, fresh)
        drawn = kinds[pd.Series(fresh).where(fresh >= 0).ffill().to_numpy(int)]
        block = type_along_gradient(
            drawn, x, frame["female"], types=tuple(kinds), gradient_name="g", gradient_unit="1",
            chance=Chance(permutations=99),
        )  # fmt: skip
        held += [slope.lower < truth < slope.upper for slope, truth in slopes(block.results)]
    assert len(held) == 300
    assert np.mean(held) >= 0.9
