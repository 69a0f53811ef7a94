"""Which way dens face: by landscape class, along the gradient, and against the aspects that there are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from densite.compare import circular
from densite.compare.circular import Complexes, Limits
from densite.compare.entries import INDEPENDENT_FEMALES, PERMUTED, Entries, as_numbers, as_words, sentence, slug
from densite.compare.fidelity import value_weights
from densite.compare.resample import (
    Chance,
    Females,
    Floats,
    Ints,
    female_weights,
    permutation_p,
    permutation_rule,
    permuted_classes,
    permuted_gradient,
    portions,
    too_few,
)
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

PART = "aspect"
ALL = "all dens"
SECTORS = 16
COARSE_DEG = 5.0  # read to this or coarser: a point of the compass rather than a bearing in degrees
LEAST_AVAILABLE = 30  # fewer available points say too little of the ground; our own bound
LEAST_ALONG = 5  # dens below which two directions always fit the gradient well
CELLS = 500_000  # draws x dens held at a time
ENDS = (10, 90)  # percentiles of the gradient at which directions are told [%]

BEARING = "degrees clockwise from true north"
EFFECTIVE = "the dens of each female counted as her effective number, by how alike they face"
JACKKNIFE = (
    "leaving out one female at a time, arcsine form, t with females - 1 degrees of freedom; clockwise from lower"
)
BOOTSTRAP = "symmetric bootstrap-t over females on the artanh scale, bias removed"
FISHER = (
    "Fisher & Lewis 1983, Biometrika 70: 333-341 (from memory); MacKinnon, Nielsen & Webb 2023, doi:10.1002/jae.2969"
)
HALL = "Hall 1988, J. R. Stat. Soc. B 50: 35-45 (from memory); Field & Welsh 2007, doi:10.1111/j.1467-9868.2007.00593.x"
RAYLEIGH = "Zar 2010, Biostatistical Analysis, 5th ed., section 27.1"
WATSON = "Watson 1961, Biometrika 48: 109-114; Mardia & Jupp 2000, Directional Statistics, section 6.4 (from memory)"
LINEAR = "Mardia 1976, Biometrika 63: 403-405 (from memory)"


@dataclass(frozen=True, slots=True)
class _Dens:
    """Dens with an aspect: ``klass`` numbers the classes, -1 where there is none; ``gradient`` may be NaN."""

    bearing: Floats
    half: Floats
    klass: Ints
    gradient: Floats
    females: Females
    note: str

    @property
    def vectors(self) -> Complexes:
        """Unit vectors of the bearings (n,)."""
        return circular.unit_vectors(self.bearing)

    def at(self, chosen: NDArray[np.bool_]) -> _Dens:
        """Return some of the dens."""
        bearing, half, klass = self.bearing[chosen], self.half[chosen], self.klass[chosen]
        return _Dens(bearing, half, klass, self.gradient[chosen], self.females.within(chosen), self.note)

    def numbers(self) -> dict[str, Any]:
        """Dens, females known by id, and the note that goes with each result."""
        return {"dens": len(self.bearing), "females": self.females.known, "note": self.note}


def aspect_by_class(
    aspect_deg: ArrayLike, aspect_error_deg: ArrayLike, landscape_class: ArrayLike, gradient: ArrayLike,
    female: ArrayLike, *, classes: Sequence[str], gradient_name: str, available_deg: ArrayLike, chance: Chance,
    observed: str, part: str = PART,
) -> Block:  # fmt: skip
    """Tell which way dens face, and whether that differs from the ground, between classes and along the gradient.

    Parameters
    ----------
    aspect_deg : array_like, shape (n,)
        Aspect of each den, clockwise from true north; missing where the den is flat or it was not recorded. [deg]
    aspect_error_deg : array_like, shape (n,)
        Half the width of what was read, such as 22.5 for one of eight points; missing counts as 0. [deg]
    landscape_class : array_like of str, shape (n,)
        Class of each den; blank where there is none.
    gradient : array_like, shape (n,)
        Place of each den on the urban-to-rural gradient, missing where not known.
    female : array_like of str, shape (n,)
        Female of each den; blank where not known.
    classes : sequence of str
        All classes, in order.
    gradient_name : str
        What the gradient measures.
    available_deg : array_like, shape (m,)
        Aspects of available points; missing (flat) ones are left out. [deg]
    chance : Chance
        Seed, draws and confidence level.
    observed : str
        Whose aspects they are, in words, such as 'aspect seen at the den'.
    part : str
        Name of the block; a comparison may ask of two kinds of aspects.

    Returns
    -------
    Block
        Frames: ``dens`` (landscape_class, aspect_deg, aspect_error_deg, gradient, female), dens with an
        aspect; ``available`` (from_deg, middle_deg, to_deg, share), 16 sectors, the first about north;
        ``means`` (landscape_class, dens, females, direction_deg, direction_lower, direction_upper, length,
        length_lower, length_upper), the last row being all dens. Limits of a direction run clockwise from
        lower to upper. Missing numbers are NaN.

    Raises
    ------
    StatisticsError
        Columns of different lengths, a class that is not listed, or a half width that is no bearing's.

    Notes
    -----
    Headlines: dens against the available aspects, between classes, and along the gradient. Sources stand
    with each result.
    """
    dens, frame = _lined_up(aspect_deg, aspect_error_deg, landscape_class, gradient, female, classes=classes)
    ground = as_numbers(available_deg, what="available aspects")
    ground = np.sort(ground[np.isfinite(ground)] % 360)
    entries = Entries(part, about=f"{observed}: ")
    means = _say_means(entries, dens, classes=classes, chance=chance)
    _say_uniformity(entries, dens, classes=classes, chance=chance)
    _say_available(entries, dens, ground, chance=chance)
    _say_classes(entries, dens.at(dens.klass >= 0), classes=classes, chance=chance)
    _say_gradient(entries, dens.at(np.isfinite(dens.gradient)), name=gradient_name, chance=chance)
    return entries.block({"dens": frame, "available": _sectors(ground), "means": means})


def turned_p(scores: Complexes, females: Females, *, available: int, draws: int, rng: np.random.Generator) -> float:
    """Return the chance of scores as uneven as these when each female's dens are turned together.

    Parameters
    ----------
    scores : ndarray of complex, shape (n, 2)
        First and second harmonic of each den, see :func:`densite.compare.circular.ground_scores`.
    females : Females
        Whose each den is.
    available : int
        Number of available points on which the scores rest; 0 where evenly spread ground is taken as known.
    draws : int
        Number of draws.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    float
        p-value. [1]

    Notes
    -----
    Statistic: the first two terms of Watson's U2, |C1|^2 + |C2|^2 / 4 (Watson 1961, Biometrika 48: 109-114).
    Exact where, without any effect, a female's dens are as likely in any common turn of theirs; how alike
    they are is kept. The available points' own chance adds a normal error of variance 1/m to each harmonic.
    """
    totals = females.totals(scores.real) + 1j * females.totals(scores.imag)
    weight = np.array([1.0, 0.25])
    observed = float(weight @ np.abs(totals.sum(axis=0) / len(scores)) ** 2)
    turn = np.exp(2j * np.pi * rng.random((draws, females.count)))
    drawn = np.stack([turn @ totals[:, 0], turn**2 @ totals[:, 1]], axis=1) / len(scores)
    if available:
        error = rng.normal(size=(2, draws, 2)) / np.sqrt(2 * available)
        drawn = drawn + error[0] + 1j * error[1]
    return permutation_p(observed, np.abs(drawn) ** 2 @ weight)


def shares_between(
    vectors: Complexes, dealt: NDArray[np.integer], *, number: int, weights: Floats | None = None
) -> Floats:
    """Return the share of the variation of unit vectors between classes, for each row of classes.

    Parameters
    ----------
    vectors : ndarray of complex, shape (n,)
        Unit vectors.
    dealt : ndarray of int, shape (draws, n)
        Class of each, from 0.
    number : int
        Number of classes.
    weights : ndarray, shape (n,), optional
        How much each den counts; 1 unless given. [dens]

    Returns
    -------
    ndarray, shape (draws,)
        Squared distances of the class means from the overall mean over those of all vectors. [1]
    """
    counted = np.ones(len(vectors)) if weights is None else weights
    _, (sums, counts) = _class_sums(dealt, number, counted * vectors, counted.astype(np.complex128))
    return _between(sums, counts.real)


def shares_along(vectors: Complexes, gradient: Floats, weights: Floats | None = None) -> Floats:
    """Return the squared correlation of a gradient with cosine and sine together, for each row of the gradient.

    Parameters
    ----------
    vectors : ndarray of complex, shape (n,)
        Unit vectors, not all alike.
    gradient : ndarray, shape (draws, n)
        Places on the gradient.
    weights : ndarray, shape (n,), optional
        How much each den counts; 1 unless given. [dens]

    Returns
    -------
    ndarray, shape (draws,)
        0 for a row that does not vary. [1]

    Notes
    -----
    Source: Mardia 1976, Biometrika 63: 403-405 (from memory).
    """
    counted = np.ones(len(vectors)) if weights is None else weights
    axes = _axes(vectors, counted)
    off = (gradient - (gradient @ counted / counted.sum())[:, None]) * np.sqrt(counted)
    spread = np.einsum("ij,ij->i", off, off)
    held = np.sum((off @ axes) ** 2, axis=1)
    share: Floats = np.clip(held / np.where(spread > 0, spread, 1.0), 0.0, 1.0)
    return share


def _lined_up(
    aspect: ArrayLike, error: ArrayLike, landscape_class: ArrayLike, gradient: ArrayLike, female: ArrayLike,
    *, classes: Sequence[str],
) -> tuple[_Dens, pd.DataFrame]:  # fmt: skip
    """Return the dens with an aspect, and the same as a frame."""
    bearing = as_numbers(aspect, what="aspects") % 360
    size = len(bearing)
    half = np.nan_to_num(as_numbers(error, what="what aspects were read to", size=size), nan=0.0)
    if np.any((half < 0) | (half >= 180)):
        raise StatisticsError("what an aspect was read to must be from 0 to below 180 degrees")
    words = as_words(landscape_class, what="landscape classes", size=size)
    if strange := sorted(set(words) - set(classes) - {""}):
        raise StatisticsError(f"landscape class '{strange[0]}' is not listed; listed: {', '.join(classes)}")
    klass = np.array([classes.index(word) if word else -1 for word in words], dtype=np.int64)
    place = as_numbers(gradient, what="gradient", size=size)
    names = as_words(female, what="females", size=size)
    known = np.isfinite(bearing)
    dens = _Dens(bearing, half, klass, place, Females.of(names), _note(known, half, names)).at(known)
    columns = {
        "landscape_class": words, "aspect_deg": bearing, "aspect_error_deg": half, "gradient": place, "female": names
    }  # fmt: skip
    return dens, pd.DataFrame(columns)[known].reset_index(drop=True)


def _note(known: NDArray[np.bool_], half: Floats, names: NDArray[np.object_]) -> str:
    """Say how many dens have no aspect, one read as a point of the compass, or no known female."""
    missing, coarse = np.count_nonzero(~known), np.count_nonzero(known & (half >= COARSE_DEG))
    alone = np.count_nonzero(known & (names == ""))
    said = (
        f"{missing} of {len(known)} dens without an aspect (flat, or not recorded) left out" if missing else "",
        f"{coarse} aspects are points of the compass, read to {COARSE_DEG:g} degrees or coarser" if coarse else "",
        f"{alone} dens without a known female each count as another female" if alone else "",
    )
    return "; ".join(text for text in said if text)


def _say_means(entries: Entries, dens: _Dens, *, classes: Sequence[str], chance: Chance) -> pd.DataFrame:
    """Add mean directions and resultant lengths by class and over all, and return them as a frame."""
    rows = []
    for number, name in [*enumerate(classes), (-1, ALL)]:
        some = dens if name == ALL else dens.at(dens.klass == number)
        told: list[float | None] = [None] * 6
        if len(some.bearing):
            told = [*_say_direction(entries, some, name, chance), *_say_length(entries, some, name, chance)]
        else:
            entries.cannot(f"mean direction and resultant length, {name}", "there is no den with an aspect")
        rows.append([name, len(some.bearing), some.females.known, *told])
    ends = ("", "_lower", "_upper")
    columns = [f"direction{end or '_deg'}" for end in ends] + [f"length{end}" for end in ends]
    frame = pd.DataFrame(rows, columns=["landscape_class", "dens", "females", *columns])
    return frame.astype(dict.fromkeys(columns, float))


def _say_direction(entries: Entries, dens: _Dens, where: str, chance: Chance) -> list[float | None]:
    """Add the mean direction of some dens, and return it with its limits."""
    mean, left_out = _mean_vector(dens.vectors, dens.females)
    found = circular.direction_deg(mean)
    if found is None:
        entries.cannot(f"mean direction, {where}", "the aspects cancel out")
        return [None, None, None]
    limits = circular.direction_limits(mean, left_out, confidence=chance.confidence)
    if limits is None:
        entries.cannot(f"interval of the mean direction, {where}", _why_no_direction(dens))
    entries.say(
        f"direction/{slug(where)}", what="mean direction", where=where, estimate=found, unit=BEARING, limits=limits,
        interval=JACKKNIFE, method="direction of the mean of unit vectors over dens", assumes=INDEPENDENT_FEMALES,
        source=FISHER, **dens.numbers(),
    )  # fmt: skip
    return [found, *(limits or (None, None))]


def _why_no_direction(dens: _Dens) -> str:
    if dens.females.count < 2:
        return "there is one female"
    if np.ptp(dens.bearing) == 0:
        return "all dens face the same way"
    return f"no direction can be excluded with {dens.females.count} females that agree so little"


def _say_length(entries: Entries, dens: _Dens, where: str, chance: Chance) -> list[float | None]:
    """Add the resultant length of some dens, and return it with its limits."""
    vectors = dens.vectors * circular.grouping_factor(dens.half)
    found = min(float(abs(vectors.mean())), 1.0)
    limits = _length_limits(vectors, dens.females, chance, f"length/{slug(where)}")
    if limits is None:
        entries.cannot(
            f"interval of the resultant length, {where}", "needs three females or more that do not all agree"
        )
    entries.say(
        f"length/{slug(where)}", what="resultant length (1: all face one way)", where=where, estimate=found,
        limits=limits, interval=BOOTSTRAP, method="length of the mean of unit vectors over dens, each divided by "
        "sin(d/2)/(d/2) where an aspect was read to a width d",
        assumes=f"{INDEPENDENT_FEMALES}; aspects spread evenly within what was read",
        source=HALL, **dens.numbers(),
    )  # fmt: skip
    return [found, *(limits or (None, None))]


def _length_limits(vectors: Complexes, females: Females, chance: Chance, name: str) -> Limits:
    weights = female_weights(females, draws=chance.bootstraps, rng=chance.rng(f"{PART}/{name}"))
    totals = females.totals(vectors.real) + 1j * females.totals(vectors.imag)
    return circular.length_limits(totals, females.sizes.astype(np.float64), weights, confidence=chance.confidence)


def _say_uniformity(entries: Entries, dens: _Dens, *, classes: Sequence[str], chance: Chance) -> None:
    """Add Rayleigh's test by class and over all, and the test of all that turns females."""
    for number, name in [*enumerate(classes), (-1, ALL)]:
        some = dens if name == ALL else dens.at(dens.klass == number)
        if not len(some.bearing):
            continue
        length = circular.resultant_length(some.bearing)
        entries.say(
            f"uniform/{slug(name)}", what="facing all ways alike (Rayleigh's z)", where=name,
            estimate=len(some.bearing) * length**2, p=circular.rayleigh_p(len(some.bearing), length), proof="dens",
            method="Rayleigh's test, p by the exponential formula", assumes=f"{AS_IF_INDEPENDENT}; one preferred way",
            source=RAYLEIGH, **some.numbers(),
        )  # fmt: skip
    if dens.females.count < 2:
        entries.cannot("facing all ways alike, by females", "needs two females or more")
        return
    scores, rng = circular.ground_scores(dens.bearing, dens.half, np.empty(0)), chance.rng(f"{PART}/uniform")
    p = turned_p(scores, dens.females, available=0, draws=chance.permutations, rng=rng)
    entries.say(
        "uniform/females", what="facing all ways alike, females turned", where=ALL, p=p, **_turning(), **dens.numbers()
    )


def _turning() -> dict[str, Any]:
    """Return method, assumptions and source of the test that turns females."""
    return {
        "method": "first two terms of Watson's U2, each female's dens turned together by chance",
        "assumes": f"{INDEPENDENT_FEMALES}; without any preference, a female's dens are as likely in any common turn "
        "of theirs",
        "source": WATSON,
    }


def _say_available(entries: Entries, dens: _Dens, ground: Floats, *, chance: Chance) -> None:
    """Add the test of dens against the available aspects, and the way in which they differ."""
    few = f"{len(ground)} available aspects, of which {LEAST_AVAILABLE} are needed"
    if why := few if len(ground) < LEAST_AVAILABLE else too_few(dens.females):
        entries.cannot("dens against available aspects", why)
        return
    scores = circular.ground_scores(dens.bearing, dens.half, ground)
    rng = chance.rng(f"{PART}/available")
    p = turned_p(scores, dens.females, available=len(ground), draws=chance.permutations, rng=rng)
    limits = _length_limits(scores[:, 0], dens.females, chance, "available")
    words = _turning()
    words["method"] += ", on a circle on which the available aspects are spread evenly; their own chance added"
    words["assumes"] += "; available points are independent of each other; aspects were read without error"
    entries.say(
        "available", what="preference over the available aspects (0: dens face as the ground does)", where=ALL,
        estimate=min(float(abs(scores[:, 0].mean())), 1.0), limits=limits, interval=BOOTSTRAP, p=p, headline=True,
        **words, **{**dens.numbers(), "note": sentence([dens.note, f"{len(ground)} available aspects"])},
    )  # fmt: skip
    _say_excess(entries, dens, ground, chance)


def _say_excess(entries: Entries, dens: _Dens, ground: Floats, chance: Chance) -> None:
    """Add the direction in which dens differ from the ground."""
    vectors = dens.vectors - circular.unit_vectors(ground).mean()
    mean, left_out = _mean_vector(vectors, dens.females)
    limits = circular.direction_limits(mean, left_out, confidence=chance.confidence)
    if limits is None:
        entries.cannot("way that dens face more than the ground", _why_no_direction(dens))
        return
    entries.say(
        "available/direction", what="way that dens face more than the ground", where=ALL, limits=limits, unit=BEARING,
        estimate=circular.direction_deg(mean), interval=JACKKNIFE, source=FISHER,
        assumes=f"{INDEPENDENT_FEMALES}; available aspects taken as known",
        method="direction of the mean vector of dens less that of the available aspects",
        **dens.numbers(),
    )  # fmt: skip


def _say_classes(entries: Entries, dens: _Dens, *, classes: Sequence[str], chance: Chance) -> None:
    """Add the tests among classes: the headline by mean vectors, and three published ones."""
    present, klass = np.unique(dens.klass, return_inverse=True)
    if len(present) < 2 or too_few(dens.females) or np.ptp(dens.bearing) == 0:
        entries.cannot("difference among classes", _why_no_classes(len(present), dens))
        return
    found = _among(dens, klass.astype(np.int64), len(present), chance)
    where = ", ".join(classes[number] for number in present)
    rule = permutation_rule(klass.astype(np.int64), dens.females)
    shared = {"where": where, "assumes": INDEPENDENT_FEMALES, "source": PERMUTED, **dens.numbers()}
    entries.say(
        "classes", what="share of the variation of aspect that lies between classes", estimate=found["vectors"][0],
        p=found["vectors"][1], headline=True, **shared,
        method=f"squared distances of the classes' mean vectors, {EFFECTIVE}; {rule}",
    )  # fmt: skip
    samples = [dens.bearing[klass == number] for number in range(len(present))]
    for test, name, dens_p, rest in _published(samples, dens, klass.astype(np.int64), chance):
        observed, p = found[test]
        if isinstance(dens_p, str):
            entries.cannot(f"{name} as if dens were independent", dens_p)
        else:
            entries.say(f"{test}/dens", what=name, estimate=observed, p=dens_p, proof="dens", **{**shared, **rest})
        if np.isfinite(observed):
            entries.say(f"{test}/females", what=f"{name}, over females", estimate=observed, p=p, method=rule, **shared)
        else:
            entries.cannot(f"{name}, over females", "dens do not differ within classes")


def _why_no_classes(present: int, dens: _Dens) -> str:
    if present < 2:
        return f"needs dens with an aspect in two classes or more; they are in {present}"
    return too_few(dens.females) or "all dens face the same way"


def _among(dens: _Dens, klass: Ints, number: int, chance: Chance) -> dict[str, tuple[float, float]]:
    """Return each statistic among classes and its chance when classes are dealt out anew among females."""
    observed = _class_statistics(dens, klass[None, :], number)
    rng = chance.rng(f"{PART}/classes")
    drawn = [
        _class_statistics(dens, permuted_classes(klass, dens.females, draws=some, rng=rng), number)
        for some in portions(chance.permutations, len(klass), cells=CELLS)
    ]
    together = {key: np.concatenate([each[key] for each in drawn]) for key in observed}
    finite = {key: np.nan_to_num(value, posinf=np.finfo(np.float64).max) for key, value in together.items()}
    return {
        key: (float(value[0]), permutation_p(min(float(value[0]), float(np.finfo(np.float64).max)), finite[key]))
        for key, value in observed.items()
    }


def _class_statistics(dens: _Dens, dealt: NDArray[np.integer], number: int) -> dict[str, Floats]:
    """Return the statistics for each row of classes (draws, n)."""
    vectors, scores = dens.vectors, circular.uniform_scores(dens.bearing)
    weights = value_weights(vectors, dens.females)
    counts, (sums, ranks) = _class_sums(dealt, number, vectors, scores)
    order, ends = circular.sorted_bearings(dens.bearing)
    return {
        "vectors": shares_between(vectors, dealt, number=number, weights=weights),
        "watson-williams": circular.watson_williams_f(sums, counts),
        "watson-u2": circular.watson_u2_of(dealt[:, order], ends, number),
        "mardia-watson-wheeler": circular.mardia_watson_wheeler_w(ranks, counts),
    }


def _class_sums(dealt: NDArray[np.integer], number: int, *columns: Complexes) -> tuple[Floats, list[Complexes]]:
    """Return dens (draws, k) and the sums of columns (n,) by class for each row of classes (draws, n)."""
    sides = np.stack([side for column in columns for side in (column.real, column.imag)], axis=1)
    sides = np.append(sides, np.ones((len(sides), 1)), axis=1)
    # One product with all columns for each class is far faster than complex numbers picked by masks.
    parts = np.stack([(dealt == each).astype(np.float64) @ sides for each in range(number)], axis=1)
    return parts[..., -1], [parts[..., 2 * i] + 1j * parts[..., 2 * i + 1] for i in range(len(columns))]


def _between(sums: Complexes, counts: Floats) -> Floats:
    """Return the share of the squared distances of unit vectors that lies between classes."""
    n = counts.sum(axis=1)
    whole = np.abs(sums.sum(axis=1)) ** 2 / n
    between = np.sum(np.abs(sums) ** 2 / np.maximum(counts, 1), axis=1) - whole
    share: Floats = np.clip(between / np.maximum(n - whole, circular.NO_DIRECTION), 0.0, 1.0)
    return share


def _published(
    samples: list[Floats], dens: _Dens, klass: Ints, chance: Chance
) -> Iterator[tuple[str, str, float | str, dict[str, str]]]:
    """Yield each published test: key, name, p as if dens were independent or why there is none, and its words."""
    apart, least = f"{AS_IF_INDEPENDENT}; ", min(len(sample) for sample in samples)
    trouble = _why_not_williams(samples)
    yield "watson-williams", "Watson-Williams F", trouble or circular.watson_williams(samples).p, {
        "method": "Watson-Williams' test, kappa of the mean of the classes' resultant lengths weighted by dens",
        "assumes": f"{apart}von Mises distributions of one concentration", "source": "Zar 2010, section 27.4",
    }  # fmt: skip
    if len(samples) == 2:
        p, how = circular.watson_u2_p(circular.watson_u2(samples)), "asymptotic p"
    else:
        p, how = _dens_dealt(dens, klass, len(samples), chance), "classes dealt out anew among dens"
    yield "watson-u2", "Watson's U2", p, {
        "method": f"Watson's U2, ties allowed; {how}", "assumes": f"{apart}any distributions",
        "source": "Watson 1962, Biometrika 49: 57-63; Maag 1966, Biometrika 53: 579-583 (from memory)",
    }  # fmt: skip
    few = f"the chi-square approximation needs ten dens a class; the smallest has {least}" if least < 10 else ""
    yield "mardia-watson-wheeler", "Mardia-Watson-Wheeler W", few or circular.mardia_watson_wheeler(samples).p, {
        "method": "uniform scores, tied aspects share their mean rank; chi-square with 2 (classes - 1) degrees",
        "assumes": f"{apart}few ties", "source": "Zar 2010, section 27.5; Mardia 1972, J. R. Stat. Soc. B 34: 102-113",
    }  # fmt: skip


def _why_not_williams(samples: list[Floats]) -> str:
    """Say which assumption of Watson-Williams' test does not hold, if any."""
    n = sum(len(sample) for sample in samples)
    within = sum(len(sample) * circular.resultant_length(sample) for sample in samples) / n
    least = 2 if len(samples) == 2 else 1
    if n <= len(samples) or within >= 1 - circular.NO_DIRECTION:
        return "dens do not differ within classes"
    kappa = float(circular.concentration(min(within, circular.MOST_LENGTH)))
    if kappa < least:
        return f"needs a concentration within classes of {least} or more; it is {kappa:.2f}"
    p = circular.equal_concentrations_p(samples)
    if p is None or p < 0.05:
        return "concentrations of the classes " + ("cannot be compared" if p is None else f"differ (p {p:.3f})")
    return ""


def _dens_dealt(dens: _Dens, klass: Ints, number: int, chance: Chance) -> float:
    """Return the chance of Watson's U2 when classes are dealt out among dens."""
    alone = Females.of(np.full(len(klass), None))
    order, ends = circular.sorted_bearings(dens.bearing)
    rng = chance.rng(f"{PART}/watson-u2")
    drawn = [
        circular.watson_u2_of(permuted_classes(klass, alone, draws=some, rng=rng), ends, number)
        for some in portions(chance.permutations, len(klass), cells=CELLS)
    ]
    observed = circular.watson_u2_of(klass[None, order], ends, number)
    return permutation_p(float(observed[0]), np.concatenate(drawn))


def _say_gradient(entries: Entries, dens: _Dens, *, name: str, chance: Chance) -> None:
    """Add the correlation of aspect with the gradient, and the directions at both of its ends."""
    if trouble := _why_no_gradient(dens):
        entries.cannot(f"aspect along {name}", trouble)
        return
    vectors, weights = dens.vectors, value_weights(dens.vectors, dens.females)
    observed = float(shares_along(vectors, dens.gradient[None, :])[0])
    counted = float(shares_along(vectors, dens.gradient[None, :], weights)[0])
    rng = chance.rng(f"{PART}/gradient")
    drawn = np.concatenate([
        shares_along(vectors, permuted_gradient(dens.gradient, dens.females, draws=some, rng=rng), weights)
        for some in portions(chance.permutations, len(dens.gradient), cells=CELLS)
    ])  # fmt: skip
    shared = {"where": f"along {name}", "source": LINEAR, "estimate": float(np.sqrt(observed)), **dens.numbers()}
    method = "correlation of the gradient with cosine and sine of the aspect together"
    entries.say(
        "gradient", what="correlation of aspect with the gradient", p=permutation_p(counted, drawn), headline=True,
        method=f"{method}, for p with {EFFECTIVE}; means of females dealt out anew among {dens.females.count} females, "
        "the rest within each",
        assumes=INDEPENDENT_FEMALES, **shared,
    )  # fmt: skip
    rank = _axes(vectors, np.ones(len(vectors))).shape[1]
    rest = len(dens.gradient) - rank - 1
    entries.say(
        "gradient/dens", what="correlation of aspect with the gradient", method=f"{method}; F test", proof="dens",
        p=float(stats.f.sf(observed / max(1 - observed, 1e-15) * rest / rank, rank, rest)),
        assumes=f"{AS_IF_INDEPENDENT}; normal spread of the gradient", **shared,
    )  # fmt: skip
    for percent in ENDS:
        _say_end(entries, dens, percent, name=name, chance=chance)


def _why_no_gradient(dens: _Dens) -> str:
    if len(dens.bearing) < LEAST_ALONG:
        return f"needs {LEAST_ALONG} dens with an aspect and a place on the gradient"
    if why := too_few(dens.females):
        return why
    if not _axes(dens.vectors, np.ones(len(dens.vectors))).shape[1]:
        return "all dens face the same way"
    spread = np.ptp(dens.gradient) > 1e-9 * np.max(np.abs(dens.gradient))
    return "" if spread else "the gradient does not vary"


def _axes(vectors: Complexes, weights: Floats) -> Floats:
    """Return an orthonormal basis (n, 1 or 2) of cosine and sine about their means; (n, 0) where alike."""
    sides = np.stack([vectors.real, vectors.imag], axis=1)
    off = (sides - np.average(sides, axis=0, weights=weights)) * np.sqrt(weights)[:, None]
    left, size, _ = np.linalg.svd(off, full_matrices=False)
    basis: Floats = left[:, size > 1e-9 * np.sqrt(len(vectors))]
    return basis


def _say_end(entries: Entries, dens: _Dens, percent: int, *, name: str, chance: Chance) -> None:
    """Add the direction that cosine and sine fitted along the gradient give at a percentile of it."""
    at = float(np.percentile(dens.gradient, percent))
    fitted = _fitted(dens.gradient - at, dens.vectors, dens.females)
    limits = circular.direction_limits(complex(fitted[0]), fitted[1:], confidence=chance.confidence)
    found = circular.direction_deg(complex(fitted[0]))
    if limits is None or found is None:
        entries.cannot(f"direction at the {percent} % place of {name}", _why_no_direction(dens))
        return
    entries.say(
        f"gradient/{percent}", what="direction at a place on the gradient",
        where=f"{name} {at:.4g} ({percent} % of dens below)",
        estimate=found, unit=BEARING, limits=limits, interval=JACKKNIFE, source=FISHER,
        method="direction of cosine and sine fitted by least squares along the gradient",
        assumes=f"{INDEPENDENT_FEMALES}; cosine and sine change evenly along the gradient", **dens.numbers(),
    )  # fmt: skip


def _fitted(x: Floats, vectors: Complexes, females: Females) -> Complexes:
    """Return the fitted vector at x = 0 for all dens, then without each female (1 + f,); NaN where x is constant."""
    sides = [np.ones_like(x), x, x * x, vectors.real, vectors.imag, x * vectors.real, x * vectors.imag]
    sums = females.totals(np.stack(sides, axis=1))
    whole = sums.sum(axis=0)
    n, u, uu, c, s, uc, us = np.vstack([whole, whole - sums]).T
    spread = n * uu - u * u
    varied = spread > 1e-9 * whole[0] * whole[2]
    found: Complexes = (uu * (c + 1j * s) - u * (uc + 1j * us)) / np.where(varied, spread, 1.0)
    return np.where(varied, found, np.nan)


def _mean_vector(vectors: Complexes, females: Females) -> tuple[complex, Complexes]:
    """Return the mean vector over dens, and the same without each female (f,), NaN where that leaves no den."""
    totals = females.totals(vectors.real) + 1j * females.totals(vectors.imag)
    rest = len(vectors) - females.sizes
    left_out: Complexes = (totals.sum() - totals) / np.maximum(rest, 1)
    return complex(totals.sum() / len(vectors)), np.where(rest > 0, left_out, np.nan)


def _sectors(ground: Floats) -> pd.DataFrame:
    """Return shares of available aspects in sectors, the first of which lies about north."""
    width = 360 / SECTORS
    number = np.floor(((ground + width / 2) % 360) / width).astype(np.int64)
    count = np.bincount(np.minimum(number, SECTORS - 1), minlength=SECTORS)
    middle = np.arange(SECTORS) * width
    share = count / len(ground) if len(ground) else np.full(SECTORS, np.nan)
    return pd.DataFrame(
        {"from_deg": (middle - width / 2) % 360, "middle_deg": middle, "to_deg": middle + width / 2, "share": share}
    )
