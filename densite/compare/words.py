"""The answer in words: a cautious paragraph whose every figure comes from a row of the table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from densite.compare.question import Question
from densite.compare.result import Block, Result, p_in_words

LOG = "log10"
PRIMARY = "type-along-gradient"


@dataclass(frozen=True, slots=True)
class Sentence:
    """A sentence and the keys of the rows from which its figures come."""

    text: str
    rows: tuple[str, ...] = ()


def answer(blocks: Sequence[Block], question: Question, *, level: float = 0.05) -> tuple[Sentence, ...]:
    """Say what differs, by how much, how sure that is, and on how many females.

    Parameters
    ----------
    blocks : sequence of Block
        All parts of the comparison, with adjusted p-values.
    question : Question
        What was compared.
    level : float
        p at or below which a difference is taken as shown. [1]

    Returns
    -------
    tuple of Sentence
        Nothing is claimed beyond an interval, and no difference is called absent.
    """
    row = {result.key: result for block in blocks for result in block.results}
    return tuple(
        sentence
        for part in (_along, _by_class, _facing, _magnitudes, _found, _other_choices, _near, _nameless)
        for sentence in part(row, question, level)
    )


def _along(row: Mapping[str, Result], question: Question, level: float) -> Iterator[Sentence]:
    """Answer the primary question."""
    test = row.get(f"{PRIMARY}/test")
    if test is None or test.p is None:
        yield Sentence("Whether den types change along the gradient cannot be said from these dens.")
        return
    basis = f"{test.dens} dens of {test.females} females, permutation over females, p {p_in_words(test.p)}"
    if test.p > level:
        yield Sentence(f"A change of den types along the gradient could not be shown ({basis}).", (test.key,))
    else:
        yield Sentence(f"Den types changed along the gradient ({basis}).", (test.key,))
    changes = [r for key, r in row.items() if key.startswith(f"{PRIMARY}/change/") and r.lower is not None]
    apart = [r for r in changes if _apart(r)]
    for change in sorted(apart if test.p <= level else [], key=lambda r: -abs(r.estimate or 0)):
        yield _change(change, row, question)
    if apart and test.p > level:
        yield Sentence(
            f"The interval of {_listed([_kind(r) for r in apart])} dens alone leaves out no change, but the joint test "
            "does not bear that out.",
            tuple(r.key for r in apart),
        )
    if rest := [r for r in changes if r not in apart]:
        yield _unsure(rest)
    if rare := [kind for kind in question.sample.types if changes and kind not in {_kind(r) for r in changes}]:
        yield Sentence(f"Of {_listed(rare)} dens there are too few to say how their share changes.")


def _change(change: Result, row: Mapping[str, Result], question: Question) -> Sentence:
    """Say how a type's share changes from the rural to the urban end."""
    name = change.key.rsplit("/", 1)[1]
    ends = [row[key] for key in (f"{PRIMARY}/share-low/{name}", f"{PRIMARY}/share-high/{name}") if key in row]
    if not question.urban_is_high:
        ends.reverse()
    toward = (change.estimate or 0) * (1 if question.urban_is_high else -1)
    moved = "rose" if toward > 0 else "fell"
    share = f"from {_percent(ends[0].estimate)} to {_percent(ends[1].estimate)} " if len(ends) == 2 else ""
    lower, upper = sorted(abs(v) for v in (change.lower or 0, change.upper or 0))
    by = f"by {_points(abs(change.estimate or 0))}, interval {100 * lower:.0f} to {_points(upper)}"
    return Sentence(
        f"Toward people, between the gradient's 10th and 90th percentile, the predicted share of "
        f"{_kind(change)} dens {moved} {share}({by}).",
        (change.key, *(end.key for end in ends)),
    )


def _unsure(changes: Sequence[Result]) -> Sentence:
    """Say for which types neither a change nor its absence is shown."""
    names = _listed([_kind(change) for change in changes])
    reach = max(max(abs(c.lower or 0), abs(c.upper or 0)) for c in changes)
    return Sentence(
        f"For {names} dens the intervals include no change, and reach to changes of {_points(reach)}: neither a change "
        "nor its absence is shown.",
        tuple(change.key for change in changes),
    )


def _by_class(row: Mapping[str, Result], _: Question, level: float) -> Iterator[Sentence]:
    test = row.get("type-by-class/test")
    if test is None or test.p_adjusted is None:
        return
    chance = f"adjusted p {p_in_words(test.p_adjusted)}"
    if test.p_adjusted > level:
        yield Sentence(
            f"Differences in den types between landscape classes could not be shown ({chance}).", (test.key,)
        )
        return
    yield Sentence(f"Den types differed between landscape classes ({chance}).", (test.key,))
    differences = [r for key, r in row.items() if key.startswith("type-by-class/difference/") and _apart(r)]
    if differences:
        most = max(differences, key=lambda r: abs(r.estimate or 0))
        yield Sentence(
            f"The largest difference is in {most.what.removeprefix('difference in ')}: {most.where}, "
            f"{_points(most.estimate or 0)} (interval of this difference alone {100 * (most.lower or 0):.0f} to "
            f"{_points(most.upper or 0)}).",
            (most.key,),
        )


def _facing(row: Mapping[str, Result], _: Question, level: float) -> Iterator[Sentence]:
    """Say whether dens face other ways than the ground, and whether that changes."""
    ground = row.get("ground-aspect/available")
    if ground is not None and ground.p_adjusted is not None:
        shown = (
            "lay on ground that faces"
            if ground.p_adjusted <= level
            else "could not be shown to lie on ground that faces"
        )
        told, rows = "", [ground.key]
        mean = row.get("ground-aspect/available/direction")
        if ground.p_adjusted <= level and mean is not None and mean.lower is not None:
            told = f"; they prefer {mean.estimate:.0f} deg ({mean.lower:.0f} clockwise to {mean.upper:.0f})"
            rows.append(mean.key)
        yield Sentence(
            f"Dens {shown} other ways than the study area's (adjusted p {p_in_words(ground.p_adjusted)}){told}.",
            tuple(rows),
        )
    tests = [row[key] for key in ("aspect/classes", "aspect/gradient") if key in row]
    if tests and all(test.p_adjusted is not None for test in tests):
        differed = any((test.p_adjusted or 1) <= level for test in tests)
        values = " and ".join(p_in_words(test.p_adjusted or 1) for test in tests)
        yield Sentence(
            f"Entrance aspects {'differed' if differed else 'could not be shown to differ'} between classes or along "
            f"the gradient (adjusted p {values}).",
            tuple(test.key for test in tests),
        )


def _magnitudes(row: Mapping[str, Result], question: Question, level: float) -> Iterator[Sentence]:
    """Say which covariates change along the gradient."""
    slopes = [r for key, r in row.items() if key.startswith("magnitude-") and key.endswith("/slope")]
    tested = [r for r in slopes if r.p_adjusted is not None]
    sure = [r for r in tested if (r.p_adjusted or 1) <= level and _apart(r)]
    for slope in sure:
        yield _trend(slope, question)
    if rest := [r for r in tested if r not in sure]:
        yield Sentence(f"No trend could be shown for {_listed([_heading(r, question) for r in rest])}.",
                       tuple(r.key for r in rest))  # fmt: skip


def _trend(slope: Result, question: Question) -> Sentence:
    """Say which way a covariate goes toward people."""
    toward = 1 if question.urban_is_high else -1
    told = [toward * n for n in (slope.estimate, slope.lower, slope.upper) if n is not None]
    low, high = sorted(told[1:])
    return Sentence(
        f"{_heading(slope, question)} {'rose' if told[0] > 0 else 'fell'} toward people ({_number(told[0])} "
        f"{_per_step(slope, question)}, interval {_number(low)} to {_number(high)}; adjusted p "
        f"{p_in_words(slope.p_adjusted or 1)}).",
        (slope.key,),
    )


def _heading(slope: Result, question: Question) -> str:
    heading = slope.what.removeprefix("slope of ").removesuffix(f" along {question.gradient_name}")
    return f"Distance to the {heading.lower()}" if heading.startswith("Nearest ") else heading


def _per_step(slope: Result, question: Question) -> str:
    """Return the unit of a slope in words; a step of a log10 is ten times as much."""
    unit = slope.unit.split(" per unit of ")[0].replace("%", "percentage points").strip()
    if question.gradient_name.startswith(f"{LOG}(1 + "):
        measure = question.gradient_name.removeprefix(f"{LOG}(1 + ").removesuffix(")")
        return f"{unit} for ten times the {measure} (plus 1)".strip()
    return f"{unit} for each {question.gradient_unit} toward people".strip()


def _found(row: Mapping[str, Result], *_: object) -> Iterator[Sentence]:
    """Say how small a difference could have been found."""
    if (least := row.get("precision/least-effect")) and least.estimate is not None:
        yield Sentence(
            f"Taken alone, the test between classes would find four of five effects of Cohen's w "
            f"{_number(least.estimate)} with these females; smaller ones are often missed.",
            (least.key,),
        )
    elif row and any(key.startswith("precision/power/") for key in row):
        strongest = [r for key, r in row.items() if key.startswith("precision/power/")][-1]
        yield Sentence(
            f"With these females even an {strongest.where} is found in {_percent(strongest.estimate)} of studies only.",
            (strongest.key,),
        )


def _other_choices(row: Mapping[str, Result], *_: object) -> Iterator[Sentence]:
    """Say how far the main test hangs on choices."""
    other = [
        r for key, r in row.items()
        if key.startswith("sensitivity/") and key.endswith(f"{PRIMARY}/test") and "/as-chosen/" not in key
        and "/class-breaks-" not in key  # which change the classes, and nothing along the gradient
    ]  # fmt: skip
    tested = sorted((r for r in other if r.p is not None), key=lambda r: r.p or 0)
    if len(tested) > 1:
        yield Sentence(
            f"Under {len(tested)} other choices of the gradient and of dens the main p lies between "
            f"{p_in_words(tested[0].p or 0)} and {p_in_words(tested[-1].p or 0)}.",
            (tested[0].key, tested[-1].key),
        )
    uncertain = row.get("sensitivity/uncertain-class")
    if uncertain is not None and uncertain.estimate:
        yield Sentence(
            f"The class of {_percent(uncertain.estimate)} of the dens is uncertain by their location error.",
            (uncertain.key,),
        )


def _near(row: Mapping[str, Result], _: Question, level: float) -> Iterator[Sentence]:
    """Warn where dens near each other are alike beyond the gradient."""
    moran = row.get("spatial/moran/females")
    if moran is not None and moran.p is not None and moran.p <= level:
        yield Sentence(
            f"Females near each other den alike beyond the gradient (Moran's I {_number(moran.estimate or 0)}, "
            f"p {p_in_words(moran.p)}): the p-values above may be too small.",
            (moran.key,),
        )


def _nameless(_: Mapping[str, Result], question: Question, __: float) -> Iterator[Sentence]:
    """Warn where most dens have no known female, so that nothing is known of which belong together."""
    names = question.sample.frame["female"]
    if (names == "").mean() > 0.5:
        yield Sentence(
            f"Of {int((names == '').sum())} of {len(names)} dens the female is not known: each counts as a female of "
            "its own, so chance and intervals are nearly those of independent dens and claim too much."
        )


def _kind(change: Result) -> str:
    """Return the den type of a change along the gradient."""
    return change.where.rsplit(", from ", 1)[0]


def _apart(result: Result) -> bool:
    """Tell whether an interval lies wholly on one side of no difference."""
    return result.lower is not None and result.upper is not None and (result.lower > 0 or result.upper < 0)


def _percent(share: float | None) -> str:
    return f"{100 * (share or 0):.0f} %"


def _points(difference: float) -> str:
    """Write a difference of shares in percentage points."""
    return f"{100 * difference:.0f} points"


def _number(value: float) -> str:
    return f"{value:.3g}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
