"""What in the register a person should look at again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pydantic import ValidationError

from densite.errors import Level, Problem
from densite.records import DenSite, columns, doubts, folded_label, problems_of

LEAST_GAP = 0.005  # smaller gaps are rounding of the raster's edge


def findings(
    dens: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    derived: pd.DataFrame,
    reasons: pd.DataFrame,
    *,
    area: Any | None,
    changed: Mapping[str, str] | None = None,
) -> list[Problem]:
    """List the open questions of a register.

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
    list of Problem
        Placed by the file and line from which each den came; doubts that a person has confirmed
        are left out.
    """
    settled = _settled(visits)
    doubts_left = (p for p in _doubtful(dens) if p[1].field not in settled.get(p[0], ()))
    outside = (p for p in _outside(dens, area) if "position" not in settled.get(p[0], ()))
    found = [problem for _, problem in (*doubts_left, *outside)]
    return [
        *found, *_alike(dens), *_unvisited(dens, visits), *_disagreeing(dens, derived),
        *_without_values(dens, derived, reasons), *_underived(dens, changed or {}),
    ]  # fmt: skip


def _alike(dens: gpd.GeoDataFrame) -> Iterator[Problem]:
    """List labels that differ by case or blanks only: other programs and merges may have made them."""
    first: dict[str, str] = {}
    for den in dens.itertuples():
        other = first.setdefault(folded_label(den.label), den.label)
        if other != den.label:
            yield Problem(
                Level.WARNING, f"den '{den.label}' is written as '{other}' is, but for case or blanks", "label",
                file=den.source_file or "", line=int(den.source_line or 0), den=den.label,
                hint=f"one den? Then `densite withdraw` one; else `densite correct {den.Index} label=...`",
            )  # fmt: skip


Found = Iterator[tuple[str, Problem]]


def _settled(visits: pd.DataFrame) -> dict[str, set[str]]:
    """Return for each den the fields whose doubts a person has confirmed with a visit."""
    fields: dict[str, set[str]] = {}
    for den_id, text in zip(visits["den_id"], visits["settled"], strict=True):
        if isinstance(text, str):
            fields.setdefault(den_id, set()).update(text.split(","))
    return fields


def _doubtful(dens: gpd.GeoDataFrame) -> Found:
    names = [name for name in columns(DenSite) if name in dens]
    for den_id, row in zip(dens.index, dens.to_dict("records"), strict=True):
        fields = {name: _plain(row[name]) for name in names}
        fields |= {"den_id": den_id, "longitude": row["geometry"].x, "latitude": row["geometry"].y}
        try:
            found = doubts(DenSite.model_validate({k: v for k, v in fields.items() if v is not None}))
        except ValidationError as error:  # another program has written what no den can hold
            found = problems_of(error)
        yield from ((den_id, _placed(problem, row)) for problem in found)


def _plain(value: Any) -> Any:
    """Return None for what pandas uses as missing."""
    return None if value is None or value is pd.NaT or value != value else value


def _placed(problem: Problem, row: Any) -> Problem:
    said = f"den {row['label']}: {problem.message}"
    return Problem(
        problem.level,
        said,
        problem.field,
        problem.value,
        row["source_file"],
        row["source_line"],
        problem.hint,
    )


def _outside(dens: gpd.GeoDataFrame, area: Any | None) -> Found:
    if area is None or dens.empty:
        return
    away = dens.loc[~shapely.contains(area, dens.geometry.to_numpy())]
    for den_id, row in zip(away.index, away.to_dict("records"), strict=True):
        yield den_id, _placed(Problem(Level.WARNING, "lies outside the study area", "position"), row)


def _unvisited(dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> Iterator[Problem]:
    for row in dens.loc[~dens.index.isin(visits["den_id"])].to_dict("records"):
        yield _placed(Problem(Level.WARNING, "has no visit", "date"), row)


def _underived(dens: gpd.GeoDataFrame, changed: Mapping[str, str]) -> Iterator[Problem]:
    """Say which dens have values that were derived from what is corrected since."""
    for den_id, row in zip(dens.index, dens.to_dict("records"), strict=True):
        if said := changed.get(str(den_id)):
            yield _placed(Problem(Level.WARNING, said, "derived", hint="run `densite derive`"), row)


def _disagreeing(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Iterator[Problem]:
    """Say where the field's slope or aspect and the DEM's differ beyond the study's tolerance."""
    if "slope_disagrees" not in derived:
        return
    for den_id, row in zip(dens.index, dens.to_dict("records"), strict=True):
        for kind in ("slope", "aspect"):
            if den_id in derived.index and derived.at[den_id, f"{kind}_disagrees"] == 1:
                yield _placed(_difference(kind, row, derived.loc[den_id]), row)


def _difference(kind: str, row: Any, values: Any) -> Problem:
    seen, computed = row[f"{kind}_deg"], values[f"derived_{kind}_deg"]
    hint = "a DEM cell is wider than a den: look at the place again, neither is proof"
    if kind == "aspect" and row["aspect_reference"] == "true":
        hint = "was the bearing magnetic? Neither is proof"
    return Problem(
        Level.WARNING, f"{kind} {seen:.0f} deg in the field, {computed:.0f} deg in the DEM "
        f"({values[f'{kind}_difference_deg']:+.0f})", f"{kind}_deg", f"{seen:g}", hint=hint,
    )  # fmt: skip


def _without_values(dens: gpd.GeoDataFrame, derived: pd.DataFrame, reasons: pd.DataFrame) -> Iterator[Problem]:
    fresh = dens.index.difference(derived.index)
    if len(fresh):
        yield Problem(Level.WARNING, f"{len(fresh)} dens have no derived values", hint="run `densite derive`")
    telling = reasons.loc[reasons["reason"].fillna("").ne("")]
    yield from _thin_discs(dens, derived)
    telling = telling.loc[~telling["covariate"].str.endswith(("_disagrees", "_difference_deg", "class_certain"))]
    for (den_id, reason), group in telling.groupby(["den_id", "reason"]):
        if den_id in dens.index and not str(reason).startswith("flat"):
            names = ", ".join(dict.fromkeys(_kind(name) for name in group["covariate"]))
            yield _placed(Problem(Level.WARNING, f"no {names}: {reason}"), dens.loc[den_id])


def _kind(covariate: str) -> str:
    """Name the shares of all classes by one word."""
    return "cover_share" if covariate.startswith("cover_share_") else covariate


def _thin_discs(dens: gpd.GeoDataFrame, derived: pd.DataFrame) -> Iterator[Problem]:
    """Say where the gradient rests on a part of its disc only."""
    if "gradient_missing_share" not in derived:
        return
    share = derived["gradient_missing_share"].reindex(dens.index)
    for den_id in dens.index[(share > LEAST_GAP) & (share < 1)]:
        said = "part of the gradient's disc has no data: the class rests on the rest"
        yield _placed(Problem(Level.WARNING, said, "gradient", hint=f"{share[den_id]:.0%} missing"), dens.loc[den_id])
