"""Aspect of dens: what goes in comes out, chance is right, and nothing breaks on poor input."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import special

from densite.compare.aspect import aspect_by_class, shares_along, shares_between, turned_p
from densite.compare.circular import ground_scores, length_limits, unit_vectors, watson_williams
from densite.compare.resample import (
    Chance,
    Females,
    female_weights,
    permutation_p,
    permuted_classes,
    permuted_gradient,
)
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

CLASSES = ("urban", "suburban", "rural")
QUICK = Chance(permutations=199, bootstraps=99)


def block(
    aspect: Any, female: Any, *, klass: Any = None, gradient: Any = None, error: Any = None, available: Any = (),
    classes: tuple[str, ...] = CLASSES, chance: Chance = QUICK,
) -> Block:  # fmt: skip
    """Compare dens that are all rural, at even steps of the gradient and read exactly, unless told otherwise."""
    size = len(aspect)
    return aspect_by_class(
        aspect, np.zeros(size) if error is None else error, ["rural"] * size if klass is None else klass,
        np.arange(size) if gradient is None else gradient, female, classes=classes, gradient_name="people",
        available_deg=available, chance=chance, observed="aspect seen at the den",
    )  # fmt: skip


def repeating(
    rng: np.random.Generator, count: int, repeat: float, draw: Any
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Draw dens of females, one to four each, who take the aspect of their first den again by chance."""
    sizes = rng.integers(1, 5, count)
    code = np.repeat(np.arange(count), sizes)
    aspect = draw(len(code))
    first = np.append(0, np.cumsum(sizes)[:-1])[code]
    return code, np.where(rng.random(len(code)) < repeat, aspect[first], aspect)


def uneven(rng: np.random.Generator, size: int) -> NDArray[np.float64]:
    """Draw aspects of ground with two slopes: two thirds face 34 degrees, one third about 195."""
    steep = rng.random(size) < 0.65
    return np.degrees(np.where(steep, rng.vonmises(0.6, 1.2, size), rng.vonmises(3.4, 2.0, size))) % 360


def test_means_are_those_of_zar() -> None:
    """Zar 2010, example 26.4: 99 degrees and .82522, here for dens of eight females of one class."""
    told = block([45, 55, 81, 96, 110, 117, 132, 154], list("abcdefgh"))
    assert told["aspect/direction/rural"].estimate == pytest.approx(98.98775, abs=5e-6)
    assert told["aspect/length/all-dens"].estimate == pytest.approx(0.8252177, abs=5e-8)
    assert told["aspect/uniform/rural"].p == pytest.approx(0.0018516, abs=5e-8)
    assert told["aspect/uniform/rural"].assumes.startswith(AS_IF_INDEPENDENT)


def test_watson_williams_of_zar_stands_in_the_block() -> None:
    """Zar 2010, example 27.7: F 1.6128, beside its p over females."""
    first, second = [94, 65, 45, 52, 38, 47, 73, 82, 90, 40, 87], [77, 70, 61, 45, 50, 35, 48, 65, 36]
    told = block(first + second, np.arange(20).astype(str), klass=["urban"] * 11 + ["rural"] * 9)
    assert told["aspect/watson-williams/dens"].estimate == pytest.approx(1.6128, abs=5e-5)
    assert told["aspect/watson-williams/dens"].p == pytest.approx(watson_williams([first, second]).p)
    assert 0.1 < (told["aspect/watson-williams/females"].p or 0) < 0.35


def test_permutation_over_females_is_that_of_brute_force() -> None:
    """Six females with all dens in one class: all 20 ways to deal out three and three."""
    aspect, code = np.array([10, 40, 350, 80, 95, 60, 120, 200.0]), np.array([0, 0, 1, 2, 3, 4, 4, 5])
    klass, vectors = np.array([0, 0, 0, 0, 1, 1, 1, 1]), unit_vectors(aspect)

    # the two females with two dens: the mean product of their dens' deviations over the mean square
    off = vectors - vectors.mean()
    pairs = [(off[0] * off[1].conjugate()).real, (off[5] * off[6].conjugate()).real]
    alike = np.mean(pairs) / np.mean(np.abs(off) ** 2)
    weights = np.where(np.isin(code, (0, 4)), 1 / (1 + max(alike, -0.5)), 1.0)

    def share(labels: NDArray[np.int64]) -> float:
        parts = [labels == each for each in (0, 1)]
        total = weights.sum()
        whole = abs((weights * vectors).sum()) ** 2 / total
        between = sum(abs((weights * vectors)[part].sum()) ** 2 / weights[part].sum() for part in parts)
        return float((between - whole) / (total - whole))

    every = [np.isin(np.arange(6), who, invert=True).astype(int)[code] for who in itertools.combinations(range(6), 3)]
    exact = np.mean([share(labels) >= share(klass) - 1e-9 for labels in every])
    names = np.array(["urban", "rural"])[klass]
    told = block(aspect, code.astype(str), klass=names, chance=Chance(permutations=4999, bootstraps=9))
    assert told["aspect/classes"].estimate == pytest.approx(share(klass))
    assert told["aspect/classes"].p == pytest.approx(exact, abs=0.02)


def test_correlation_with_the_gradient_is_that_of_mardia() -> None:
    """The closed form of Mardia 1976 from three plain correlations."""
    rng = np.random.default_rng(2)
    x, aspect = rng.normal(size=30), rng.uniform(0, 360, 30)
    c, s = np.cos(np.radians(aspect)), np.sin(np.radians(aspect))
    xc, xs, cs = (np.corrcoef(*pair)[0, 1] for pair in ((x, c), (x, s), (c, s)))
    r2 = (xc**2 + xs**2 - 2 * xc * xs * cs) / (1 - cs**2)
    told = block(aspect, np.arange(30).astype(str), gradient=x)
    assert told["aspect/gradient"].estimate == pytest.approx(np.sqrt(r2))
    assert told["aspect/gradient"].p == pytest.approx(told["aspect/gradient/dens"].p, abs=0.1)


def test_turning_females_is_that_of_brute_force() -> None:
    """Bearings of each female turned in a loop on even ground, the statistic from cosines and sines."""
    rng = np.random.default_rng(6)
    aspect, code = np.array([10, 20, 15, 80, 90, 350, 60, 200.0]), np.array([0, 0, 0, 1, 1, 2, 3, 4])

    def statistic(degrees: NDArray[np.float64]) -> float:
        parts = [(np.cos(np.radians(p * degrees)).mean(), np.sin(np.radians(p * degrees)).mean(), p) for p in (1, 2)]
        return float(sum((c**2 + s**2) / p**2 for c, s, p in parts))

    drawn = np.array([statistic(aspect + rng.uniform(0, 360, 5)[code]) for _ in range(4000)])
    scores = ground_scores(aspect, np.zeros(8), np.empty(0))
    told = turned_p(scores, Females.of(code.astype(str)), available=0, draws=4000, rng=rng)
    assert told == pytest.approx(np.mean(drawn >= statistic(aspect)), abs=0.03)
    assert 0.05 < told < 0.5


def test_dens_that_face_as_the_ground_does_show_no_preference() -> None:
    """Dens on uneven ground: far from even, near the ground; turned to the south, they differ to the south."""
    rng = np.random.default_rng(5)
    ground, aspect, names = uneven(rng, 100_000), uneven(rng, 200), np.arange(200).astype(str)
    like = block(aspect, names, available=ground)
    assert (like["aspect/uniform/females"].p or 0) < 0.02 < 0.05 < (like["aspect/available"].p or 0)
    other = block((aspect * 0.3 + 150) % 360, names, available=ground)
    assert other["aspect/available"].p == 0.005
    assert 170 < (other["aspect/available/direction"].estimate or 0) < 230


def test_octants_are_corrected_and_counted() -> None:
    """All dens read as N or E: the length grows by Zar's c, and the note says so; flat dens are counted."""
    told = block([0, 0, 90, 90, np.nan], list("abcde"), error=[22.5] * 5)["aspect/length/all-dens"]
    assert told.estimate == pytest.approx(np.sqrt(0.5) * (np.pi / 8) / np.sin(np.pi / 8))
    assert "1 of 5 dens without an aspect" in told.note
    assert "4 aspects are points of the compass" in told.note
    assert (told.dens, told.females) == (4, 4)


def test_frames_hold_what_figures_draw() -> None:
    """Sixteen sectors, the first about north; a row of means for each class and all dens."""
    frames = block([0, 90, 180], ["a", "b", "b"], available=[*[359, 1, 2] * 20, 90]).frames
    assert frames["available"]["share"].sum() == pytest.approx(1)
    assert frames["available"].loc[0, ["from_deg", "to_deg"]].tolist() == [348.75, 11.25]
    assert frames["available"].loc[0, "share"] == pytest.approx(60 / 61)
    assert frames["means"]["landscape_class"].tolist() == [*CLASSES, "all dens"]
    assert frames["dens"]["aspect_deg"].tolist() == [0, 90, 180]


MANY = np.arange(40)
POOR: dict[str, dict[str, Any]] = {
    "no den": {"aspect": [], "female": []},
    "one den": {"aspect": [10], "female": ["a"]},
    "two dens": {"aspect": [10, 50], "female": ["a", "b"], "klass": ["urban", "rural"]},
    "opposite": {"aspect": [0, 180], "female": ["a", "b"], "klass": ["urban", "rural"]},
    "all missing": {"aspect": [None, np.nan, "flat"], "female": ["a", "b", None]},
    "one way": {"aspect": MANY * 0 + 90, "female": MANY.astype(str), "klass": ["urban", "rural"] * 20},
    "two ways": {"aspect": MANY % 2 * 90, "female": (MANY // 2).astype(str), "klass": ["urban"] * 10 + ["rural"] * 30},
    "each class its way": {"aspect": MANY % 2 * 90, "female": MANY.astype(str), "klass": ["urban", "rural"] * 20},
    "one female": {"aspect": MANY * 7, "female": ["a"] * 40, "klass": ["urban", "rural"] * 20},
    "no female": {"aspect": MANY * 7, "female": [None] * 40, "klass": ["urban", ""] * 20},
    "one female a class": {"aspect": MANY * 7, "female": ["a", "b"] * 20, "klass": ["urban", "rural"] * 20},
    "no class": {"aspect": MANY * 7, "female": MANY.astype(str), "klass": [None] * 40},
    "flat gradient": {"aspect": MANY * 7, "female": MANY.astype(str), "gradient": MANY * 0 + 0.3},
    "gradient missing": {"aspect": MANY * 7, "female": MANY.astype(str), "gradient": [np.nan] * 40},
    "two on the gradient": {"aspect": MANY[:6] * 7, "female": list("aaaaab"), "gradient": [0, 0, 0, 0, 0, 1]},
    "one apart": {"aspect": MANY[:6] * 7, "female": list("aabbcd"), "gradient": [0, 0, 0, 0, 0, 1]},
}


@pytest.mark.parametrize("ground", [(), (10.0,), tuple(range(0, 360, 5)), (90.0,) * 50])
@pytest.mark.parametrize("case", POOR)
def test_poor_input_is_said_and_not_computed(case: str, ground: tuple[float, ...]) -> None:
    """No number that is not finite, no limit without a name, no warning; what cannot be had is said."""
    told = block(**POOR[case], available=ground)
    numbers = [getattr(r, name) for r in told.results for name in ("estimate", "lower", "upper", "p")]
    assert np.isfinite([number for number in numbers if number is not None]).all()
    assert all((result.interval == "") == (result.lower is None) for result in told.results)
    assert len({result.key for result in told.results}) == len(told.results)
    assert told.unsaid
    assert isinstance(told.frames["means"], pd.DataFrame)


def test_wrong_columns_are_named() -> None:
    """Lengths that differ, a class that is not listed, an impossible width."""
    with pytest.raises(StatisticsError, match="2 values for 1 dens"):
        block([10], ["a", "b"])
    with pytest.raises(StatisticsError, match="'wild' is not listed"):
        block([10], ["a"], klass=["wild"])
    with pytest.raises(StatisticsError, match="below 180"):
        block([10], ["a"], error=[180])


REPEATS = (0.0, 0.5, 0.8)


def size_of(p: list[float]) -> float:
    """Return how often a p is at most .05, when 199 draws allow it exactly."""
    return float(np.mean(np.array(p) <= 0.05))


@pytest.mark.gate
@pytest.mark.parametrize("octants", [False, True])
@pytest.mark.parametrize("repeat", REPEATS)
def test_size_against_available_aspects(repeat: float, octants: bool) -> None:
    """Dens as the uneven ground, females repeating: p at most .05 in 5 % of 3,000 studies."""
    rng, found = np.random.default_rng(21), []
    for _ in range(3000):
        code, aspect = repeating(rng, int(rng.choice([20, 40])), repeat, lambda size: uneven(rng, size))
        half = np.full(len(code), 22.5 if octants else 0.5)
        aspect = np.round(aspect / 45) * 45 % 360 if octants else aspect
        scores = ground_scores(aspect, half, np.sort(uneven(rng, 1000)))
        found.append(turned_p(scores, Females.of(code.astype(str)), available=1000, draws=199, rng=rng))
    assert 0.035 <= size_of(found) <= 0.065


@pytest.mark.gate
@pytest.mark.parametrize("repeat", REPEATS)
def test_size_between_classes_and_along_the_gradient(repeat: float) -> None:
    """Classes and places that say nothing of aspects that females repeat, classes unequal: 5 % of 2,000 studies."""
    rng, among, along = np.random.default_rng(22), [], []
    for _ in range(2000):
        count = int(rng.choice([20, 40]))
        code, aspect = repeating(rng, count, repeat, lambda size: uneven(rng, size))
        klass = rng.choice(3, count, p=[0.5, 0.3, 0.2])[code]
        place = rng.exponential(size=count)[code] + rng.normal(0, 0.3, len(code))
        females, vectors = Females.of(code.astype(str)), unit_vectors(aspect)
        dealt = permuted_classes(klass, females, draws=199, rng=rng)
        found = shares_between(vectors, klass[None, :], number=3)
        among.append(permutation_p(float(found[0]), shares_between(vectors, dealt, number=3)))
        moved = permuted_gradient(place, females, draws=199, rng=rng)
        along.append(permutation_p(float(shares_along(vectors, place[None, :])[0]), shares_along(vectors, moved)))
    assert 0.035 <= size_of(among) <= 0.065
    assert 0.035 <= size_of(along) <= 0.065


@pytest.mark.gate
@pytest.mark.parametrize("octants", [False, True])
def test_loose_fidelity_keeps_the_size_against_the_ground(octants: bool) -> None:
    """Females whose next den faces near the last one, by a walk that keeps to the ground: 5 % of 1,500 studies."""
    rng, found = np.random.default_rng(23), []
    for _ in range(1500):
        count = int(rng.choice([20, 40]))
        first, names = np.radians(uneven(rng, count)), np.repeat(np.arange(count), 3)
        walk = [first]
        for _ in range(2):  # a step of Metropolis' chain, whose limit is the ground itself
            to = walk[-1] + rng.normal(0, np.pi / 6, count)
            walk.append(np.where(rng.random(count) < density(to) / density(walk[-1]), to, walk[-1]))
        aspect, half = np.degrees(np.stack(walk, axis=1).ravel()) % 360, np.full(3 * count, 22.5 * octants)
        aspect = np.round(aspect / 45) * 45 % 360 if octants else aspect
        scores = ground_scores(aspect, half, np.sort(uneven(rng, 1000)))
        found.append(turned_p(scores, Females.of(names.astype(str)), available=1000, draws=199, rng=rng))
    assert 0.035 <= size_of(found) <= 0.065


def density(angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the density of :func:`uneven` ground, up to a constant."""
    parts = 0.65 * np.exp(1.2 * np.cos(angle - 0.6)) / special.i0(1.2)
    return np.asarray(parts + 0.35 * np.exp(2 * np.cos(angle - 3.4)) / special.i0(2.0))


@pytest.mark.gate
@pytest.mark.parametrize(("count", "repeat"), [(20, 0.5), (20, 0.8), (40, 0.5)])
def test_interval_of_the_preference_covers(count: int, repeat: float) -> None:
    """The headline's interval covers the preference of a known population, .4 to .6 on even ground, in 93 to 97 %."""
    rng, hits = np.random.default_rng(24), 0
    ground = np.arange(0, 360, 0.1)
    for seed in range(1200):
        code, aspect = repeating(rng, count, repeat, lambda size: np.degrees(rng.vonmises(0.4, 1.2, size)) % 360)
        told = length_of_preference(code, aspect, ground, seed)
        hits += told[0] <= special.i1(1.2) / special.i0(1.2) <= told[1]
    assert 0.93 <= hits / 1200 <= 0.97


def length_of_preference(
    code: NDArray[np.int64], aspect: NDArray[np.float64], ground: NDArray[np.float64], seed: int
) -> tuple[float, float]:
    """Return the interval of the headline as the block computes it."""
    scores, females = ground_scores(aspect, np.zeros(len(aspect)), ground)[:, 0], Females.of(code.astype(str))
    weights = female_weights(females, draws=299, rng=np.random.default_rng(seed))
    totals = females.totals(scores.real) + 1j * females.totals(scores.imag)
    limits = length_limits(totals, females.sizes.astype(float), weights, confidence=0.95)
    assert limits is not None
    return limits
