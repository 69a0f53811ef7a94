"""All open questions of a study in one list, with who was there, and what could not be looked at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import pandas as pd

from densite.animals import text_of
from densite.cover import Legend
from densite.errors import LayerError, Level, Problem
from densite.layers import Raster
from densite.review.completeness import expected_of, filled, lacking, lacking_of_animals
from densite.review.finding import KINDS, Finding, settled_fields, unsettled
from densite.review.outliers import outliers, unjudged
from densite.review.recorded import of_records
from densite.review.season import outside_season
from densite.review.steps import far_steps, few_steps, on_one_day
from densite.review.water import in_water, water_codes
from densite.settings import CheckSettings


@dataclass(frozen=True, slots=True)
class Held:
    """What a register holds of dens, as :func:`look_again` needs it.

    Attributes
    ----------
    dens : GeoDataFrame
        Den sites in EPSG:4326, indexed by den_id.
    visits : DataFrame
        Visits, indexed by visit_id.
    derived, reasons : DataFrame
        Derived values, and why some are missing.
    records : mapping of str to DataFrame
        Records of the animals' side by kind.
    changed : mapping of str to str
        What changed at dens since their values were derived.
    """

    dens: gpd.GeoDataFrame
    visits: pd.DataFrame
    derived: pd.DataFrame
    reasons: pd.DataFrame
    records: Mapping[str, pd.DataFrame]
    changed: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Review:
    """What a person should look at again.

    Attributes
    ----------
    findings : tuple of Finding
        The open questions.
    unsaid : tuple of str
        What was not looked at, and why.
    filled : DataFrame
        How often each expected column is filled in.
    """

    findings: tuple[Finding, ...]
    unsaid: tuple[str, ...]
    filled: pd.DataFrame

    @property
    def problems(self) -> list[Problem]:
        """The open questions as plain problems."""
        return [finding.problem for finding in self.findings]


def look_again(
    held: Held, *, chosen: CheckSettings, area: Any | None, cover: tuple[Raster, Legend] | LayerError | None = None,
    of_animals: Iterable[Problem] = (),
) -> Review:  # fmt: skip
    """List the open questions of a study.

    Parameters
    ----------
    held : Held
        What the register holds.
    chosen : CheckSettings
        The study's own choices.
    area : shapely geometry or None
        Study boundary in WGS 84. [deg]
    cover : (Raster, Legend), LayerError or None
        Land cover; None where the study has none, the error where it cannot be opened.
    of_animals : iterable of Problem
        What :func:`densite.animalreview.findings` found.

    Returns
    -------
    Review
    """
    dens, visits = held.dens, held.visits
    expected = expected_of(chosen.expected)
    recorded = of_records(dens, visits, held.derived, held.reasons, area=area, changed=held.changed)
    beside, unsaid = _beside(held, chosen, cover)
    told = {(f.den_id, f.problem.field) for f in recorded if f.kind == "doubt"}
    beside = [f for f in beside if f.kind != "outlier" or (f.den_id, f.problem.field) not in told]
    beside += [*lacking(dens, visits, expected)]
    found = [*recorded, *unsettled(beside, settled_fields(visits)), *_of_animals(of_animals, held)]
    found += [finding for finding in lacking_of_animals(held.records, expected) if finding.missing]
    return Review(tuple(_met(found, visits)), tuple(unsaid), filled(dens, visits, held.records, expected))


def _beside(held: Held, chosen: CheckSettings, cover: tuple[Raster, Legend] | LayerError | None) -> Any:
    """Return what shows only beside other dens, maps or the study's dates, and what could not be looked at."""
    dens, visits = held.dens, held.visits
    found, unsaid = list(outliers(dens, held.derived)), unjudged(dens, held.derived)
    found += far_steps(dens, visits)
    unsaid += [said] if (said := few_steps(dens, visits)) else []
    for part, why in (_wet(dens, chosen, cover), _out_of_season(held, chosen), _one_day(held, chosen)):
        found += part
        unsaid += [why] if why else []
    return found, unsaid


def _out_of_season(held: Held, chosen: CheckSettings) -> tuple[list[Finding], str]:
    if chosen.season is None:
        return [], "dates outside the denning season: it is not set (study.toml [check] season)"
    return list(outside_season(held.dens, held.visits, season=chosen.season)), ""


def _one_day(held: Held, chosen: CheckSettings) -> tuple[list[Finding], str]:
    if chosen.same_day_m is None:
        return [], "two dens of a female on one day: no distance is set (study.toml [check] same_day_m)"
    return list(on_one_day(held.dens, held.visits, apart_m=chosen.same_day_m)), ""


def _wet(
    dens: gpd.GeoDataFrame, chosen: CheckSettings, cover: tuple[Raster, Legend] | LayerError | None
) -> tuple[list[Finding], str]:
    if cover is None:
        return [], "dens in water: the study names no land cover (study.toml [layers.land_cover])"
    try:
        if isinstance(cover, LayerError):
            raise cover
        codes = water_codes(cover[1], chosen.water_codes)
        if not codes:
            return [], "dens in water: no class of the legend is named water (study.toml [check] water_codes)"
        return list(in_water(dens, *cover, codes=codes)) if len(dens) else [], ""
    except LayerError as error:
        return [Finding("value", Problem(Level.ERROR, str(error), "land_cover"))], ""


def _of_animals(problems: Iterable[Problem], held: Held) -> Iterator[Finding]:
    """Give problems of the animals' side the den and day of their record, which file and line tell."""
    place: dict[tuple[str, int], tuple[str, str, dt.date | None]] = {}
    for frame in held.records.values():
        days = frame["date"] if "date" in frame else pd.Series(None, index=frame.index, dtype=object)
        columns = (frame["source_file"], frame["source_line"], frame["den_id"], frame["visit_id"], days)
        for file, line, den, visit, day in zip(*columns, strict=True):
            place[file, int(line)] = (text_of(den), text_of(visit), day if isinstance(day, dt.date) else None)
    for problem in problems:
        den_id, visit_id, day = place.get((problem.file, problem.line), ("", "", None))
        yield Finding("animal", problem, den_id, visit_id, day)


def _met(found: Sequence[Finding], visits: pd.DataFrame) -> Iterator[Finding]:
    """Add day and crew: of the visit that a question is about, else of the den's first one."""
    ordered = visits.sort_values("observed_on", kind="stable")
    crews = [_who(*names) for names in zip(ordered["crew"], ordered["observer"], strict=True)]
    days = zip(ordered["observed_on"], crews, strict=True)
    met = dict(zip(ordered.index.astype(str), days, strict=True))
    first = dict(zip(ordered["den_id"][::-1], ordered.index[::-1].astype(str), strict=True))
    for finding in found:
        visit = finding.visit_id or ("" if finding.day else first.get(finding.den_id, ""))
        day, crew = met.get(visit, (finding.day, ""))
        yield replace(finding, visit_id=visit, day=finding.day or day, crew=crew)


def _who(crew: object, observer: object) -> str:
    return next((f"{word} {name}" for word, name in (("crew", crew), ("observer", observer)) if text_of(name)), "")


def by_kind(findings: Iterable[Finding]) -> dict[str, int]:
    """Count findings by kind, in the order of ``KINDS``.

    Parameters
    ----------
    findings : iterable of Finding
        The findings.

    Returns
    -------
    dict of str to int
        Only kinds that occur.
    """
    kinds = [finding.kind for finding in findings]
    return {kind: count for kind in KINDS if (count := kinds.count(kind))}
