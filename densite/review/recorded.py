"""What in the dens' own records, and beside their derived values, a person should look at again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pydantic import ValidationError

from densite.animals import text_of
from densite.errors import Level, Problem
from densite.records import DenSite, columns, doubts, folded_label, problems_of
from densite.review.finding import Finding, Found, Row, about, rows_of_dens, settled_fields, unsettled

LEAST_GAP = 0.005  # smaller gaps are rounding of the raster's edge


def of_records(
    dens: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    derived: pd.DataFrame,
    reasons: pd.DataFrame,
    *,
    area: Any | None,
    changed: Mapping[str, str] | None = None,
) -> list[Finding]:
    """List the open questions that dens raise by themselves.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites in EPSG:4326, indexed by den_id.
    visits : DataFrame
        Their visits.
    derived : DataFrame
        Derived values indexed by den_id; empty before ``derive``.
    reasons : DataFrame
        Why derived values are missing: den_id, covariate, radius_m [m], reason.
    area : shapely geometry or None
        Study boundary in WGS 84. [deg]
    changed : mapping of str to str, optional
        den_id to what changed since its values were derived,
        from :func:`densite.history.changed_since_derive`.

    Returns
    -------
    list of Finding
        Placed by the file and line from which each den came; doubts that a person has confirmed
        are left out.
    """
    found = [
        *_doubtful(dens), *_outside(dens, area), *_alike(dens), *_unvisited(dens, visits),
        *_disagreeing(dens, derived), *_without_values(dens, derived, reasons), *_underived(dens, changed or {}),
    ]  # fmt: skip
    return unsettled(found, settled_fields(visits))


def _alike(dens: gpd.GeoDataFrame) -> Found:
    """List labels that differ by case or blanks only: other programs and merges may have made them."""
    first: dict[str, str] = {}
    for den in dens.itertuples():
        other = first.setdefault(folded_label(den.label), den.label)
        if other != den.label:
            problem = Problem(
                Level.WARNING, f"den '{den.label}' is written as '{other}' is, but for case or blanks", "label",
                file=text_of(den.source_file), line=int(den.source_line or 0), den=den.label,
                hint=f"one den? Then `densite withdraw` one; else `densite correct {den.Index} label=...`",
            )  # fmt: skip
            yield Finding("label", problem, str(den.Index))


def _doubtful(dens: gpd.GeoDataFrame) -> Found:
    names = [name for name in columns(DenSite) if name in dens]
    for den_id, row in rows_of_dens(dens):
        fields = {name: _plain(row[name]) for name in names}
        fields |= {"den_id": den_id, "longitude": row["geometry"].x, "latitude": row["geometry"].y}
        try:
            found = doubts(DenSite.model_validate({k: v for k, v in fields.items() if v is not None}))
        except ValidationError as error:  # another program has written what no den can hold
            found = problems_of(error)
        yield from (_of("doubt", den_id, row, problem) for problem in found)


def _plain(value: Any) -> Any:
    """Return None for what pandas uses as missing."""
    return None if value is None or value is pd.NaT or value != value else value


def _of(kind: str, den_id: str, row: Row, told: Problem) -> Finding:
    """Place a problem at its den."""
    return about(kind, row, told.message, told.field, level=told.level, value=told.value, hint=told.hint, den_id=den_id)


def _outside(dens: gpd.GeoDataFrame, area: Any | None) -> Found:
    if area is None or dens.empty:
        return
    for den_id, row in rows_of_dens(dens.loc[~shapely.contains(area, dens.geometry.to_numpy())]):
        yield about("place", row, "lies outside the study area", "position", den_id=den_id)


def _unvisited(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> Found:
    for den_id, row in rows_of_dens(dens.loc[~dens.index.isin(visits["den_id"])]):
        yield about("visit", row, "has no visit", "date", den_id=den_id)


def _underived(dens: gpd.GeoDataFrame, changed: Mapping[str, str]) -> Found:
    """Say which dens have values that were derived from what is corrected since."""
    for den_id, row in rows_of_dens(dens.loc[dens.index.isin(list(changed))]):
        yield about("value", row, changed[str(den_id)], "derived", hint="run `densite derive`", den_id=den_id)


def _disagreeing(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Found:
    """Say where the field's slope or aspect and the DEM's differ beyond the study's tolerance."""
    if "slope_disagrees" not in derived:
        return
    flags = derived[["slope_disagrees", "aspect_disagrees"]].reindex(dens.index).eq(1)
    for den_id, row in rows_of_dens(dens.loc[flags.any(axis=1)]):
        for kind in ("slope", "aspect"):
            if flags.at[den_id, f"{kind}_disagrees"]:
                yield _of("ground", den_id, row, _difference(kind, row, derived.loc[den_id]))


def _difference(kind: str, row: Any, values: Any) -> Problem:
    seen, computed = row[f"{kind}_deg"], values[f"derived_{kind}_deg"]
    hint = "a DEM cell is wider than a den: look at the place again, neither is proof"
    if kind == "aspect" and row["aspect_reference"] == "true":
        hint = "was the bearing magnetic? Neither is proof"
    return Problem(
        Level.WARNING, f"{kind} {seen:.0f} deg in the field, {computed:.0f} deg in the DEM "
        f"({values[f'{kind}_difference_deg']:+.0f})", f"{kind}_deg", f"{seen:g}", hint=hint,
    )  # fmt: skip


def _without_values(dens: gpd.GeoDataFrame, derived: pd.DataFrame, reasons: pd.DataFrame) -> Found:
    fresh = dens.index.difference(derived.index)
    if len(fresh):
        said = f"{len(fresh)} dens have no derived values"
        yield Finding("value", Problem(Level.WARNING, said, hint="run `densite derive`"))
    yield from _thin_discs(dens, derived)
    telling = reasons.loc[reasons["reason"].fillna("").ne("") & reasons["den_id"].isin(dens.index)]
    telling = telling.loc[~telling["covariate"].str.endswith(("_disagrees", "_difference_deg", "class_certain"))]
    rows = dict(rows_of_dens(dens, telling["den_id"].unique()))
    for (den_id, reason), group in telling.groupby(["den_id", "reason"]):
        den_id = str(den_id)
        if not str(reason).startswith("flat"):
            names = ", ".join(dict.fromkeys(_kind(name) for name in group["covariate"]))
            yield about("value", rows[den_id], f"no {names}: {reason}", den_id=den_id)


def _kind(covariate: str) -> str:
    """Name the shares of all classes by one word."""
    return "cover_share" if covariate.startswith("cover_share_") else covariate


def _thin_discs(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Found:
    """Say where the gradient rests on a part of its disc only."""
    if "gradient_missing_share" not in derived:
        return
    share = derived["gradient_missing_share"].reindex(dens.index)
    for den_id, row in rows_of_dens(dens.loc[(share > LEAST_GAP) & (share < 1)]):
        said = "part of the gradient's disc has no data: the class rests on the rest"
        yield about("value", row, said, "gradient", hint=f"{share[den_id]:.0%} missing", den_id=den_id)
