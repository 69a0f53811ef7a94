"""A study's records and layers gathered for a comparison: what is compared with what."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.available import study_points
from densite.compare.question import Covariate, Question, Variant
from densite.compare.resample import Chance
from densite.compare.sample import Rules, Sample, sample_of
from densite.errors import SettingsError
from densite.gradient import MEASURES, classify, definition, landscape_at, scheme_of
from densite.layers import Features, Raster
from densite.settings import CompareSettings, GradientSettings, Settings
from densite.terms import DEN_TYPES, Term, by_name, recognised, spelled
from densite.terrain import slope_aspect_at

Floats = NDArray[np.float64]
Layers = Mapping[str, Raster | Features]

USUAL = (
    "slope_deg", "derived_slope_deg", "elevation_m", "topographic_position_m", "heat_load", "sun_morning_h",
    "canopy_pct", "canopy_mean_pct", "concealment_pct", "roads_distance_m", "buildings_distance_m",
    "streams_distance_m",
)  # fmt: skip
USUAL_RADIUS_M = 100.0  # of means in discs, where the study has that radius
SHIFTED = (0.5, 2.0)  # breaks between classes are halved and doubled to see what hangs on them


def ask(
    dens: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    *,
    settings: Settings,
    layers: Layers,
    folder: Path,
    classes: Sequence[str],
) -> Question:
    """Gather what a comparison needs.

    Parameters
    ----------
    dens : GeoDataFrame
        Den sites with all derived values, in EPSG:4326, id as index.
    visits : DataFrame
        Visits, joined by ``den_id``.
    settings : Settings
        The study's choices.
    layers : Mapping
        Opened layers by name.
    folder : Path
        Study folder.
    classes : sequence of str
        Landscape classes, urban first.

    Returns
    -------
    Question

    Raises
    ------
    SettingsError
        [compare] names a value or type that there is not.
    StatisticsError
        A lumping rule does not fit.
    LayerError, PointsError
        A layer cannot be read.
    """
    chosen = settings.compare
    sample = sample_of(pd.DataFrame(dens), visits, types=DEN_TYPES, rules=rules_of(chosen))
    if chosen.contrast not in sample.types:
        raise SettingsError(f"[compare] contrast '{chosen.contrast}' is no den type; types: {', '.join(sample.types)}")
    measure = MEASURES[settings.gradient.measure]
    log = is_log(settings)
    aspects, told = _available(settings, layers, folder)
    placed = dens.loc[sample.frame["den_id"]]
    projected = placed.to_crs(settings.study.crs).geometry
    raw = pd.to_numeric(sample.frame["gradient"]).to_numpy(dtype=np.float64)
    return Question(
        sample=sample, gradient=scaled(raw, log=log), gradient_name=gradient_name(settings),
        gradient_unit=f"log10 of {measure.unit}" if log else measure.unit,
        urban_is_high=measure.urban_is_high, definition=definition(settings.gradient), classes=tuple(classes),
        contrast=chosen.contrast, covariates=tuple(_covariates(dens, chosen)),
        available_deg=aspects, available=told, twice=_described_twice(visits, sample, settings.intake.columns),
        variants=tuple(_variants(placed, raw, settings, layers, folder)),
        x_m=projected.x.to_numpy(), y_m=projected.y.to_numpy(),
    )  # fmt: skip


def rules_of(chosen: CompareSettings) -> Rules:
    """Return the rules by which dens become rows of a comparison."""
    return Rules(
        reuse=chosen.reuse, moved=chosen.moved, no_female=chosen.no_female, lumps=chosen.lump,
        winter_month=chosen.winter_month,
    )  # fmt: skip


def chance_of(chosen: CompareSettings) -> Chance:
    """Return how chance is drawn."""
    return Chance(chosen.seed, chosen.permutations, chosen.bootstraps, chosen.confidence)


def is_log(settings: Settings) -> bool:
    """Tell whether the gradient is modelled by its logarithm: densities are, unless study.toml says otherwise.

    Parameters
    ----------
    settings : Settings
        The study's settings.

    Returns
    -------
    bool

    Raises
    ------
    SettingsError
        A logarithm is asked for of a measure that can be negative.
    """
    measure = settings.gradient.measure
    if settings.compare.scale == "log" and measure == "urban_edge":
        raise SettingsError('[compare] scale = "log": the distance to the urban edge is negative inside; "as measured"')
    return settings.compare.scale == "log" or (settings.compare.scale is None and measure in ("housing", "population"))


def gradient_name(settings: Settings) -> str:
    """Name the gradient on the scale on which it is modelled."""
    words = MEASURES[settings.gradient.measure].words
    return f"log10(1 + {words})" if is_log(settings) else words


def scaled(values: Floats, *, log: bool) -> Floats:
    """Put values of the gradient on the scale on which it is modelled."""
    return np.log10(1.0 + values) if log else values


def _covariates(dens: pd.DataFrame, chosen: CompareSettings) -> Iterator[Covariate]:
    """Name the columns that are compared, with their headings and units."""
    terms = {str(column): term for column in dens if (term := _term_of(str(column))) is not None}
    for column in chosen.covariates or [column for name in USUAL for column in _columns_of(name, dens)]:
        if column not in terms:
            raise SettingsError(f"[compare] covariates: no values '{column}'; there are {', '.join(terms)}")
        term = terms[column]
        yield Covariate(
            column=column, heading=_heading(column, term), unit="1" if term.kind == "share" else term.unit,
            share=term.kind == "share" or term.unit == "%",
        )  # fmt: skip


def _term_of(column: str) -> Term | None:
    """Return the term of a column of numbers, whose name may go on with a class and a radius."""
    parts = column.split("_")
    terms = (by_name().get("_".join(parts[:n])) for n in range(len(parts), 0, -1))
    return next((term for term in terms if term is not None and _is_compared(term)), None)


def _is_compared(term: Term) -> bool:
    """Tell whether a mean of a term's values has a meaning: not of bearings, nor of what tells of the record."""
    of_record = ("source_line", "declination_deg", "gradient", "gradient_missing_share", "uncertainty_m")
    of_dens = term.group in ("den", "kept", "derived") and term.kind in ("number", "share")
    return of_dens and "aspect" not in term.name and term.name not in of_record


def _columns_of(name: str, dens: pd.DataFrame) -> list[str]:
    """Return the column of a usual value, where any den has it; of values in discs, the usual radius or the least."""
    if name in dens:
        return [name] if dens[name].notna().any() else []
    in_discs = {float(c.removeprefix(f"{name}_")[:-1]): c for c in map(str, dens) if _in_disc(c, name)}
    if not in_discs:
        return []
    return [in_discs.get(USUAL_RADIUS_M, in_discs[min(in_discs)])]


def _in_disc(column: str, name: str) -> bool:
    radius = column.removeprefix(f"{name}_")
    return column != radius and radius.endswith("m") and radius[:-1].replace(".", "", 1).isdigit()


def _heading(column: str, term: Term) -> str:
    """Return a term's heading with the class and the radius of the column."""
    rest = column.removeprefix(term.name).strip("_").split("_")
    radius = f" within {rest.pop()[:-1]} m" if _in_disc(column, column.rsplit("_", 1)[0]) else ""
    return " ".join([term.heading, *rest]).strip() + radius


def _available(settings: Settings, layers: Layers, folder: Path) -> tuple[Floats, str]:
    """Return the aspects of points that a female could have used, and what they are."""
    dem = layers.get("elevation")
    if "boundary" not in settings.layers or not isinstance(dem, Raster):
        return np.empty(0), "no available points: they need the layers boundary and elevation"
    chosen = settings.compare
    points = study_points(settings, folder=folder, n=chosen.available, seed=chosen.seed)
    found = slope_aspect_at(points, dem, method=settings.terrain.method)["aspect_deg"].dropna().to_numpy(dtype=float)
    return found, f"{len(found)} random points in the study boundary, seed {chosen.seed}"


def _described_twice(visits: pd.DataFrame, sample: Sample, columns: Mapping[str, str]) -> pd.DataFrame:
    """Return the types that two observers gave to the same den, in the order of their visits, and its female."""
    headings = {**recognised(), **{spelled(heading): term for heading, term in columns.items()}}
    kinds = pd.Series([_type_in(row, headings) for row in visits["as_recorded"]], index=visits.index, dtype="object")
    said = visits.assign(kind=kinds, who=visits["observer"].fillna("").str.strip())
    said = said.loc[said["kind"].notna() & (said["who"] != "")].drop_duplicates(["den_id", "who"])
    said = said.assign(turn=said.groupby("den_id").cumcount())
    pairs = said.loc[said["turn"] < 2].pivot(index="den_id", columns="turn", values="kind").reindex(columns=[0, 1])
    whose = sample.frame.drop_duplicates("den_id").set_index("den_id")["female"]
    pairs = pairs.dropna().set_axis(["first", "second"], axis=1)
    return pairs.assign(female=whose.reindex(pairs.index).fillna("").to_numpy())


def _type_in(row: Any, headings: Mapping[str, str]) -> str | None:
    """Return the den type in a crew's row as it was recorded, None where it holds none of the known ones."""
    cells = json.loads(row) if isinstance(row, str) else {}
    said = next((text for heading, text in cells.items() if headings.get(spelled(heading)) == "den_type"), "")
    kind = spelled(str(said)).strip()
    return kind if kind in DEN_TYPES else None


def _variants(
    dens: gpd.GeoDataFrame, raw: Floats, settings: Settings, layers: Layers, folder: Path
) -> Iterator[Variant]:
    """Yield other choices of the gradient: its radius, the breaks between classes, dens that are certain."""
    log = is_log(settings)
    for radius in settings.compare.radii_m if settings.gradient.measure != "urban_edge" else ():
        if radius != settings.gradient.radius_m:
            other = settings.gradient.model_copy(update={"radius_m": radius})
            bare = dens[["geometry"]].reset_index(drop=True)
            found = landscape_at(bare, settings=other, layers=layers, folder=folder, layer_settings=settings.layers)
            gradient = scaled(found["gradient"].to_numpy(dtype=float), log=log)
            yield Variant(label=f"gradient within {radius:g} m", gradient=gradient,
                          landscape_class=found["landscape_class"].to_numpy(dtype=object))  # fmt: skip
    for factor in SHIFTED if scheme_of(settings.gradient).breaks else ():
        shifted = pd.Series(classify(raw, settings=_shifted(settings.gradient, factor)), dtype=object)
        yield Variant(label=f"class breaks times {factor:g}", gradient=scaled(raw, log=log),
                      landscape_class=shifted.to_numpy(dtype=object))  # fmt: skip
    certain = dens["class_certain"].to_numpy(dtype=float, na_value=np.nan) == 1
    yield Variant(label="dens of certain class only", gradient=np.where(certain, scaled(raw, log=log), np.nan),
                  landscape_class=_words(dens["landscape_class"], certain))  # fmt: skip


def _words(names: pd.Series[Any], chosen: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return the chosen ones of some words, None for the others and for missing ones."""
    kept = [name if some and not pd.isna(name) else None for name, some in zip(names, chosen, strict=True)]
    return np.array(kept, dtype=object)


def _shifted(chosen: GradientSettings, factor: float) -> GradientSettings:
    """Return own breaks that are those of the scheme times a factor."""
    scheme = scheme_of(chosen)
    breaks = tuple(value * factor for value in scheme.breaks)
    return chosen.model_copy(update={"scheme": "breaks", "breaks": breaks, "names": scheme.rising})
