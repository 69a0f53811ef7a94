"""The whole comparison: every question in its declared order, one family of tests, and the answer in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from densite.compare.agreement import bearing_agreement, kappa, linear_agreement
from densite.compare.aspect import aspect_by_class
from densite.compare.collinearity import collinear
from densite.compare.contingency import type_by_class
from densite.compare.logit import type_along_gradient
from densite.compare.magnitudes import magnitude
from densite.compare.precision import detectable
from densite.compare.question import Question
from densite.compare.repeated import type_contrast
from densite.compare.resample import Chance, Floats, holm
from densite.compare.result import Block, Result, Unsaid
from densite.compare.sensitivity import sensitivity
from densite.compare.spatial import autocorrelation
from densite.compare.words import Sentence, answer
from densite.errors import StatisticsError

PRIMARY = "type-along-gradient"
GROUND = "ground-aspect"
CHECKS = ("spatial", "collinearity", "precision", "sensitivity")  # of the comparison itself: in no family of tests
# Bearings are compared between dens as seen, with the ground as the map has both.
OUTSIDE = ("aspect/available", f"{GROUND}/classes", f"{GROUND}/gradient")

Step = tuple[str, str, Callable[[], Block]]  # part, title, and what to do


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that was found, in the order in which it was asked.

    ``told`` says the rules and choices behind it with their counts; ``answer`` is a cautious paragraph
    whose every figure names the row from which it comes.
    """

    question: Question
    chance: Chance
    told: tuple[str, ...]
    blocks: tuple[Block, ...]
    answer: tuple[Sentence, ...]

    @property
    def definition(self) -> str:
        """How gradient and classes are defined."""
        return self.question.definition

    @property
    def results(self) -> tuple[Result, ...]:
        """All rows of the table."""
        return tuple(result for block in self.blocks for result in block.results)

    @property
    def unsaid(self) -> tuple[Unsaid, ...]:
        """All that cannot be said."""
        return tuple(unsaid for block in self.blocks for unsaid in block.unsaid)

    def block(self, part: str) -> Block:
        """Return a block by its part; an empty one where it was not asked."""
        return next((block for block in self.blocks if block.part == part), Block(part))


def compare(question: Question, *, chance: Chance, step: Callable[[str], object] = lambda _: None) -> Comparison:
    """Compare dens along the gradient and between landscape classes.

    Parameters
    ----------
    question : Question
        What is compared.
    chance : Chance
        Seed and numbers of draws.
    step : callable
        Called with the name of each part when it is done; :func:`steps` lists them.

    Returns
    -------
    Comparison

    Raises
    ------
    StatisticsError
        There are no dens.
    """
    if question.sample.frame.empty:
        raise StatisticsError("nothing to compare: no dens are left by the rules of [compare]")
    done: dict[str, Block] = {}
    for part, title, asked in _asked(question, chance, done):
        done[part] = replace(asked(), title=title)
        step(part)
    blocks = _in_families(_with_own_keys(tuple(done.values())))
    told = (*question.sample.told, *_choices(question, chance), *_families(blocks))
    return Comparison(question, chance, told, blocks, answer(blocks, question, level=1 - chance.confidence))


def steps(question: Question) -> list[str]:
    """Return the names of the parts in order.

    Parameters
    ----------
    question : Question
        What is compared.

    Returns
    -------
    list of str
    """
    return [part for part, _, _ in _asked(question, Chance(), {})]


def _asked(question: Question, chance: Chance, done: Mapping[str, Block]) -> Iterator[Step]:
    """Yield each part of the comparison, the primary question first; ``done`` fills while they are answered."""
    q, frame, classes = question, question.sample.frame, question.classes
    kind, female, place = frame["den_type"], frame["female"], frame["landscape_class"]
    types: dict[str, Any] = {"types": q.sample.types, "chance": chance}
    along: dict[str, Any] = {"gradient_name": q.gradient_name, "chance": chance}
    yield (
        PRIMARY,
        "Den type along the gradient",
        lambda: type_along_gradient(
            kind, q.gradient, female, types=q.sample.types, gradient_unit=q.gradient_unit, **along
        ),
    )
    yield (
        "type-by-class",
        "Den type by landscape class",
        lambda: type_by_class(kind, place, female, classes=classes, **types),
    )
    yield (
        "contrast",
        f"{q.contrast.capitalize()} or not, along the gradient",
        lambda: type_contrast(kind, q.gradient, female, one_type=q.contrast, gradient_unit=q.gradient_unit, **along),
    )
    yield from _asked_of_aspect(q, along)
    for covariate in q.covariates:
        yield f"magnitude-{covariate.column}", covariate.heading, lambda c=covariate: magnitude(
            q.numbers(c.column), place, q.gradient, female, name=c.column, heading=c.heading, unit=c.unit,
            share=c.share, classes=classes, against=classes[-1] if classes else None, **along,
        )  # type: ignore[misc]  # fmt: skip
    yield from _asked_of_layers(q, chance)
    yield "collinearity", "Covariates that go together", lambda: _collinear(q, chance)
    yield "spatial", "Are dens near each other alike?", lambda: autocorrelation(
        q.x_m, q.y_m, frame["winter"], female, _left_over(q, done), chance=chance,
        what=f"{q.contrast} or not, beside the gradient",
    )  # fmt: skip
    yield (
        "precision",
        "What could have been found",
        lambda: detectable(kind, place, female, classes=classes, **types),
    )
    yield (
        "sensitivity",
        "Other choices of gradient and classes",
        lambda: sensitivity(q, along=done[PRIMARY], chance=chance),
    )


def _asked_of_aspect(q: Question, along: Mapping[str, Any]) -> Iterator[Step]:
    """Yield the aspects that crews saw, and those of the ground at dens, which alone compare with the ground's."""
    rest = {"landscape_class": q.column("landscape_class"), "gradient": q.gradient, "female": q.column("female"),
            "classes": q.classes, "available_deg": q.available_deg, **along}  # fmt: skip
    yield (
        "aspect",
        "Aspect as seen",
        lambda: aspect_by_class(q.numbers("aspect_deg"), q.numbers("aspect_error_deg"), observed="dens", **rest),
    )
    yield (
        GROUND,
        "Aspect from the DEM",
        lambda: aspect_by_class(
            q.numbers("derived_aspect_deg"),
            np.full(len(q.gradient), np.nan),
            observed="ground at dens",
            part=GROUND,
            **rest,
        ),
    )


def _asked_of_layers(q: Question, chance: Chance) -> Iterator[Step]:
    """Yield how far the field agrees with the DEM, and two observers with each other."""
    female = q.column("female")
    yield (
        "agreement-slope",
        "Slope: field and DEM",
        lambda: linear_agreement(
            q.numbers("slope_deg"), q.numbers("derived_slope_deg"), female, what="slope", unit="deg", chance=chance
        ),
    )
    yield (
        "agreement-aspect",
        "Aspect: field and DEM",
        lambda: bearing_agreement(q.numbers("aspect_deg"), q.numbers("derived_aspect_deg"), female, chance=chance),
    )
    yield (
        "agreement-type",
        "Den type: two observers",
        lambda: kappa(q.twice["first"], q.twice["second"], q.twice["female"], what="type", chance=chance),
    )


def _collinear(q: Question, chance: Chance) -> Block:
    """Show which covariates say the same, the gradient among them."""
    frame = pd.DataFrame({"gradient": q.gradient} | {c.column: q.numbers(c.column) for c in q.covariates})
    headings = {"gradient": q.gradient_name} | {c.column: c.heading for c in q.covariates}
    return collinear(frame, q.column("female"), headings=headings, chance=chance)


def _left_over(q: Question, done: Mapping[str, Block]) -> Floats:
    """Return how much more of the contrasted type each den is than the gradient leads to expect."""
    kind = q.column("den_type")
    of_type = np.where(
        np.isin(kind, np.array(q.sample.types, dtype=object)), (kind == q.contrast).astype(float), np.nan
    )
    curve = done[PRIMARY].frames.get("curve") if PRIMARY in done else None
    if curve is None:
        return np.asarray(of_type)
    of_curve = curve.loc[curve["type"] == q.contrast].sort_values("gradient")
    if of_curve.empty:
        return np.asarray(of_type)
    return np.asarray(of_type - np.interp(q.gradient, of_curve["gradient"], of_curve["share"]))


def _in_families(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Adjust the p of the secondary tests by Holm's rule; the primary one stands alone."""
    family = [result for result in _tests(blocks) if result.part != PRIMARY]
    adjusted = dict(zip((r.key for r in family), holm([r.p or 0.0 for r in family]).tolist(), strict=True))
    adjusted |= {result.key: result.p for result in _tests(blocks) if result.part == PRIMARY}
    return tuple(
        replace(block, results=tuple(_placed(result, adjusted) for result in block.results)) for block in blocks
    )


def _placed(result: Result, adjusted: Mapping[str, float | None]) -> Result:
    """Return a result with its adjusted p; one that is in no family is no headline."""
    return replace(
        result, p_adjusted=adjusted.get(result.key, result.p_adjusted),
        headline=result.headline and result.key not in OUTSIDE,
    )  # fmt: skip


def _with_own_keys(blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Number keys that names have in common when spelled plainly, such as lumped types 'tree+' and 'tree-'."""
    seen: Counter[str] = Counter()

    def own(result: Result) -> Result:
        seen[result.key] += 1
        return result if seen[result.key] == 1 else replace(result, key=f"{result.key}-{seen[result.key]}")

    return tuple(replace(block, results=tuple(own(result) for result in block.results)) for block in blocks)


def _tests(blocks: tuple[Block, ...]) -> Iterator[Result]:
    """Yield the tests by which the parts answer their questions."""
    for result in (result for block in blocks for result in block.results):
        if result.headline and result.p is not None and result.part not in CHECKS and result.key not in OUTSIDE:
            yield result


def _families(blocks: tuple[Block, ...]) -> Iterator[str]:
    names = [result.key for result in _tests(blocks) if result.part != PRIMARY]
    yield f"primary test, not adjusted: {PRIMARY}/test"
    yield (
        f"secondary tests, adjusted together by Holm 1979: {len(names)} ({', '.join(names)}); "
        "cells of the table of types by class among themselves; no other p is adjusted"
    )


def _choices(question: Question, chance: Chance) -> Iterator[str]:
    """Say what was chosen before looking."""
    yield (
        f"gradient as modelled: {question.gradient_name} [{question.gradient_unit}], "
        f"{'rising' if question.urban_is_high else 'falling'} toward people"
    )
    yield f"ground to compare aspects with: {question.available or 'none'}"
    yield (
        f"{chance.permutations} permutations, {chance.bootstraps} bootstrap resamples, seed {chance.seed}, "
        f"{chance.confidence:.0%} intervals"
    )
