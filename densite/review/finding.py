"""One open question: of what kind it is, about which den, on whose day, and whether a person has settled it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import pandas as pd

from densite.animals import text_of
from densite.errors import Level, Problem

KINDS: Mapping[str, str] = MappingProxyType({
    "place": "Outside the study area",
    "water": "In water",
    "step": "Far from her other dens",
    "one day": "Two places on one day",
    "season": "Outside the season",
    "doubt": "Doubtful value",
    "outlier": "Far from the study's other values",
    "ground": "Field against map",
    "label": "Labels alike",
    "visit": "Without a visit",
    "value": "Derived values",
    "animal": "Animals' records",
    "missing": "Not filled in",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Finding:
    """One open question.

    Attributes
    ----------
    kind : str
        A name of ``KINDS``.
    problem : Problem
        What is the matter, with file, line and next step.
    den_id, visit_id : str
        The den and the visit it is about; '' where it is about none.
    day : date or None
        Day of that visit.
    crew : str
        Who was there: ``crew B``, or ``observer Z.E.`` where no crew is recorded.
    missing : tuple of str
        Columns that are not filled in.
    other_id : str
        The other den of a pair.
    """

    kind: str
    problem: Problem
    den_id: str = ""
    visit_id: str = ""
    day: dt.date | None = None
    crew: str = ""
    missing: tuple[str, ...] = ()
    other_id: str = ""


Row = Mapping[Any, Any]
Found = Iterator[Finding]


def about(
    kind: str, row: Row, message: str, field: str = "", *, level: Level = Level.WARNING, value: str = "",
    hint: str = "", den_id: str = "", other_id: str = "",
) -> Finding:  # fmt: skip
    """Return a finding about a den.

    Parameters
    ----------
    kind, message, field, value, hint, den_id, other_id
        As of the finding and its problem.
    row : mapping
        The den: its label, source_file and source_line.
    level : Level
        How much it weighs.

    Returns
    -------
    Finding
    """
    said = f"den {row['label']}: {message}"
    line = row["source_line"]  # another program may have left it out
    line = int(line) if line is not None and line == line else 0
    problem = Problem(level, said, field, value, text_of(row["source_file"]), line, hint)
    return Finding(kind, problem, str(den_id), other_id=str(other_id))


def rows_of_dens(dens: gpd.GeoDataFrame, which: Iterable[Any] | None = None) -> Iterator[tuple[str, dict[Any, Any]]]:
    """Yield id and values of dens; looking single rows up in a frame would cost more than all checks.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites, indexed by den_id.
    which : iterable of str, optional
        Ids of those that are wanted; all by default.

    Yields
    ------
    tuple of str and dict
    """
    chosen = dens if which is None else dens.loc[list(which)]
    yield from zip(chosen.index, chosen.to_dict("records"), strict=True)


def named_rows(dens: gpd.GeoDataFrame) -> dict[str, dict[Any, Any]]:
    """Return what :func:`about` needs of every den: its label, file and line.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites, indexed by den_id.

    Returns
    -------
    dict of str to dict
    """
    narrow = pd.DataFrame(dens)[["label", "source_file", "source_line"]]
    return dict(zip(dens.index, narrow.to_dict("records"), strict=True))


def settled_fields(visits: pd.DataFrame) -> dict[str, set[str]]:
    """Return for each den what a person has confirmed with a visit.

    Parameters
    ----------
    visits : DataFrame
        Visits with ``den_id`` and ``settled``.

    Returns
    -------
    dict of str to set of str
        Fields whose doubts are confirmed, and questions as :func:`key_of` names them.
    """
    fields: dict[str, set[str]] = {}
    for den_id, text in zip(visits["den_id"], visits["settled"], strict=True):
        if isinstance(text, str):
            fields.setdefault(den_id, set()).update(text.split(","))
    return fields


def key_of(finding: Finding, field: str = "") -> str:
    """Return the word under which a person's confirmation of a question is kept: ``outlier.slope_deg``, ``water``.

    Parameters
    ----------
    finding : Finding
        The question.
    field : str
        The column, where the question is about several.

    Returns
    -------
    str
    """
    named = finding.problem.value if finding.kind == "season" else field or finding.problem.field
    kind = finding.kind.replace(" ", "_")
    if finding.kind == "doubt":
        return named  # as intake keeps it
    return f"{kind}.{named}" if finding.kind in ("outlier", "ground", "missing", "season") else kind


def unsettled(found: Iterable[Finding], settled: Mapping[str, set[str]]) -> list[Finding]:
    """Leave out what a person has confirmed.

    Parameters
    ----------
    found : iterable of Finding
        Questions about dens.
    settled : mapping of str to set of str
        From :func:`settled_fields`.

    Returns
    -------
    list of Finding
        A question about several columns keeps those that are still open.
    """
    return [left for each in found if (left := _left(each, settled.get(each.den_id, set()))) is not None]


def _left(finding: Finding, settled: set[str]) -> Finding | None:
    if not settled:
        return finding
    if finding.missing:
        columns = tuple(name for name in finding.missing if key_of(finding, name) not in settled)
        return replace(finding, missing=columns) if columns else None
    # a value confirmed when it was handed in is as unusual among the study's own as it was then
    also = finding.problem.field if finding.kind in ("doubt", "place", "outlier") else ""
    return None if settled & {key_of(finding), also} - {""} else finding
