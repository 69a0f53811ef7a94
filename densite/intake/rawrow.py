"""One row of a crew file as it came, and how its headings are understood."""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from densite.animalterms import KINDS
from densite.errors import IntakeError, Level, Problem
from densite.records import is_hidden
from densite.terms import RECORDED_TERMS, Term, recognised, spelled

PROVENANCE = ("reason", "source_file", "source_line")
_HALVES = re.compile("[\ud800-\udfff]")
LISTED = ("record_id", "recorded_from")  # what `densite records` adds to rows that may come back corrected
# What an entry of the field form brings beside its columns; a mended row keeps it and so stays that entry's.
ENTRY, PRINT, GONE = "field_entry", "field_print", "withdrawn_on_phone"
OF_ENTRY = (ENTRY, PRINT, GONE, "withdrawn_reason", "visit_entry", "begun_at", "changed_at", "fixes")


@dataclass(frozen=True, slots=True)
class RawRow:
    """A crew's row: ``values`` under densite's names, ``raw`` as written, and where it stands."""

    file: str
    line: int
    values: dict[str, str]
    raw: dict[str, str]
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class Headings:
    """Which heading of a file stands for which term; ``unknown`` ones are kept with the row only."""

    names: dict[str, str]
    unknown: tuple[str, ...] = field(default=())

    def sort(self, raw: Mapping[str, str]) -> dict[str, str]:
        """Return the values of a raw row under densite's names, blanks left out."""
        pairs = ((self.names.get(heading), _legible(cell)) for heading, cell in raw.items())
        return {name: cell for name, cell in pairs if name and cell}

    def joined(self, raw: Mapping[str, str], fixed: Mapping[str, str]) -> tuple[dict[str, str], dict[str, str]]:
        """Join a row's own cells with what its file format fixes (place, datum), which goes before them.

        Returns values under densite's names, and cells that give the same values when they are handed
        in again under their headings.
        """
        own = {heading: cell for heading, cell in raw.items() if self.names.get(heading) not in fixed}
        return self.sort(own) | dict(fixed), own | dict(fixed)


def _legible(cell: str) -> str:
    """Take out of a cell what nobody sees but a terminal or a page obeys: control and direction characters.

    Half a character (a lone surrogate, as JSON may hold one) goes too: no file and no register can keep it.
    """
    if cell and cell.isprintable():
        return cell.strip()
    return "".join(c for c in cell or "" if not is_hidden(c)).strip()


def whole(text: str) -> str:
    """Put a sign for what is unreadable in place of half characters, as JSON and file names may hold them.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Text that UTF-8 can hold.
    """
    return text if text.isascii() else _HALVES.sub("\ufffd", text)


def shown(text: str) -> str:
    """Make a name out of a stranger's file fit to be shown: no character that a terminal obeys, all on one line.

    Parameters
    ----------
    text : str
        A name of a file, a sheet, a layer; a few words.

    Returns
    -------
    str
    """
    return text if text.isprintable() else "".join("\ufffd" if is_hidden(c) or c in "\n\t" else c for c in text)


def entry_of(values: Mapping[str, str]) -> str:
    """Return the id of the field form's entry that a row brings, which is its key.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.

    Returns
    -------
    str
        UUID; blank for any other row, also for one that corrects what an entry brought.
    """
    text = values.get(ENTRY, "")
    if not text or values.get("corrects"):
        return ""
    try:
        return str(uuid.UUID(text))
    except ValueError:
        return ""


def understand(
    headings: Sequence[str], mapping: Mapping[str, str], *, file: str, terms: Sequence[Term] = RECORDED_TERMS
) -> Headings:
    """Match a file's headings with terms, by the study's own mapping first.

    Parameters
    ----------
    headings : sequence of str
        As they stand in the file.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml: heading to term name.
    file : str
        For messages.
    terms : sequence of Term
        The columns that such a file may have: those of den visits by default.

    Returns
    -------
    Headings

    Raises
    ------
    IntakeError
        The mapping names a term that does not exist, or two headings stand for one term.
    """
    _refuse_unknown_terms(mapping)
    known = meanings(mapping, terms)
    names = {h: known[spelled(h)] for h in headings if spelled(h) in known}
    ours = (*PROVENANCE, *LISTED, *(OF_ENTRY if ENTRY in headings else ()))
    names |= {h: h for h in headings if h in ours}
    _refuse_doubles(names, headings, file)
    return Headings(names, tuple(h for h in headings if h not in names and h.strip()))


def meanings(mapping: Mapping[str, str], terms: Sequence[Term]) -> dict[str, str]:
    """Return the heading of every column, folded, with the term it stands for in files of one kind.

    Parameters
    ----------
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml; what it says of columns of other kinds does not count.
    terms : sequence of Term
        The columns that such a file may have.

    Returns
    -------
    dict of str to str
    """
    here = {term.name for term in terms}
    return recognised(terms) | {spelled(heading): name for heading, name in mapping.items() if name in here}


def _refuse_unknown_terms(mapping: Mapping[str, str]) -> None:
    allowed = {term.name for terms in (RECORDED_TERMS, *(kind.terms for kind in KINDS.values())) for term in terms}
    wrong = [f"'{h}' = '{n}'" for h, n in mapping.items() if n not in allowed]
    if wrong:
        raise IntakeError(
            f"study.toml [intake.columns]: {', '.join(wrong)}: no such column; known: {', '.join(sorted(allowed))}"
        )


def _refuse_doubles(names: Mapping[str, str], headings: Sequence[str], file: str) -> None:
    twice = sorted({heading for heading in headings if heading and headings.count(heading) > 1})
    if twice:
        raise IntakeError(f"{file}: more than one column is headed {', '.join(map(repr, twice))}: rename all but one")
    for name in set(names.values()):
        same = [heading for heading, term in names.items() if term == name]
        if len(same) > 1:
            raise IntakeError(
                f"{file}: the columns {', '.join(map(repr, same))} all mean {name}: rename or map all but one"
            )


def about_unknown(headings: Headings, *, file: str, known: Mapping[str, str] | None = None) -> list[Problem]:
    """Say once for a file which of its columns are not understood, loudly where one looks like a known one."""
    if not headings.unknown:
        return []
    found = [_likeness(heading, headings, known or {}, file) for heading in headings.unknown]
    return [*(problem for problem in found if problem is not None), *_listed_unknown(headings, file)]


def _likeness(heading: str, headings: Headings, known: Mapping[str, str], file: str) -> Problem | None:
    """Ask about a heading such as ``temp F``, which adds a word to one that is known and missing."""
    begun = [name for told, name in known.items() if spelled(heading).startswith(f"{told} ")]
    missing = [name for name in begun if name not in headings.names.values()]
    if not missing:
        return None
    said = f"column '{heading}' is not used: is it {missing[0]}?"
    hint = "head it so, with the unit in the cells where it is another; or name it in study.toml [intake.columns]"
    return Problem(Level.WARNING, said, file=file, hint=hint)


def _listed_unknown(headings: Headings, file: str) -> list[Problem]:
    listed = ", ".join(repr(h) for h in headings.unknown[:20])
    listed += f" and {len(headings.unknown) - 20} more" if len(headings.unknown) > 20 else ""
    if "slope" in map(spelled, headings.unknown):
        listed += " (a slope must say its unit: head it slope_deg or slope_pct)"
    return [Problem(Level.NOTE, f"columns not known: {listed}; kept with each row as recorded, not used",
                    file=file, hint="name them in study.toml [intake.columns]")]  # fmt: skip
