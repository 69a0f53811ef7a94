"""Den type by landscape class: shares, differences, tests, with the female as the unit of proof."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from densite.compare.entries import (
    INDEPENDENT_FEMALES,
    JACKKNIFE,
    LEAVING_OUT,
    PERMUTED,
    Entries,
    as_words,
    left_out,
    sentence,
    slug,
    without_female,
)
from densite.compare.exact import exact_p
from densite.compare.fidelity import den_weights
from densite.compare.frequencies import METHODS, ShareInterval, clustered_share, wilson
from densite.compare.leaveout import combined
from densite.compare.resample import (
    Chance,
    Females,
    Floats,
    Ints,
    holm,
    jackknife_interval,
    permutation_p,
    permutation_rule,
    permuted_classes,
    too_few,
)
from densite.compare.result import AS_IF_INDEPENDENT, Block
from densite.errors import StatisticsError

PART = "type-by-class"

PEARSON = "Pearson 1900, Philosophical Magazine 50: 157-175"
GOODMAN = "Goodman 1965, Technometrics 7: 247-254"
WILSON = "Wilson 1927, J. American Statistical Association 22: 209-212, doi:10.1080/01621459.1927.10502953"
COCHRAN = "Cochran 1977, Sampling Techniques, 3rd ed. (sections from memory)"
ZOU = "Zou & Donner 2008, Statistics in Medicine 27: 1693-1702, doi:10.1002/sim.3095"
BERGSMA = "Bergsma 2013, J. Korean Statistical Society 42: 323-328, doi:10.1016/j.jkss.2012.10.002"
HABERMAN = "Haberman 1973, Biometrics 29: 205-220; Holm 1979, Scandinavian J. Statistics 6: 65-70"
RAO = "Rao & Scott 1992, Biometrics 48: 577-585"
FREEMAN = "Freeman & Halton 1951, Biometrika 38: 141-149; Phipson & Smyth 2010, doi:10.2202/1544-6115.1585"


EFFECTIVE = "the dens of each female counted as her effective number, by how far females repeat types"


@dataclass(frozen=True, slots=True)
class Crossed:
    """Dens that have a known type and a class: numbers of both, and whose each is."""

    kind: Ints
    klass: Ints
    females: Females
    types: tuple[str, ...]
    classes: tuple[str, ...]
    note: str

    @property
    def table(self) -> Floats:
        """Dens of each class and type (c, t)."""
        table = np.zeros((len(self.classes), len(self.types)))
        np.add.at(table, (self.klass, self.kind), 1.0)
        return table

    @property
    def one(self) -> Floats:
        """What each den counts (n, t), in the column of its type, further dens of a female counting less."""
        weights = den_weights(self.kind[None], self.females, types=len(self.types))[0]
        return np.asarray(np.eye(len(self.types))[self.kind] * weights[:, None])

    @property
    def effective_table(self) -> Floats:
        """Dens of each class and type (c, t), each female's counted as her effective number."""
        tables = dealt_tables(self.klass[None].astype(np.int16), self.one, classes=len(self.classes))
        return np.asarray(tables[0])

    @property
    def numbers(self) -> dict[str, Any]:
        """Dens and females known by id."""
        return {"dens": len(self.kind), "females": self.females.known}


def crossed(
    den_type: ArrayLike, landscape_class: ArrayLike, female: ArrayLike, *, types: Sequence[str], classes: Sequence[str]
) -> Crossed:
    """Take the dens that have a known type and a class.

    Parameters
    ----------
    den_type, landscape_class, female : array_like of str, shape (n,)
        Type, class and female of each den; blank, None or NaN where missing. A type that is not listed
        counts as unknown.
    types, classes : sequence of str
        All types and classes, in order.

    Returns
    -------
    Crossed

    Raises
    ------
    StatisticsError
        Arrays of different lengths, or a class that is not listed.
    """
    size = len(np.asarray(den_type, dtype=object))
    kinds = as_words(den_type, what="den types", size=size)
    places = as_words(landscape_class, what="landscape classes", size=size)
    names = as_words(female, what="females", size=size)
    if strange := sorted(set(places) - set(classes) - {""}):
        raise StatisticsError(f"landscape class '{strange[0]}' is not listed; listed: {', '.join(classes)}")
    typed, placed = np.isin(kinds, np.array(types, dtype=object)), places != ""
    both = typed & placed
    females = Females.of(names[both])
    note = sentence(
        [left_out(int((~typed).sum()), "no known type"), left_out(int((typed & ~placed).sum()), "no class"),
         without_female(females)]
    )  # fmt: skip
    return Crossed(
        np.array([list(types).index(kind) for kind in kinds[both]], dtype=np.int64),
        np.array([list(classes).index(place) for place in places[both]], dtype=np.int64),
        females, tuple(types), tuple(classes), note,
    )  # fmt: skip


def chi_square(tables: Floats) -> Floats:
    """Return Pearson's chi-square of many tables at once; empty rows and columns add nothing.

    Parameters
    ----------
    tables : ndarray, shape (..., c, t)
        Counts. [dens]

    Returns
    -------
    ndarray, shape (...)

    Notes
    -----
    Source: Pearson 1900, Philosophical Magazine 50: 157-175.
    """
    expected = _expected(tables)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = (tables - expected) ** 2 / expected
    return np.asarray(np.where(expected > 0, parts, 0.0).sum(axis=(-2, -1)))


def dealt_tables(dealt: NDArray[np.int16], kind: Floats, *, classes: int) -> Floats:
    """Count types by class for many deals of classes.

    Parameters
    ----------
    dealt : ndarray of int, shape (draws, n)
        Class of each den in each draw.
    kind : ndarray, shape (n, t)
        What each den counts, in the column of its type, else 0. [dens]
    classes : int
        Number of classes.

    Returns
    -------
    ndarray, shape (draws, classes, t)
    """
    # Not in single precision: two deals that give one table must not differ by more than a tie.
    return np.stack([(dealt == c).astype(np.float64) @ kind for c in range(classes)], axis=1)


def type_by_class(
    den_type: ArrayLike,
    landscape_class: ArrayLike,
    female: ArrayLike,
    *,
    types: Sequence[str],
    classes: Sequence[str],
    chance: Chance,
) -> Block:
    """Compare den types between landscape classes.

    Parameters
    ----------
    den_type, landscape_class, female : array_like of str, shape (n,)
        Type, class and female of each den; blank, None or NaN where missing.
    types, classes : sequence of str
        All types and classes, in order; the last class is the one with which the others are compared.
    chance : Chance
        Seed, draws and confidence level.

    Returns
    -------
    Block
        Keys ``type-by-class/...``: ``test`` (headline p over females), ``share/<class>/<type>``,
        ``difference/<class>/<type>`` from the last class, ``association`` (Cramer's V), and as if dens
        were independent ``chi-square``, ``exact``, ``residual/<class>/<type>``, ``share-simultaneous``;
        ``cell/<class>/<type>`` tests each cell over females. Frame ``shares`` (class, type, n, dens,
        females, users, share, lower, upper; ``users`` are females with a den of the type there).

    Raises
    ------
    StatisticsError
        Arrays of different lengths, or a class that is not listed.

    Notes
    -----
    The headline's chi-square is that of a table in which a female's dens count as her effective number of
    them (:func:`densite.compare.fidelity.den_weights`). With whole dens, the test at .05 found effects that
    were not there in .006 to .10 of our simulated studies of 35 to 45 females, where those of one class have
    more dens than those of another and repeat their types; with effective numbers in .04 to .06.
    """
    data = crossed(den_type, landscape_class, female, types=types, classes=classes)
    entries = Entries(PART)
    drawn = _say_test(entries, data, chance)
    if drawn is not None:
        _say_association(entries, data, chance)
    frame = _say_shares(entries, data, chance)
    _say_differences(entries, data, chance)
    if drawn is not None:
        _say_cells(entries, data, drawn)
        _say_as_dens(entries, data, chance)
    return entries.block({"shares": frame})


def class_test(data: Crossed, *, chance: Chance) -> Block:
    """Test alone whether den types differ between classes.

    Parameters
    ----------
    data : Crossed
        Dens with type and class.
    chance : Chance
        Seed and number of draws.

    Returns
    -------
    Block
        With the result ``type-by-class/test``, or why there is none.
    """
    entries = Entries(PART)
    _say_test(entries, data, chance)
    return entries.block({})


def _testable(entries: Entries, data: Crossed) -> bool:
    """Tell whether classes can be compared; say why not."""
    table = data.table
    what = "difference in den types among classes"
    held = [name for name, n in zip(data.classes, table.sum(axis=1), strict=True) if n]
    kinds = [name for name, n in zip(data.types, table.sum(axis=0), strict=True) if n]
    for name in data.classes:
        if name not in held:
            entries.cannot(f"den types in {name}", "no den of known type there")
    if len(held) < 2:
        entries.cannot(what, f"all dens with a known type are in one class: {held[0]}" if held else "no dens")
    elif len(kinds) < 2:
        entries.cannot(what, f"all {len(data.kind)} dens are of one type: {kinds[0]}")
    elif why := too_few(data.females):
        entries.cannot(what, why)
    return len(held) > 1 and len(kinds) > 1 and not too_few(data.females)


def _say_test(entries: Entries, data: Crossed, chance: Chance) -> Floats | None:
    """Say the chance of a chi-square as large as this one when females are dealt out to classes anew; return deals."""
    if not _testable(entries, data):
        return None
    dealt = permuted_classes(data.klass, data.females, draws=chance.permutations, rng=chance.rng(f"{PART}/test"))
    drawn = dealt_tables(dealt, data.one, classes=len(data.classes))
    observed, statistics = float(chi_square(data.effective_table)), chi_square(drawn)
    if np.ptp(np.append(statistics, observed)) < 1e-9 * max(1.0, observed):
        entries.cannot("chance of the difference in den types", "these females allow no other deal of classes")
        return None
    least = permutation_p(float(statistics.max()), statistics)
    entries.say(
        "test", what="difference in den types among classes", where="all classes", estimate=observed,
        p=permutation_p(observed, statistics), headline=True, **data.numbers,
        method=f"Pearson's chi-square of the table with {EFFECTIVE}; {permutation_rule(data.klass, data.females)}; "
        f"{len(drawn)} draws",
        assumes="without an effect of class, a female's den types depend neither on where she lives nor on how many "
        "dens she has; she repeats types as much in one class as in another",
        source=f"{PEARSON}; {RAO}; {PERMUTED}",
        note=sentence([data.note, f"these females can give no p below {least:.2g}" if least > 0.05 else ""]),
    )  # fmt: skip
    return drawn


def _say_association(entries: Entries, data: Crossed, chance: Chance) -> None:
    """Say how closely type and class go together, with an interval over females."""
    table = data.table
    each = np.zeros((data.females.count, *table.shape))
    np.add.at(each, (data.females.code, data.klass, data.kind), 1.0)
    value = float(_association(table))
    without = _association(table - each)
    # where all are cut to 0 they do not vary, and an interval of no width would claim too much
    varies = bool(np.ptp(np.append(without, value)) > 0)
    limits = jackknife_interval(value, without, confidence=chance.confidence) if varies else None
    entries.say(
        "association", what="association of den type and class (Cramer's V, corrected for bias)", where="all classes",
        estimate=value, limits=limits and (max(0.0, limits[0]), min(1.0, limits[1])), **data.numbers,
        method="square root of chi-square over its largest possible value, less what independent dens give by chance",
        interval=f"{LEAVING_OUT}, cut to 0 to 1",
        assumes=f"{INDEPENDENT_FEMALES}; the interval is rough near 0, where the test tells more",
        source=f"{BERGSMA}; {JACKKNIFE}", note=data.note,
    )  # fmt: skip


def _association(tables: Floats) -> Floats:
    """Return the bias-corrected V of tables, counting only rows and columns that hold dens."""
    n = tables.sum(axis=(-2, -1))
    rows, columns = ((tables.sum(axis=axis) > 0).sum(axis=-1) for axis in (-1, -2))
    with np.errstate(divide="ignore", invalid="ignore"):
        square = np.maximum(0.0, chi_square(tables) / n - (rows - 1) * (columns - 1) / (n - 1))
        least = np.minimum(*(k - (k - 1) ** 2 / (n - 1) - 1 for k in (rows, columns)))
        return np.asarray(np.where(least > 0, np.sqrt(square / least), np.nan))


def _say_shares(entries: Entries, data: Crossed, chance: Chance) -> pd.DataFrame:
    """Say each type's share in each class, over females and beside it as if dens were independent."""
    rows = []
    for c, place in enumerate(data.classes):
        inside = data.klass == c
        if not inside.any():
            continue
        counts = np.bincount(data.kind[inside], minlength=len(data.types))
        together = _simultaneous(counts, chance.confidence)
        group = data.females.within(inside)
        for t, kind in enumerate(data.types):
            told = _share(data.kind[inside] == t, group, chance)
            users = int(np.count_nonzero(group.totals(data.kind[inside] == t)))
            common: dict[str, Any] = {
                "what": f"share of {kind} dens", "where": place, "dens": int(inside.sum()), "females": group.known,
                "note": f"{counts[t]} of {int(inside.sum())} dens, by {users} female{'' if users == 1 else 's'}",
            }  # fmt: skip
            key = f"{slug(place)}/{slug(kind)}"
            _say_share(entries, key, told, int(counts[t]), common, together[t], chance)
            rows.append((place, kind, int(counts[t]), int(inside.sum()), group.known, users, told.share, told.lower,
                         told.upper))  # fmt: skip
    columns = ["class", "type", "n", "dens", "females", "users", "share", "lower", "upper"]
    return pd.DataFrame(rows, columns=columns)


def _say_share(
    entries: Entries,
    key: str,
    told: ShareInterval,
    count: int,
    common: dict[str, Any],
    together: Floats,
    chance: Chance,
) -> None:
    """Say one share with three intervals."""
    entries.say(
        f"share/{key}", estimate=told.share, limits=(told.lower, told.upper), interval=METHODS[told.method],
        method="dens of the type over dens of known type", assumes=INDEPENDENT_FEMALES, source=COCHRAN, **common,
    )  # fmt: skip
    low, high = wilson(count, common["dens"], confidence=chance.confidence)
    as_dens = {"method": "dens of the type over dens of known type", "assumes": AS_IF_INDEPENDENT, "proof": "dens"}
    common = common | {"where": f"{common['where']}, this share alone"}
    entries.say(f"share-alone/{key}", estimate=told.share, limits=(float(low), float(high)),
                interval="Wilson's score interval, one share alone", source=WILSON, **as_dens, **common)  # fmt: skip
    common = common | {"where": common["where"].replace("this share alone", "all types together")}
    entries.say(f"share-together/{key}", estimate=told.share, limits=(float(together[0]), float(together[1])),
                interval="Goodman's simultaneous intervals of all types of a class", source=GOODMAN, **as_dens,
                **common)  # fmt: skip


def _simultaneous(counts: Ints, confidence: float) -> Floats:
    """Return Goodman's simultaneous limits of all shares of a class (t, 2)."""
    quantile = float(np.sqrt(stats.chi2.ppf(1 - (1 - confidence) / len(counts), 1)))
    level = float(2 * stats.norm.cdf(quantile) - 1)
    return np.column_stack(wilson(counts, np.full(len(counts), counts.sum()), confidence=level))


def _share(of_type: NDArray[np.bool_], females: Females, chance: Chance) -> ShareInterval:
    return clustered_share(females.totals(of_type), females.sizes, confidence=chance.confidence)


def _say_differences(entries: Entries, data: Crossed, chance: Chance) -> None:
    """Say how each type's share differs between each class and the last one."""
    last = len(data.classes) - 1
    counts = np.bincount(data.klass, minlength=len(data.classes))
    for c, place in enumerate(data.classes[:-1]):
        where = f"{place} minus {data.classes[last]}"
        if not counts[c] or not counts[last]:
            continue  # told already: no den there
        pair = np.isin(data.klass, (c, last))
        females = data.females.within(pair)
        for t, kind in enumerate(data.types):
            difference, limits = _difference(data.kind[pair] == t, data.klass[pair] == c, females, chance)
            entries.say(
                f"difference/{slug(place)}/{slug(kind)}", what=f"difference in the share of {kind} dens", where=where,
                estimate=difference, limits=limits, dens=int(pair.sum()), females=females.known,
                method="difference of shares of dens", assumes=INDEPENDENT_FEMALES, source=f"{ZOU}; {COCHRAN}",
                interval="limits of both shares over females combined, with the correlation that females with dens in "
                "both classes bring",
            )  # fmt: skip


def _difference(
    of_type: NDArray[np.bool_], former: NDArray[np.bool_], females: Females, chance: Chance
) -> tuple[float, tuple[float, float]]:
    """Return the difference of shares, the former class minus the latter, and its limits."""
    shares, pulls = [], []
    for inside in (former, ~former):
        shares.append(_share(of_type[inside], females.within(inside), chance))
        size = females.totals(inside)
        pulls.append(females.totals(inside & of_type) - shares[-1].share * size)
    spread = float(np.sqrt((pulls[0] ** 2).sum() * (pulls[1] ** 2).sum()))
    alike = float((pulls[0] * pulls[1]).sum() / spread) if spread > 0 else 0.0
    first, second = ((told.share, (told.lower, told.upper)) for told in shares)
    lower, upper = combined(*first, *second, correlation=alike)
    return first[0] - second[0], (max(-1.0, lower), min(1.0, upper))


def _say_cells(entries: Entries, data: Crossed, drawn: Floats) -> None:
    """Say for each cell whether it holds more or fewer dens than chance, over females, all cells together."""
    found, cells = _residuals(data.effective_table), list(_cells(data))
    observed, residuals = np.abs(found), np.abs(_residuals(drawn))
    raw = [permutation_p(observed[cell], residuals[(slice(None), *cell)]) for cell in cells]
    for (c, t), p, adjusted in zip(cells, raw, holm(raw), strict=True):
        entries.say(
            f"cell/{slug(data.classes[c])}/{slug(data.types[t])}",
            what=f"more or fewer {data.types[t]} dens than chance",
            where=data.classes[c], estimate=float(found[c, t]), p=p, p_adjusted=float(adjusted), **data.numbers,
            method=f"adjusted residual of the cell, {EFFECTIVE}; permutation over females as in the test of the "
            "table, Holm over all cells",
            assumes="as the test of the table", source=f"{HABERMAN}; {RAO}; {PERMUTED}",
        )  # fmt: skip


def _say_as_dens(entries: Entries, data: Crossed, chance: Chance) -> None:
    """Say what one would find if dens were independent, to show how much that claims."""
    table = data.table[data.table.sum(axis=1) > 0][:, data.table.sum(axis=0) > 0]
    free = (table.shape[0] - 1) * (table.shape[1] - 1)
    statistic = float(chi_square(table))
    least = float(_expected(table).min())
    common: dict[str, Any] = {
        "what": "difference in den types among classes", "where": "all classes", "proof": "dens", **data.numbers,
    }  # fmt: skip
    entries.say(
        "chi-square", estimate=statistic, p=float(stats.chi2.sf(statistic, free)), source=PEARSON,
        method=f"Pearson's chi-square, {free} degrees of freedom", **common,
        assumes=f"{AS_IF_INDEPENDENT}; expected counts not small (least here {least:.1f})",
    )  # fmt: skip
    p, how = exact_p(table.astype(np.int64), draws=chance.permutations, rng=chance.rng(f"{PART}/exact"))
    entries.say("exact", estimate=None, p=p, source=FREEMAN, method=f"exact test of the table, {how}",
                assumes=f"{AS_IF_INDEPENDENT}; both margins as they are", **common)  # fmt: skip
    _say_residuals(entries, data, common)


def _say_residuals(entries: Entries, data: Crossed, common: dict[str, Any]) -> None:
    """Say each cell's adjusted residual with Holm's p."""
    residual, cells = _residuals(data.table), list(_cells(data))
    raw = [float(2 * stats.norm.sf(abs(residual[cell]))) for cell in cells]
    for (c, t), p, adjusted in zip(cells, raw, holm(raw), strict=True):
        told = common | {"what": f"more or fewer {data.types[t]} dens than chance", "where": data.classes[c]}
        entries.say(
            f"residual/{slug(data.classes[c])}/{slug(data.types[t])}", estimate=float(residual[c, t]), p=p,
            p_adjusted=float(adjusted),
            method="adjusted residual, normal p, Holm over all cells", assumes=AS_IF_INDEPENDENT, source=HABERMAN,
            **told,
        )  # fmt: skip


def _cells(data: Crossed) -> Iterator[tuple[int, int]]:
    """Yield the cells in rows and columns that hold dens."""
    table = data.table
    yield from ((int(c), int(t)) for c, t in np.argwhere(np.outer(table.sum(axis=1), table.sum(axis=0)) > 0))


def _expected(tables: Floats) -> Floats:
    rows, columns = tables.sum(axis=-1, keepdims=True), tables.sum(axis=-2, keepdims=True)
    total = np.maximum(tables.sum(axis=(-2, -1), keepdims=True), 1.0)
    return np.asarray(rows * columns / total)


def _residuals(tables: Floats) -> Floats:
    """Return adjusted residuals; 0 in empty rows and columns."""
    rows, columns = tables.sum(axis=-1, keepdims=True), tables.sum(axis=-2, keepdims=True)
    total = np.maximum(tables.sum(axis=(-2, -1), keepdims=True), 1.0)
    expected = _expected(tables)
    variance = expected * (1 - rows / total) * (1 - columns / total)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(variance > 0, (tables - expected) / np.sqrt(variance), 0.0))
