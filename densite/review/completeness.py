"""What a crew is expected to fill in at a den and on a visit, and what is not there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import pandas as pd

from densite.animals import settles, text_of
from densite.animalterms import KINDS
from densite.errors import Level
from densite.review.finding import Finding, Found, about, named_rows
from densite.terms import DEN_TERMS, VISIT_TERMS, by_name

# What the comparison, the den's description and the crew's own bookkeeping rest on. Common practice, no source: a
# study names its own in study.toml, [check] expected.
EXPECTED = (
    "uncertainty_m", "position_method", "aspect", "slope_deg", "canopy_pct", "concealment_pct", "entrance_height_cm",
    "entrance_width_cm", "depth_cm", "tree_species", "tree_diameter_cm", "observer", "female", "crew", "purpose",
)  # fmt: skip
# Of a type that has none of it nothing is expected; where the type is unknown, neither. Common practice, no source.
ONLY_AT: Mapping[str, tuple[str, ...]] = MappingProxyType({
    **dict.fromkeys(("tree_species", "tree_diameter_cm", "entrance_above_ground_m"), ("tree",)),
    **dict.fromkeys(("entrance_height_cm", "entrance_width_cm", "depth_cm"), ("tree", "rock ledge", "brush")),
})  # fmt: skip
_KEPT_AS = {"aspect": "aspect_deg", "slope_pct": "slope_deg", "den_label": "label", "date": "observed_on"}
_OF_DEN = tuple(term.name for term in DEN_TERMS)
_OF_VISIT = (*(term.name for term in VISIT_TERMS), "observer")


def expected_of(chosen: Sequence[str] | None) -> tuple[str, ...]:
    """Return the columns that are expected: the study's own list, or the default.

    Parameters
    ----------
    chosen : sequence of str or None
        From study.toml: columns of dens and visits by name, those of the animals' side as ``cub.mass_g``.

    Returns
    -------
    tuple of str
    """
    return EXPECTED if chosen is None else tuple(chosen)


def lacking(dens: gpd.GeoDataFrame, visits: pd.DataFrame, expected: Sequence[str]) -> Found:
    """List dens and visits at which something that is expected is not filled in.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites, indexed by den_id.
    visits : DataFrame
        Visits, indexed by visit_id.
    expected : sequence of str
        Columns; ``observer`` and those of the visit are asked of every visit, all others once of a den.

    Yields
    ------
    Finding
        One a den and one a visit, a note, with its columns under ``missing``.
    """
    rows = named_rows(dens)
    of_visit = [name for name in expected if name in _OF_VISIT]
    of_den = [name for name in expected if name in _OF_DEN and name not in _OF_VISIT]
    for den_id, columns in _blank(dens, of_den, dens["den_type"]).items():
        yield _finding(rows[den_id], columns, den_id)
    here = visits.loc[visits["den_id"].isin(dens.index)]
    for visit_id, columns in _blank(here, of_visit, None).items():
        seen = here.loc[visit_id]
        place = {"source_file": seen["source_file"], "source_line": seen["source_line"]}
        found = _finding({**rows[seen["den_id"]], **place}, columns, seen["den_id"])
        yield replace(found, visit_id=str(visit_id))


def lacking_of_animals(records: Mapping[str, pd.DataFrame], expected: Iterable[str]) -> Found:
    """List records of the animals' side in which something that is expected is not filled in.

    Parameters
    ----------
    records : mapping of str to DataFrame
        Records by kind, as :func:`densite.animals.frame_of` makes them.
    expected : iterable of str
        Columns as ``cub.mass_g``; others are passed over.

    Yields
    ------
    Finding
        One a record, a note.
    """
    wanted: dict[str, list[str]] = {}
    for name in expected:
        kind, dot, column = name.partition(".")
        if dot:
            wanted.setdefault(kind, []).append(column)
    for kind, columns in wanted.items():
        for record_id, blank in _blank(records[kind], columns, None).items():
            row = records[kind].loc[record_id]
            yield _of_record(kind, row, tuple(name for name in blank if not settles(row["settled"], name)))


def filled(
    dens: gpd.GeoDataFrame, visits: pd.DataFrame, records: Mapping[str, pd.DataFrame], expected: Sequence[str]
) -> pd.DataFrame:
    """Count how often each expected column is filled in.

    Parameters
    ----------
    dens, visits, records, expected
        As for :func:`lacking` and :func:`lacking_of_animals`.

    Returns
    -------
    DataFrame
        ``column``, ``of`` (den, visit, or a kind of record), ``expected`` and ``filled`` (counts).
    """
    told = []
    for name in expected:
        kind, dot, column = name.rpartition(".")
        kind = kind if dot else "visit" if name in _OF_VISIT else "den"
        frame = {"den": dens, "visit": visits}.get(kind, records.get(kind))
        if frame is not None:
            asked = _asked(frame, column, frame["den_type"] if kind == "den" else None)
            told.append((name, kind, int(asked.sum()), int((asked & ~_is_blank(frame, column)).sum())))
    return pd.DataFrame(told, columns=["column", "of", "expected", "filled"])


def heading_of(name: str) -> str:
    """Return the heading of an expected column.

    Parameters
    ----------
    name : str
        As in study.toml: ``slope_deg``, ``cub.mass_g``.

    Returns
    -------
    str
    """
    kind, dot, column = name.rpartition(".")
    if not dot:
        return "Entrance aspect" if name == "aspect" else by_name()[name].heading
    return next(term.heading for term in KINDS[kind].terms if term.name == column)


def _blank(frame: pd.DataFrame, columns: Sequence[str], types: pd.Series[str] | None) -> dict[Any, tuple[str, ...]]:
    """Return for each record the columns that it lacks, those without any left out."""
    found: dict[Any, list[str]] = {}
    for name in columns:
        for key in frame.index[_asked(frame, name, types) & _is_blank(frame, name)]:
            found.setdefault(key, []).append(name)
    return {key: tuple(names) for key, names in found.items()}


def _asked(frame: pd.DataFrame, name: str, types: pd.Series[str] | None) -> pd.Series[bool]:
    if types is None or name not in ONLY_AT:
        return pd.Series(True, index=frame.index)
    return types.isin(ONLY_AT[name])


def _is_blank(frame: pd.DataFrame, name: str) -> pd.Series[bool]:
    column = next((c for c in (_KEPT_AS.get(name, name), f"{name}_local") if c in frame), None)
    if column is None:
        return pd.Series(True, index=frame.index)
    values = frame[column]
    return values.isna() | (values.astype(str).str.strip() == "")  # text has a dtype of its own in pandas 3


def _finding(row: Mapping[Any, Any], columns: tuple[str, ...], den_id: Any) -> Finding:
    names = ", ".join(heading_of(name).lower() for name in columns)
    found = about("missing", row, f"not filled in: {names}", columns[0], level=Level.NOTE, den_id=den_id,
                  hint="add it with `densite correct`, or confirm that it cannot be had")  # fmt: skip
    return replace(found, missing=columns)


def _of_record(kind: str, row: Any, columns: tuple[str, ...]) -> Finding:
    whose = next((str(row[n]) for n in ("animal", "female", "den_label", "sample_label") if text_of(row.get(n))), kind)
    named = [f"{kind}.{name}" for name in columns]
    said = f"{whose}: {kind} record, not filled in: {', '.join(heading_of(name).lower() for name in named)}"
    found = about("missing", {"label": whose, "source_file": row["source_file"], "source_line": row["source_line"]}, "",
                  columns[0] if columns else "", level=Level.NOTE, den_id=text_of(row["den_id"]),
                  hint="hand in the right row with its record_id under corrects")  # fmt: skip
    day = row["date"] if "date" in row and isinstance(row["date"], dt.date) else None
    return replace(found, problem=replace(found.problem, message=said), missing=tuple(named), day=day,
                   visit_id=text_of(row["visit_id"]))  # fmt: skip
