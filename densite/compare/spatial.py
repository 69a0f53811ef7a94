"""Whether dens near each other are alike beyond what a comparison explains."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from densite.compare.entries import Entries, as_numbers, as_words
from densite.compare.resample import Chance, Females, Floats, Ints, permutation_p, portions
from densite.compare.result import AS_IF_INDEPENDENT, Block

PART = "spatial"
NEIGHBOURS = 5  # common practice, no source
CELLS = 1_000_000  # draws x places held at a time

MORAN = "Moran 1950, Biometrika 37: 17-23; Cliff & Ord 1981, Spatial Processes (from memory)"
JOINS = "Cliff & Ord 1981, Spatial Processes (from memory)"
WITHIN = "values dealt out anew among the dens of each winter; chance of as much or more"
NEAREST = f"each place weighs its {NEIGHBOURS} nearest"


@dataclass(frozen=True, slots=True)
class _Places:
    """Dens with a place and a value: ``xy`` (n, 2) [m], ``winter`` numbers winters from 0."""

    xy: Floats
    value: Floats
    winter: Ints
    females: Females
    note: str

    def at(self, chosen: NDArray[np.bool_]) -> _Places:
        """Return some of the dens."""
        females = self.females.within(chosen)
        return _Places(self.xy[chosen], self.value[chosen], self.winter[chosen], females, self.note)


def autocorrelation(
    x_m: ArrayLike, y_m: ArrayLike, winter: ArrayLike, female: ArrayLike, residual: ArrayLike,
    *, what: str, chance: Chance,
) -> Block:  # fmt: skip
    """Tell whether what a comparison leaves over is alike at dens near each other.

    Parameters
    ----------
    x_m, y_m : array_like, shape (n,)
        Place of each den in a projected CRS. [m]
    winter : array_like, shape (n,)
        Winter of each den; those without one are taken for one more winter.
    female : array_like of str, shape (n,)
        Female of each den; blank where not known.
    residual : array_like, shape (n,)
        What is left over at each den, missing where not known; where it takes two values only, such as a
        den type or not, joins of the same kind are counted too.
    what : str
        What it is, in words.
    chance : Chance
        Seed and number of permutations.

    Returns
    -------
    Block
        Frame ``neighbours`` (value, neighbours_mean): the value at each den and the mean at its nearest dens
        of other females, about the overall mean; no places.

    Raises
    ------
    StatisticsError
        Columns of different lengths.

    Notes
    -----
    Headline: Moran's I of females, each at the mean place of her dens with the mean of what is left at them
    beside their winters' means, females dealt out anew. Dens of one female are alike because she repeats
    herself; dealing out dens within winters breaks this up, so those tests are shown as if dens were
    independent: with all neighbours, and with neighbours of other females only.
    """
    places = _lined_up(x_m, y_m, winter, female, residual)
    entries, frames = Entries(PART), {"neighbours": pd.DataFrame({"value": [], "neighbours_mean": []}, dtype=float)}
    if trouble := _why_not(places):
        entries.cannot(f"{what}: dens near each other", trouble)
        return entries.block(frames)
    _say_females(entries, places, what=what, chance=chance)
    for key, label, apart in (("all", "all dens", False), ("others", "dens of other females", True)):
        weights = nearest_weights(places.xy, places.females.code if apart else np.arange(len(places.xy)))
        if weights.nnz == 0:
            entries.cannot(f"{what}: dens near each other, {label}", "all dens are of one female")
            continue
        _say_dens(entries, places, weights, key=key, label=label, what=what, chance=chance)
        frames["neighbours"] = _scatter(places.value, weights)
    return entries.block(frames)


def nearest_weights(xy_m: Floats, group: Ints, *, neighbours: int = NEIGHBOURS) -> sparse.csr_array:
    """Return weights of the nearest places of other groups, which sum to 1 for each place.

    Parameters
    ----------
    xy_m : ndarray, shape (n, 2)
        Places in a projected CRS; coincident ones are neighbours at distance 0. [m]
    group : ndarray of int, shape (n,)
        Places of one group are no neighbours; number each place for itself to let all be.
    neighbours : int
        How many nearest; fewer where there are not as many in other groups.

    Returns
    -------
    sparse array, shape (n, n)
        A row without a neighbour is empty.
    """
    count, code = len(xy_m), np.unique(group, return_inverse=True)[1]
    reach = min(count, neighbours + int(np.bincount(code).max()))
    near = cKDTree(xy_m).query(xy_m, k=np.arange(1, reach + 1))[1]
    allowed = code[near] != code[:, None]
    kept = allowed & (np.cumsum(allowed, axis=1) <= neighbours)
    row, _ = np.nonzero(kept)
    share = 1 / np.maximum(kept.sum(axis=1), 1)
    return sparse.csr_array((share[row], (row, near[kept])), shape=(count, count))


def moran(values: Floats, weights: sparse.csr_array) -> Floats:
    """Return Moran's I for each row of values.

    Parameters
    ----------
    values : ndarray, shape (draws, n)
        Values at places, each row not all alike.
    weights : sparse array, shape (n, n)
        Weights of neighbours.

    Returns
    -------
    ndarray, shape (draws,)
        Expected at -1 / (n - 1) by chance. [1]

    Notes
    -----
    Source: Moran 1950, Biometrika 37: 17-23; Cliff & Ord 1981, Spatial Processes (from memory).
    """
    off = values - values.mean(axis=1, keepdims=True)
    near = (weights @ off.T).T
    count = values.shape[1]
    found: Floats = count / weights.sum() * np.sum(off * near, axis=1) / np.sum(off**2, axis=1)
    return found


def same_joins(kinds: Floats, weights: sparse.csr_array) -> Floats:
    """Return the share of joins between neighbours that are of one kind, for each row of kinds.

    Parameters
    ----------
    kinds : ndarray, shape (draws, n)
        -1 or 1.
    weights : sparse array, shape (n, n)
        Weights of neighbours; each pair with a weight is a join, seen from each side.

    Returns
    -------
    ndarray, shape (draws,)
        From 0 to 1. [1]

    Notes
    -----
    Source: joins of both kinds with themselves over all joins, Cliff & Ord 1981, Spatial Processes (from memory).
    """
    joins = weights.sign()
    found: Floats = 0.5 + np.sum(kinds * (joins @ kinds.T).T, axis=1) / (2 * joins.nnz)
    return found


def dealt_within(values: Floats, winter: Ints, *, draws: int, rng: np.random.Generator) -> Floats:
    """Deal values out anew among the dens of each winter.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Value at each den.
    winter : ndarray of int, shape (n,)
        Winter of each den.
    draws : int
        Number of draws.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    ndarray, shape (draws, n)
    """
    dealt = np.tile(values, (draws, 1))
    for one in np.unique(winter):
        dens = np.flatnonzero(winter == one)
        dealt[:, dens] = rng.permuted(dealt[:, dens], axis=1)
    return dealt


def _lined_up(x: ArrayLike, y: ArrayLike, winter: ArrayLike, female: ArrayLike, residual: ArrayLike) -> _Places:
    """Return the dens with a place and a value."""
    east = as_numbers(x, what="places")
    size = len(east)
    north, value = as_numbers(y, what="y of places", size=size), as_numbers(residual, what="residuals", size=size)
    when, names = as_words(winter, what="winters", size=size), as_words(female, what="females", size=size)
    xy = np.stack([east, north], axis=1)
    known: NDArray[np.bool_] = np.isfinite(xy).all(axis=1) & np.isfinite(value)
    code = pd.factorize(when)[0].astype(np.int64)
    missing = int(np.count_nonzero(~known))
    note = f"{missing} of {size} dens without a place or a value left out" if missing else ""
    return _Places(xy, value, code, Females.of(names), note).at(known)


def _why_not(places: _Places) -> str:
    """Say why dens near each other cannot be compared, if they cannot."""
    if len(places.value) < NEIGHBOURS + 2:
        return f"needs {NEIGHBOURS + 2} dens or more, for {NEIGHBOURS} neighbours each; there are {len(places.value)}"
    if not np.ptp(places.xy, axis=0).any():
        return "all dens lie at one place"
    return "" if _varies(places.value) else "all dens have the same value"


def _varies(values: Floats) -> bool:
    return bool(np.ptp(values) > 1e-9 * np.max(np.abs(values)))


def _say_females(entries: Entries, places: _Places, *, what: str, chance: Chance) -> None:
    """Add the headline: Moran's I of females."""
    told = _by_female(places)
    name = f"{what}: females near each other (Moran's I)"
    if len(told.value) < NEIGHBOURS + 2 or not _varies(told.value):
        entries.cannot(
            name, f"needs {NEIGHBOURS + 2} females or more that differ within winters; found {len(told.value)}"
        )
        return
    weights = nearest_weights(told.xy, np.arange(len(told.value)))
    observed = float(moran(told.value[None, :], weights)[0])
    rng = chance.rng(f"{PART}/females")
    drawn = np.concatenate([
        moran(rng.permuted(np.tile(told.value, (some, 1)), axis=1), weights)
        for some in portions(chance.permutations, len(told.value), cells=CELLS)
    ])  # fmt: skip
    entries.say(
        "moran/females", what=name, where="females", estimate=observed, p=permutation_p(observed, drawn), headline=True,
        method=f"Moran's I of females' means beside those of winters, at the mean place of their dens; {NEAREST}; "
        "females dealt out anew; chance of as much or more", source=MORAN, note=told.note,
        assumes="without any likeness of neighbours, a female's mean is independent of where she is",
        **_counted(places, told),
    )  # fmt: skip


def _counted(places: _Places, told: _Places) -> dict[str, Any]:
    """Return the dens and the females known by id that entered the test of females."""
    together = np.bincount(places.winter)[places.winter] > 1
    return {"dens": int(np.count_nonzero(together)), "females": told.females.known}


def _by_female(places: _Places) -> _Places:
    """Return one place and one value for each female, beside the means of winters."""
    size = np.bincount(places.winter)
    together = size[places.winter] > 1
    mean = np.bincount(places.winter, weights=places.value) / np.maximum(size, 1)
    some = places.at(together)
    off = some.value - mean[some.winter]
    # What rounding leaves of dens that are all alike within their winters must not look like a difference.
    off = np.where(np.abs(off) < 1e-12 * np.max(np.abs(places.value)), 0.0, off)
    females, alone = some.females, int(np.count_nonzero(~together))
    said = [places.note, f"{alone} dens that are alone in their winter left out" if alone else ""]
    each = females.sizes[:, None]
    xy = females.totals(some.xy) / each
    value = females.totals(off) / each[:, 0]
    single = Females(np.arange(females.count, dtype=np.int64), females.named)
    return _Places(xy, value, np.zeros(females.count, np.int64), single, "; ".join(text for text in said if text))


def _say_dens(
    entries: Entries, places: _Places, weights: sparse.csr_array, *, key: str, label: str, what: str, chance: Chance
) -> None:
    """Add Moran's I of dens and, for two kinds, joins of the same kind."""
    if not any(np.ptp(places.value[places.winter == one]) > 0 for one in np.unique(places.winter)):
        entries.cannot(f"{what}: dens near each other, {label}", "dens do not differ within any winter")
        return
    found = _tested(places, places.value, weights, moran, chance, f"moran-{key}")
    shared: dict[str, Any] = {
        "where": f"neighbours: {label}", "assumes": f"{AS_IF_INDEPENDENT}; dens of a winter could be exchanged",
        "proof": "dens", "dens": len(places.value), "females": places.females.known,
    }  # fmt: skip
    entries.say(
        f"moran/{key}", what=f"{what}: dens near each other (Moran's I)", source=MORAN, method=f"{NEAREST}; {WITHIN}",
        estimate=found[0], p=found[1], note=_expected(places, found[2]), **shared,
    )  # fmt: skip
    if len(np.unique(places.value)) == 2:
        kinds = np.where(places.value == places.value.max(), 1.0, -1.0)
        found = _tested(places, kinds, weights, same_joins, chance, f"joins-{key}")
        entries.say(
            f"joins/{key}", what=f"{what}: share of neighbours of the same kind (join counts)", estimate=found[0],
            method=f"{NEAREST}; {WITHIN}", source=JOINS, p=found[1], note=_expected(places, found[2]), **shared,
        )  # fmt: skip


def _expected(places: _Places, mean: float) -> str:
    said = f"{mean:.3f} expected by chance"
    return f"{places.note}; {said}" if places.note else said


def _tested(
    places: _Places, values: Floats, weights: sparse.csr_array,
    statistic: Callable[[Floats, sparse.csr_array], Floats], chance: Chance, name: str,
) -> tuple[float, float, float]:  # fmt: skip
    """Return a statistic, its p when values are dealt out within winters, and its mean by chance."""
    rng = chance.rng(f"{PART}/{name}")
    observed = float(statistic(values[None, :], weights)[0])
    drawn = np.concatenate([
        statistic(dealt_within(values, places.winter, draws=some, rng=rng), weights)
        for some in portions(chance.permutations, len(values), cells=CELLS)
    ])  # fmt: skip
    return observed, permutation_p(observed, drawn), float(drawn.mean())


def _scatter(values: Floats, weights: sparse.csr_array) -> pd.DataFrame:
    """Return values and the means at their neighbours, about the mean; dens without a neighbour left out."""
    off = values - values.mean()
    some = np.diff(weights.indptr) > 0
    return pd.DataFrame({"value": off[some], "neighbours_mean": (weights @ off)[some]})
