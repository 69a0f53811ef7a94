"""What the main answers hang on: the gradient's radius, the breaks between classes, dens of uncertain class."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from densite.compare.contingency import class_test, crossed
from densite.compare.entries import slug
from densite.compare.logit import type_along_gradient
from densite.compare.question import Question, Variant
from densite.compare.resample import Chance
from densite.compare.result import Block, Result, Unsaid

PART = "sensitivity"
CHOSEN = "as chosen"


def sensitivity(question: Question, *, along: Block, chance: Chance) -> Block:
    """Make the comparison of den types again for other choices of gradient and classes.

    Parameters
    ----------
    question : Question
        What is compared; its ``variants`` are the other choices.
    along : Block
        Its types along the gradient as chosen, which also hold where a variant leaves the gradient as it is.
    chance : Chance
        Seed and numbers of draws.

    Returns
    -------
    Block
        For each choice the chance of types along the gradient, the change of the contrasted type's
        share, and the chance of types by class; and the share of dens whose class is uncertain.
    """
    own = Variant(label=CHOSEN, gradient=question.gradient, landscape_class=question.column("landscape_class"))
    results: list[Result] = [*_uncertain(question)]
    unsaid: list[Unsaid] = []
    for variant in (own, *question.variants):
        for block in _tried(question, variant, along, chance):
            results += _kept(block, variant.label, question.contrast)
            unsaid += [replace(told, part=PART, what=f"{told.what} ({variant.label})") for told in block.unsaid]
    return Block(PART, tuple(results), tuple(unsaid) if len(question.variants) else ())


def _tried(question: Question, variant: Variant, along: Block, chance: Chance) -> Iterator[Block]:
    """Yield the comparison of types along the gradient and by class for one choice."""
    frame, types = question.sample.frame, question.sample.types
    kind, female = frame["den_type"], frame["female"]
    same = np.array_equal(variant.gradient, question.gradient, equal_nan=True)
    yield along if same else type_along_gradient(
        kind, variant.gradient, female, types=types, gradient_name=question.gradient_name,
        gradient_unit=question.gradient_unit, chance=chance,
    )  # fmt: skip
    data = crossed(kind, variant.landscape_class, female, types=types, classes=question.classes)
    yield class_test(data, chance=chance)


def _kept(block: Block, label: str, contrast: str) -> Iterator[Result]:
    """Yield the headline test of a block and the change of the contrasted type, under the choice's name."""
    for result in block.results:
        if (result.headline and result.p is not None) or result.key.endswith(f"/change/{slug(contrast)}"):
            where = f"{label}; {result.where}" if result.where else label
            key = f"{PART}/{slug(label)}/{result.key}"
            yield replace(result, key=key, part=PART, where=where, headline=False)


def _uncertain(question: Question) -> Iterator[Result]:
    """Yield the share of dens whose location error could put them in another class."""
    certain = question.numbers("class_certain")
    known = np.isfinite(certain)
    if not known.any():
        return
    yield Result(
        key=f"{PART}/uncertain-class", part=PART, what="share of dens whose class is uncertain",
        estimate=float(np.mean(certain[known] == 0)), dens=int(known.sum()),
        females=len(set(question.sample.frame["female"][known]) - {""}), proof="dens",
        method="dens with another class on the circle of their location error, or on half of it",
        assumes="the recorded horizontal uncertainty to hold", source="counted, no inference",
    )  # fmt: skip
