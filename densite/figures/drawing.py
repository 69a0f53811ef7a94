"""All figures of a comparison, each written with its alternative text or told why it is missing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from matplotlib.figure import Figure

from densite.compare.question import Covariate
from densite.compare.result import Block
from densite.figures.agreements import agreement, bearing_agreement, told_agreement
from densite.figures.aspects import ASPECTS, aspects_by_class, told_aspects
from densite.figures.dentypes import shares_by_class, told_along_gradient, told_by_class, types_along_gradient
from densite.figures.files import save
from densite.figures.gradient import Gradient
from densite.figures.look import NothingToDraw
from densite.figures.quantities import quantity_by_class, told_quantity


@dataclass(frozen=True, slots=True)
class Drawn:
    """One figure of a comparison.

    ``svg`` and ``png`` are None where it could not be drawn; ``why_not`` then says why in a sentence.
    ``alt`` tells the figure's numbers in words, for those who cannot see it.
    """

    name: str
    title: str
    alt: str = ""
    svg: Path | None = None
    png: Path | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class _Plan:
    """A figure that may be drawn: how it is made, and how it is told."""

    name: str
    title: str
    make: Callable[[], Figure]
    tell: Callable[[], str]


def draw(
    blocks: Iterable[Block],
    folder: Path,
    *,
    gradient_name: str,
    gradient_unit: str = "",
    urban_is_high: bool = True,
    covariates: Sequence[Covariate] = (),
    confidence: float = 0.95,
) -> list[Drawn]:
    """Write every figure of a comparison as SVG and PNG.

    Parameters
    ----------
    blocks : iterable of Block
        The parts of a comparison; those without a figure are passed over.
    folder : Path
        Where the files go; made where it is missing. Files of the same name are replaced, and
        taken away where the figure can no longer be drawn.
    gradient_name, gradient_unit : str
        What the gradient measures, on the scale on which it is modelled.
    urban_is_high : bool
        Whether the gradient rises toward people.
    covariates : sequence of Covariate
        Headings and units of the measured quantities, in the order in which they are drawn.
    confidence : float
        Confidence level of the comparison's intervals. [1]

    Returns
    -------
    list of Drawn
        In the order of a report. A figure that cannot be drawn has no files and says why.
    """
    parts = {block.part: block for block in blocks}
    gradient, level = Gradient.of(gradient_name, gradient_unit), f"{100 * confidence:g} %"
    plans = (*_of_types(parts, gradient, urban_is_high, level), *_of_quantities(parts, gradient, covariates, level))
    return [_drawn(plan, folder) for plan in plans]


def _drawn(plan: _Plan, folder: Path) -> Drawn:
    """Draw and write one figure, or say why not."""
    try:
        figure, alt = plan.make(), plan.tell()
    except NothingToDraw as reason:
        for ending in ("svg", "png"):  # of an earlier run: it would tell of other dens
            (folder / f"{plan.name}.{ending}").unlink(missing_ok=True)
        return Drawn(plan.name, plan.title, why_not=f"{plan.title}: no figure, because {reason}.")
    svg, png = save(figure, folder, name=plan.name, title=plan.title, alt=alt)
    return Drawn(plan.name, plan.title, alt, svg, png)


def _of_types(parts: dict[str, Block], gradient: Gradient, urban_is_high: bool, level: str) -> Iterator[_Plan]:
    """Yield the figures of den types and aspects."""
    block = _part(parts, "type-along-gradient")
    yield _Plan(
        block.part, "Den types along the gradient",
        partial(types_along_gradient, block, gradient=gradient, urban_is_high=urban_is_high, level=level),
        partial(told_along_gradient, block, gradient=gradient, level=level),
    )  # fmt: skip
    block = _part(parts, "type-by-class")
    yield _Plan(
        block.part,
        "Den types by landscape class",
        partial(shares_by_class, block, level=level),
        partial(told_by_class, block, level=level),
    )
    for part, title, what in (
        ("aspect", ASPECTS, "dens, by the aspect seen there"),
        ("ground-aspect", "Aspects of the ground at dens by landscape class", "ground at dens, by the elevation model"),
    ):
        block = _part(parts, part)
        yield _Plan(f"{part}-by-class", title, partial(aspects_by_class, block, title=title, what=what, level=level),
                    partial(told_aspects, block, title=title))  # fmt: skip


def _of_quantities(
    parts: dict[str, Block], gradient: Gradient, covariates: Sequence[Covariate], level: str
) -> Iterator[_Plan]:
    """Yield the figures of measured quantities, then those of field against map."""
    for one in covariates:
        block = _part(parts, f"magnitude-{one.column.lower().replace('_', '-')}")
        yield _Plan(
            block.part, f"{one.heading} by landscape class",
            partial(quantity_by_class, block, heading=one.heading, unit=one.unit, gradient=gradient, level=level),
            partial(told_quantity, block, heading=one.heading, unit=one.unit, gradient=gradient, level=level),
        )  # fmt: skip
    for what, make in (("slope", partial(agreement, what="slope", unit="deg")), ("aspect", bearing_agreement)):
        block = _part(parts, f"agreement-{what}")
        title = f"{what.capitalize()}: map against field"
        yield _Plan(block.part, title, partial(make, block), partial(told_agreement, block, what=what))


def _part(parts: dict[str, Block], name: str) -> Block:
    """Return a block, an empty one where the question was not asked."""
    return parts.get(name, Block(name))
