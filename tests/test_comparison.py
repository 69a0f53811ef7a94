"""The whole comparison on invented studies: its families, its honesty with little data, its answer in words."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_questions import CLASSES, only, question

from densite.compare import Chance, Comparison, Question, compare
from densite.compare.comparison import steps
from densite.compare.result import AS_IF_INDEPENDENT, Result
from densite.errors import StatisticsError

CHANCE = Chance(permutations=499, bootstraps=299)


def compared(asked: Question) -> Comparison:
    """Compare, with warnings as errors."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        return compare(asked, chance=CHANCE)


@pytest.fixture(scope="module")
def whole() -> Comparison:
    """A study of 60 females with an effect."""
    return compared(question())


def test_every_row_says_what_a_referee_asks(whole) -> None:
    """Unique keys, finite numbers, intervals round estimates, method, assumptions, source, dens and females."""
    assert len({r.key for r in whole.results}) == len(whole.results)
    for r in whole.results:
        assert r.key.startswith(f"{r.part}/")
        assert all((r.what, r.method, r.assumes, r.source)), r.key
        assert all(math.isfinite(n) for n in (r.estimate, r.lower, r.upper, r.p, r.p_adjusted) if n is not None), r.key
        assert (r.lower is None) == (r.upper is None) == (r.interval == ""), r.key
        assert r.p is None or 0 <= r.p <= 1
        assert (r.proof == "dens") == r.assumes.startswith(AS_IF_INDEPENDENT) or r.part == "sensitivity", r.key
        assert 0 < r.dens <= 200
    assert all(unsaid.why for unsaid in whole.unsaid)


def test_the_planted_effects_are_found_and_no_other(whole) -> None:
    """Types and slope follow the gradient, canopy and aspect do not."""
    row = {r.key: r for r in whole.results}
    assert row["type-along-gradient/test"].p <= 0.004
    assert row["type-along-gradient/change/rock-ledge"].upper < 0 < row["type-along-gradient/change/brush"].lower
    slope = row["magnitude-derived-slope-deg/slope"]
    assert slope.lower < -4 < slope.upper
    assert slope.p_adjusted <= 0.05
    assert row["magnitude-canopy-pct/slope"].p_adjusted > 0.05
    assert row["ground-aspect/available"].p_adjusted > 0.05
    assert row["agreement-slope/bias"].estimate == pytest.approx(0, abs=1)


def test_the_family_is_declared_and_adjusted_by_holm(whole) -> None:
    """The primary p stands alone; the secondary ones are those that the text names, by Holm."""
    named = re.search(r"Holm 1979: (\d+) \(([^)]*)\)", next(t for t in whole.told if "Holm" in t))
    keys = named[2].split(", ")
    row = {r.key: r for r in whole.results}
    assert int(named[1]) == len(keys)
    cells = ("type-by-class/cell/", "type-by-class/residual/")  # adjusted among themselves
    tests = {r.key for r in whole.results if r.p_adjusted is not None and not r.key.startswith(cells)}
    assert tests == {*keys, "type-along-gradient/test"} == {r.key for r in whole.results if _tests_something(r)}
    least = min(row[key].p for key in keys)
    assert min(row[key].p_adjusted for key in keys) == pytest.approx(len(keys) * least)
    assert row["type-along-gradient/test"].p_adjusted == row["type-along-gradient/test"].p


def _tests_something(result: Result) -> bool:
    return result.headline and result.p is not None and result.part not in ("spatial", "collinearity")


def test_the_answer_stands_on_rows(whole) -> None:
    """Each sentence names rows that exist, and its percentages and p-values are theirs."""
    row = {r.key: r for r in whole.results}
    for sentence in whole.answer:
        assert set(sentence.rows) <= row.keys()
        known = [row[key] for key in sentence.rows]
        shares = [abs(100 * n) for r in known for n in (r.estimate, r.lower, r.upper) if n is not None]
        for number in re.findall(r"(\d+) (?:%|points)", sentence.text):
            assert any(abs(share - int(number)) <= 0.5 for share in shares), sentence.text
        for p in re.findall(r"p (\d\.\d+)", sentence.text):
            assert any(abs(float(p) - q) <= 0.006 for r in known for q in (r.p, r.p_adjusted) if q is not None)
    text = " ".join(sentence.text for sentence in whole.answer)
    assert "Den types changed along the gradient" in text
    assert "rock ledge dens fell" in text
    assert "No trend could be shown for Canopy cover" in text
    assert "Slope of the DEM fell toward people" in text


def test_without_an_effect_nothing_is_claimed() -> None:
    """No sentence says that something differs, and none that it does not."""
    found = compared(question(effect=0.0, seed=8))
    text = " ".join(sentence.text for sentence in found.answer)
    assert "could not be shown (" in text
    assert "neither a change nor its absence is shown" in text
    assert not re.search(r"Den types (changed|differed)|did not (change|differ)|no difference|toward people", text)


def test_toward_people_where_the_measure_falls_to_town() -> None:
    """With a distance to town the gradient turns; what rises toward people is the same."""
    asked = question()
    turned = replace(asked, gradient=3 - asked.gradient, urban_is_high=False, gradient_name="distance to town",
                     gradient_unit="km", variants=())  # fmt: skip
    text = " ".join(sentence.text for sentence in compared(turned).answer)
    assert re.search(r"brush dens rose from \d % to \d\d %", text)
    assert re.search(r"Slope of the DEM fell toward people \(-", text)


def test_names_that_spell_alike_keep_their_rows() -> None:
    """Types 'tree+' and 'tree-' and classes in another script have keys of their own."""
    asked = question(females=25)
    types = {"tree": "tree+", "brush": "tree-", "ground bed": "ground bed", "rock ledge": "rock/ledge"}
    places = {"urban": "город", "mixed": "пригород", "rural": "село"}
    frame = asked.sample.frame.replace({"den_type": types, "landscape_class": places})
    sample = replace(asked.sample, frame=frame, types=tuple(types.values()))
    found = compared(replace(asked, sample=sample, classes=tuple(places.values()), contrast="tree+", variants=()))
    keys = [r.key for r in found.results]
    assert len(set(keys)) == len(keys)
    assert "type-by-class/share/село/ground-bed" in keys
    assert any("rock/ledge dens" in sentence.text for sentence in found.answer)


def test_few_females_are_no_proof() -> None:
    """Many dens of five females: no test, and the answer says nothing differs or rises."""
    asked = question()
    sizes = asked.sample.frame["female"].value_counts()
    found = compared(only(asked, asked.sample.frame["female"].isin(sizes.index[:5]).to_numpy()))
    assert not [r.key for r in found.results if r.headline and r.p is not None and r.part != "spatial"]
    assert any("6 are needed" in told.why for told in found.unsaid)
    assert "toward people" not in " ".join(sentence.text for sentence in found.answer)


def test_dens_without_females_are_said_to_be_taken_as_independent() -> None:
    """Where most females are unknown the answer warns."""
    text = " ".join(s.text for s in compared(_with(question(females=25), female="")).answer)
    assert "nearly those of independent dens" in text


def test_the_same_seed_gives_the_same_numbers(whole) -> None:
    """And steps are told in their order."""
    told: list[str] = []
    again = compare(question(), chance=CHANCE, step=told.append)
    assert again.results == whole.results
    assert told == steps(question())


SMALL = {
    "no class": lambda q: _with(q, landscape_class=None),
    "one class": lambda q: _with(q, landscape_class="rural"),
    "one type": lambda q: _with(q, den_type="tree"),
    "unknown types": lambda q: _with(q, den_type="unknown"),
    "one female": lambda q: _with(q, female="OB-001"),
    "no female": lambda q: _with(q, female=""),
    "two dens": lambda q: only(q, np.arange(len(q.gradient)) < 2),
    "one den": lambda q: only(q, np.arange(len(q.gradient)) < 1),
    "three females": lambda q: only(q, q.sample.frame["female"].isin(["OB-001", "OB-002", "OB-003"]).to_numpy()),
    "empty class": lambda q: only(q, (q.sample.frame["landscape_class"] != "mixed").to_numpy()),
    "no covariate": lambda q: _with(q, derived_slope_deg=np.nan, canopy_pct=np.nan, slope_deg=None),
    "constant covariate": lambda q: _with(q, derived_slope_deg=12.0, canopy_pct=0.0),
    "no gradient": lambda q: replace(q, gradient=np.full(len(q.gradient), np.nan)),
    "constant gradient": lambda q: replace(q, gradient=np.ones(len(q.gradient))),
    "no aspect": lambda q: _with(q, aspect_deg=np.nan, derived_aspect_deg=np.nan),
    "no ground": lambda q: replace(q, available_deg=np.empty(0), available=""),
    "nobody looked twice": lambda q: replace(q, twice=q.twice.iloc[:0]),
    "no winters": lambda q: _with(q, winter=pd.NA),
    "one place": lambda q: replace(q, x_m=np.zeros(len(q.gradient)), y_m=np.zeros(len(q.gradient))),
}


def _with(asked: Question, **columns: object) -> Question:
    return replace(asked, sample=replace(asked.sample, frame=asked.sample.frame.assign(**columns)))


@pytest.mark.parametrize("change", SMALL.values(), ids=SMALL.keys())
def test_what_cannot_be_said_is_said(change) -> None:
    """No NaN, no warning, no traceback; every part answers or says why not."""
    asked = change(question(females=25))
    found = compared(asked)
    for r in found.results:
        assert all(math.isfinite(n) for n in (r.estimate, r.lower, r.upper, r.p) if n is not None), r.key
    assert [block.part for block in found.blocks]
    assert all(block.results or block.unsaid for block in found.blocks), [
        block.part for block in found.blocks if not block.results and not block.unsaid
    ]
    assert found.answer


def test_no_dens_at_all() -> None:
    """One message."""
    with pytest.raises(StatisticsError, match="no dens are left"):
        compared(only(question(), np.zeros(len(question().gradient), bool)))


def test_other_choices_are_tried(whole) -> None:
    """The chosen gradient and each variant have their rows."""
    keys = [r.key for r in whole.results if r.part == "sensitivity"]
    for label in ("as-chosen", "gradient-within-500-m"):
        assert f"sensitivity/{label}/type-along-gradient/test" in keys
        assert f"sensitivity/{label}/type-along-gradient/change/tree" in keys
        assert f"sensitivity/{label}/type-by-class/test" in keys
    assert "sensitivity/uncertain-class" in keys
    row = {r.key: r for r in whole.results}
    assert row["sensitivity/as-chosen/type-along-gradient/test"].p == row["type-along-gradient/test"].p
    assert not any(r.headline for r in whole.results if r.part == "sensitivity")
    assert set(whole.block("type-by-class").frames["shares"]["class"]) == set(CLASSES)
