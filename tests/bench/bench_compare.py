"""The comparison against general libraries: permutations of females, many logit fits, a whole study.

    python tests/bench/bench_compare.py [--small]

Each way computes the same number, which is checked first. SciPy permutes dens one draw at a time or in
lots; it knows no females, so it is given one den a female here. statsmodels fits one logit at a time.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from made_questions import CLASSES, TYPES, question

from densite.compare import Chance, compare
from densite.compare.contingency import chi_square, dealt_tables, type_by_class
from densite.compare.logit import type_along_gradient
from densite.compare.resample import Females, permuted_classes


def timed(way: Callable[[], object], rounds: int = 3) -> float:
    """Return the median time of a way. [s]"""
    seconds = []
    for _ in range(rounds):
        begin = time.perf_counter()
        way()
        seconds.append(time.perf_counter() - begin)
    return sorted(seconds)[len(seconds) // 2]


def told(work: str, peer: str, theirs: float | None, own: float) -> None:
    """Print a row of the table."""
    times = ("", "") if theirs is None else (f"{theirs:.2f} s", f"{theirs / own:.0f} x")
    print(f"| {work} | {peer} | {times[0]} | {own:.3f} s | {times[1]} |")


def permutations(draws: int) -> None:
    """Permute 240 dens of 240 females, chi-square of types by class."""
    rng = np.random.default_rng(1)
    kind, klass = rng.integers(0, 4, 240), rng.integers(0, 4, 240)
    one, females = np.eye(4)[kind], Females.of([f"F{i}" for i in range(240)])

    def ours() -> np.ndarray:
        return chi_square(dealt_tables(permuted_classes(klass, females, draws=draws, rng=rng), one, classes=4))

    def statistic(dealt: np.ndarray) -> float:
        return float(chi_square(np.stack([one[dealt == c].sum(axis=0) for c in range(4)])))

    def scipys() -> object:
        return stats.permutation_test((klass,), statistic, permutation_type="pairings", n_resamples=draws, rng=1)

    assert np.isclose(statistic(klass), chi_square(dealt_tables(klass[None].astype(np.int16), one, classes=4))[0])
    theirs, own = timed(scipys, 1), timed(ours)
    told(f"{draws} permutations of 240 dens, chi-square", "scipy.stats.permutation_test", theirs, own)


def fits(females: int) -> None:
    """Fit a multinomial logit to all females and without each."""
    from statsmodels.discrete.discrete_model import MNLogit

    asked = question(females=females)
    frame, x = asked.sample.frame, asked.gradient
    kinds = np.array([TYPES.index(kind) for kind in frame["den_type"]])
    code = Females.of(frame["female"]).code

    def theirs() -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for left_out in range(-1, females):
                some = code != left_out
                MNLogit(kinds[some], np.column_stack([np.ones(some.sum()), x[some]])).fit(disp=0)

    def ours() -> object:
        return type_along_gradient(
            frame["den_type"], x, frame["female"], types=TYPES, gradient_name="g", gradient_unit="1",
            chance=Chance(permutations=99),
        )  # fmt: skip

    peer, own = timed(theirs, 1), timed(ours)
    told(f"multinomial logit of {len(x)} dens, {females + 1} fits", "statsmodels MNLogit", peer, own)


def whole(females: int, available: int) -> None:
    """Time the type-by-class block with 9,999 permutations, and a whole comparison."""
    asked = question(females=females)
    frame = asked.sample.frame

    def block() -> object:
        return type_by_class(frame["den_type"], frame["landscape_class"], frame["female"], types=TYPES, classes=CLASSES,
                             chance=Chance())  # fmt: skip

    told(f"type by class, all results, {len(frame)} dens of {females} females", "", None, timed(block))
    rng = np.random.default_rng(2)
    for count in (1000, available):
        some = replace(asked, available_deg=rng.uniform(0, 360, count))
        own = timed(partial(compare, some, chance=Chance()))
        told(f"whole comparison, {count} available aspects", "", None, own)


def main() -> None:
    """Print one table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="fewer draws and females")
    small = parser.parse_args().small
    print("| work | peer | peer's time | densite | ratio |\n|---|---|---|---|---|")
    permutations(999 if small else 9999)
    fits(20 if small else 90)
    whole(30 if small else 90, 100_000)


if __name__ == "__main__":
    main()
