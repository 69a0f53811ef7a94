"""What a file's unknown headings may mean: a mapping proposed by headings and values, for a person to accept."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from densite.animalterms import KINDS, Kind
from densite.errors import IntakeError
from densite.intake.likeness import (
    Fit,
    Heading,
    fit_of,
    likeness,
    mostly_numbers,
    taken_apart,
    unit_fits,
)  # fmt: skip
from densite.intake.rawrow import LISTED, PROVENANCE, meanings
from densite.intake.sheet import Sheet
from densite.records import folded
from densite.terms import RECORDED_TERMS, Term, spelled

DEN = "den"
# How like a heading must be, and how many values must fit, for each word of confidence: our choices, no source.
_SAME, _LIKE, _FAINT = 0.9, 0.75, 0.62
_NEARLY_ALL, _MOST, _HALF = 0.95, 0.8, 0.5
_CLOSE = 0.05  # two columns so nearly alike to a heading leave it open which is meant
_LOOKED_AT = 300  # so many values of a column tell enough
_FEW_VALUES = 3  # fewer values prove little

OtherNames = Mapping[str, Sequence[str]]


class Confidence(StrEnum):
    """How sure a proposal is, in words."""

    SURE = "sure"
    LIKELY = "likely"
    GUESS = "a guess"


@dataclass(frozen=True, slots=True)
class Proposal:
    """A heading of the file, the column that it seems to mean, how surely, and why."""

    heading: str
    column: str
    confidence: Confidence
    why: str
    score: float = field(default=0.0, repr=False)


@dataclass(frozen=True, slots=True)
class Lesson:
    """What was learned of a table: the kind of record, headings known, proposed, doubted and left over."""

    sheet: Sheet
    kind: Kind | None
    known: Mapping[str, str]
    proposals: tuple[Proposal, ...]
    doubts: tuple[str, ...]
    unused: tuple[str, ...]

    @property
    def kind_name(self) -> str:
        """``den`` or the name of a kind."""
        return self.kind.name if self.kind else DEN

    @property
    def terms(self) -> Sequence[Term]:
        """The columns that such a table may have."""
        return terms_of(self.kind)

    def columns(self) -> dict[str, str]:
        """All headings with the column of each: known and proposed."""
        return {**self.known, **{p.heading: p.column for p in self.proposals}}


def terms_of(kind: Kind | None) -> Sequence[Term]:
    """Return the columns of a kind of record; those of den visits for None."""
    return kind.terms if kind else RECORDED_TERMS


def learn(
    sheet: Sheet, mapping: Mapping[str, str], *, told: str | None = None, other_names: OtherNames | None = None
) -> Lesson:
    """Propose what the unknown headings of a table mean.

    Parameters
    ----------
    sheet : Sheet
        Headings and some rows.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml. What it says stands.
    told : str, optional
        Kind of record as a person named it: ``den`` or a name of ``KINDS``. Found out otherwise.
    other_names : mapping, optional
        More names of columns, such as those of another language, by ``kind.column``.

    Returns
    -------
    Lesson

    Raises
    ------
    IntakeError
        The kind that was named does not exist.

    Notes
    -----
    Letters are compared by :class:`difflib.SequenceMatcher` (Ratcliff & Metzener 1988, Dr. Dobb's Journal 13(7):46).
    """
    if told is not None and told not in (DEN, *KINDS):
        raise IntakeError(f"kind of record '{told}'; allowed: {', '.join((DEN, *KINDS))}")
    kinds: Iterable[Kind | None] = (None, *KINDS.values()) if told is None else (KINDS.get(told),)
    lessons = [_as_kind(sheet, kind, mapping, other_names or {}) for kind in kinds]
    return max(lessons, key=_worth)  # den visits come first, and max keeps the first of equals


def _worth(lesson: Lesson) -> float:
    """Weigh how much of a table a kind of record explains; what it cannot do without counts double."""
    columns = lesson.columns()
    sure = len(lesson.known) + sum(proposal.score for proposal in lesson.proposals)
    needed = lesson.kind.needed if lesson.kind else ("date", "den_type")
    return sure + sum(name in columns.values() for name in needed) / len(needed)


def _as_kind(sheet: Sheet, kind: Kind | None, mapping: Mapping[str, str], other_names: OtherNames) -> Lesson:
    """Read a table as a kind of record: each heading gets at most one column, the likeliest pairs first."""
    terms = terms_of(kind)
    meant = meanings(mapping, terms)
    own = [heading for heading in sheet.headings if heading.strip() and heading not in (*PROVENANCE, *LISTED)]
    known = {heading: meant[spelled(heading)] for heading in own if spelled(heading) in meant}
    elsewhere = {spelled(heading) for heading in mapping}  # mapped to a column of another kind: left alone
    free = [heading for heading in own if heading not in known and spelled(heading) not in elsewhere]
    open_terms = {
        term: (term.name, term.heading, *term.also, *other_names.get(f"{kind.name if kind else DEN}.{term.name}", ()))
        for term in terms if term.name not in known.values() and term.name != "confirmed"
    }  # fmt: skip
    judged = [judgement for heading in free for judgement in _judged(heading, sheet, open_terms)]
    chosen = _chosen([judgement for judgement in judged if isinstance(judgement, Proposal)])
    chosen += _by_values(sheet, [h for h in free if h not in {p.heading for p in chosen}], open_terms, chosen)
    chosen.sort(key=lambda proposal: own.index(proposal.heading))
    unused = tuple(heading for heading in free if heading not in {p.heading for p in chosen})
    return Lesson(sheet, kind, known, tuple(chosen), tuple(_doubts(judged, chosen, unused, sheet, open_terms)), unused)


@dataclass(frozen=True, slots=True)
class _Against:
    """A heading that is like a column, and why it cannot be it."""

    heading: str
    like: float
    why: str


def _judged(heading: str, sheet: Sheet, terms: Mapping[Term, Sequence[str]]) -> Iterator[Proposal | _Against]:
    """Yield the columns that a heading is like, and those that its values or its unit speak against."""
    apart, cells = taken_apart(heading), sheet.cells(heading)[:_LOOKED_AT]
    for term, names in terms.items():
        like = likeness(apart, names)
        if like < _FAINT:
            if _speaks_for_itself(term, cells):
                yield _by_value(heading, term, cells)
            continue
        fit = fit_of(term, cells)
        if against := _against(heading, apart, term, cells, fit):
            yield _Against(heading, like, against)
        else:
            telling = _telling(term, cells) is not None
            yield _with_unit(_weighed(heading, term, like, fit, telling=telling), apart, term, cells, terms)


def _with_unit(proposal: Proposal, apart: Heading, term: Term, cells: Sequence[str], terms: Iterable[Term]) -> Proposal:
    """Leave open which of two columns for one quantity is meant, such as slope in degrees and in percent."""
    stem = term.name.rpartition("_")[0]
    others = [t for t in terms if stem and t.name.rpartition("_")[0] == stem and t.unit != term.unit]
    fits = [fit for other in others if (fit := fit_of(other, cells)) is not None and fit.share >= _MOST]
    if apart.unit or not fits:
        return proposal
    why = f"{proposal.why}; its unit is not told: {term.unit} or {others[0].unit}?"
    return replace(proposal, confidence=Confidence.GUESS, why=why)


def _doubts(
    judged: Iterable[Proposal | _Against], chosen: Iterable[Proposal], unused: Iterable[str], sheet: Sheet,
    terms: Iterable[Term],
) -> Iterator[str]:  # fmt: skip
    """Yield why headings left over are not what they look like, and words that a coded column does not know."""
    for heading in unused:
        against = [j for j in judged if isinstance(j, _Against) and j.heading == heading and j.like >= _LIKE]
        if against:
            yield max(against, key=lambda j: j.like).why
    by_name = {term.name: term for term in terms}
    for proposal in chosen:
        if odd := _odd_words(proposal, sheet, by_name[proposal.column]):
            yield odd


def _against(heading: str, apart: Heading, term: Term, cells: Sequence[str], fit: Fit | None) -> str:
    """Say what speaks against a heading's likeness to a column; blank where nothing does."""
    if not unit_fits(apart, term):
        own = f"in {term.unit}" if term.unit else "without a unit"
        return f"'{heading}' is like {term.name}, but in {apart.unit}; that column is {own}: a mapping converts nothing"
    if fit is not None and fit.share < _MOST:
        said = f"{fit.of - fit.fitting} of {fit.of} values do not fit, such as '{fit.odd[:40]}'"
        return f"'{heading}' is like {term.name}, but {said}; allowed: {term.allowed()}"
    if fit is None and term.name.endswith("notes") and mostly_numbers(cells):
        return f"'{heading}' is like {term.name}, but holds numbers"
    return ""


def _weighed(heading: str, term: Term, like: float, fit: Fit | None, *, telling: bool) -> Proposal:
    """Say how sure a heading's likeness to a column is, with values that fit, or are like no other column's."""
    share = fit.share if fit else None
    if like >= _SAME and share is not None and share >= _NEARLY_ALL and fit is not None and fit.of >= _FEW_VALUES:
        confidence = Confidence.SURE
    elif like >= _SAME or (like >= _LIKE and share is not None and share >= _NEARLY_ALL):
        confidence = Confidence.LIKELY
    else:
        confidence = Confidence.LIKELY if telling else Confidence.GUESS
    how = "headed as" if like == 1 else "headed nearly as" if like >= _LIKE else "headed a little like"
    values = f"{fit.fitting} of {fit.of} values fit" if fit else "any text would fit"
    return Proposal(heading, term.name, confidence, f"{how} '{term.heading}'; {values}", like + 0.3 * (share or 0))


def _chosen(pairs: Sequence[Proposal]) -> list[Proposal]:
    """Give each heading and each column to the likeliest pair; where two are nearly as likely, say so."""
    chosen: list[Proposal] = []
    for pair in sorted(pairs, key=lambda p: (-p.score, p.heading, p.column)):
        if any(pair.heading == p.heading or pair.column == p.column for p in chosen):
            continue
        rivals = [p for p in pairs if (p.heading == pair.heading) != (p.column == pair.column)]
        close = [p for p in rivals if pair.score - p.score <= _CLOSE and not _has_better(p, pairs, chosen)]
        if close:
            which = close[0].column if close[0].heading == pair.heading else f"column '{close[0].heading}'"
            pair = replace(pair, confidence=Confidence.GUESS, why=f"{pair.why}; or is it {which}?")
        chosen.append(pair)
    return chosen


def _has_better(pair: Proposal, pairs: Sequence[Proposal], chosen: Sequence[Proposal]) -> bool:
    """Tell whether a rival is spoken for: its heading or column has a partner that suits it clearly better."""
    partners = [p for p in (*pairs, *chosen) if (p.heading == pair.heading) != (p.column == pair.column)]
    return any(p.score > pair.score + _CLOSE for p in partners)


def _by_values(
    sheet: Sheet, headings: Sequence[str], terms: Iterable[Term], chosen: Sequence[Proposal]
) -> list[Proposal]:
    """Guess by values alone where they can mean one column only: words of a choice, places, days."""
    taken = {proposal.column for proposal in chosen}
    found: list[Proposal] = []
    for heading in headings:
        cells = sheet.cells(heading)[:_LOOKED_AT]
        fitting = [term for term in terms if term.name not in taken and _telling(term, cells) is not None]
        if len(fitting) == 1:
            taken.add(fitting[0].name)
            found.append(_by_value(heading, fitting[0], cells))
    return found


def _by_value(heading: str, term: Term, cells: Sequence[str]) -> Proposal:
    fit = fit_of(term, cells)
    said = f"{fit.fitting} of {fit.of} fit '{term.heading}'" if fit else ""
    sure = _speaks_for_itself(term, cells)
    confidence = Confidence.LIKELY if sure else Confidence.GUESS
    return Proposal(heading, term.name, confidence, f"by its values alone: {said}", 1.0 if sure else 0.5)


def _speaks_for_itself(term: Term, cells: Sequence[str]) -> bool:
    """Tell whether nearly all values are words of one coded column, and at least three of them."""
    fit = fit_of(term, cells) if _words_of(term, cells) >= _FEW_VALUES else None
    return fit is not None and fit.share >= _NEARLY_ALL


def _telling(term: Term, cells: Sequence[str]) -> Fit | None:
    """Return a column's fit to a term whose values are like no other's; None where they are not, or do not fit."""
    lettered = all(re.search(r"[NSEWnsew]", cell) for cell in cells)
    written = all(re.search(r"[-/. ]", cell) for cell in cells)  # 20260224 may be any number
    by_kind = {"choice": _words_of(term, cells) > 1, "date": term.name == "date" and written}
    placed = term.name in ("coordinates", "mgrs", "datum") or (term.name in ("latitude", "longitude") and lettered)
    if len(cells) < _FEW_VALUES or not by_kind.get(term.kind, placed):
        return None
    fit = fit_of(term, cells)
    least = _HALF if _words_of(term, cells) >= _FEW_VALUES else _NEARLY_ALL
    return fit if fit is not None and fit.share >= least else None


def _words_of(term: Term, cells: Sequence[str]) -> int:
    """Count the different choices of a coded term that stand in a column."""
    if not term.choices:
        return 0
    return len({folded(cell) for cell in set(cells)} & {folded(choice) for choice in term.choices})


def _odd_words(proposal: Proposal, sheet: Sheet, term: Term) -> str:
    """Say which words of a coded column are none of its choices: a mapping is of headings only."""
    if not term.choices:
        return ""
    allowed = {folded(choice) for choice in term.choices}
    odd = Counter(cell for cell in sheet.cells(proposal.heading) if folded(cell) not in allowed)
    if not odd:
        return ""
    listed = ", ".join(f"'{cell[:40]}' ({count})" for cell, count in odd.most_common(5))
    return f"'{proposal.heading}' holds {listed}; allowed: {term.allowed()}: such rows come back to be mended"
