"""All derived values at points, one row a point, each with its layer, method and parameters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from densite import cover, distance, gradient, sun, terrain
from densite.layers import Features, Raster
from densite.register.store import Provenance
from densite.settings import Settings

Layers = Mapping[str, Raster | Features]
Step = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Covariates:
    """Values and the reasons for missing ones (same index and columns), and a source for each column."""

    values: pd.DataFrame
    reasons: pd.DataFrame
    sources: tuple[Provenance, ...]


def steps(layers: Layers, settings: Settings) -> list[str]:
    """Name the steps that :func:`covariates` will take, for a progress bar.

    Parameters
    ----------
    layers : mapping of str to Raster or Features
        Opened layers.
    settings : Settings
        For the layer that the gradient needs.

    Returns
    -------
    list of str
    """
    return [name for name, needed, _ in _steps(settings) if needed in layers]


def covariates(
    points: gpd.GeoDataFrame,
    *,
    settings: Settings,
    layers: Layers,
    folder: Path,
    step: Step = lambda _: None,
) -> Covariates:
    """Derive everything that the study's layers allow at each point.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326. Columns ``uncertainty_m`` [m], ``slope_deg`` and ``aspect_deg`` [deg, true
        north], where they are there, are held against the derived values.
    settings : Settings
        Radii, methods and the gradient.
    layers : mapping of str to Raster or Features
        From :func:`densite.layers.open_layers`.
    folder : Path
        Study folder, to which a legend's path is relative.
    step : callable
        Called with the name of each step when it is done.

    Returns
    -------
    Covariates
        Aligned with ``points``.

    Raises
    ------
    LayerError
        A layer cannot be used for its purpose.
    """
    values: dict[str, pd.Series[Any]] = {}
    reasons: dict[str, pd.Series[Any]] = {}
    sources: list[Provenance] = []
    for name, needed, compute in _steps(settings):
        if needed in layers:
            for column, reason, source in compute(points, settings, layers, folder):
                values[source.column] = column
                reasons[source.column] = reason.where(column.isna(), "")
                sources.append(source)
            step(name)
    index = points.index
    return Covariates(pd.DataFrame(values, index=index), pd.DataFrame(reasons, index=index), tuple(sources))


Parts = Iterator[tuple["pd.Series[Any]", "pd.Series[Any]", Provenance]]


def _terrain(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
    del folder
    dem = _raster(layers, "elevation")
    chosen = settings.terrain
    frame = terrain.terrain_at(points, dem, method=chosen.method, position_radius_m=chosen.position_radius_m)
    unit = {"vertical_unit": dem.unit or "m (assumed)", "distances": "ground"}
    mccune = "McCune & Keon 2002, equation 1"
    for column, name, method, radius, said in (
        ("elevation_m", "elevation_m", "value of the cell", None, "m"),
        ("slope_deg", "derived_slope_deg", chosen.method, None, "deg"),
        ("aspect_deg", "derived_aspect_deg", chosen.method, None, "deg"),
        ("heat_load", "heat_load", mccune, None, "ln(MJ cm-2 yr-1)"),
        ("direct_radiation", "direct_radiation", mccune, None, "ln(MJ cm-2 yr-1)"),
        ("topographic_position_m", "topographic_position_m", "height minus mean of the disc",
         chosen.position_radius_m, "m"),
    ):  # fmt: skip
        yield frame[column], frame["reason"], _source(name, dem, method, said, radius, unit)
    yield from _against_field(points, frame, settings, dem)


def _against_field(points: gpd.GeoDataFrame, frame: pd.DataFrame, settings: Settings, dem: Raster) -> Parts:
    """Set slope and aspect from the field beside those of the DEM."""
    chosen = settings.terrain
    observed = {name: pd.to_numeric(_column(points, name), errors="coerce") for name in ("slope_deg", "aspect_deg")}
    compared = terrain.agreement(
        observed["slope_deg"], observed["aspect_deg"], frame["slope_deg"], frame["aspect_deg"],
        slope_tolerance_deg=chosen.slope_tolerance_deg, aspect_tolerance_deg=chosen.aspect_tolerance_deg,
    )  # fmt: skip
    for kind in ("slope", "aspect"):
        missing = observed[f"{kind}_deg"].isna()
        reason = frame["reason"].mask(missing, f"no {kind} was measured at the den")
        tolerance = {"tolerance_deg": getattr(chosen, f"{kind}_tolerance_deg")}
        difference = compared[f"{kind}_difference_deg"]
        yield difference, reason, _source(f"{kind}_difference_deg", dem, "field minus DEM", "deg")
        flag = compared[f"{kind}_flag"].astype(float).mask(difference.isna())
        yield (
            flag,
            reason,
            _source(f"{kind}_disagrees", dem, "beyond the tolerance", "1 = yes", None, tolerance),
        )


def _sun(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
    del folder
    dem, chosen = _raster(layers, "elevation"), settings.sun
    horizon = sun.horizon_at(points, dem, reach_m=chosen.reach_m)
    hours = sun.direct_sun_hours(
        points, horizon, start=chosen.start, end=chosen.end, part_of_day=chosen.part_of_day
    )  # fmt: skip
    told = {
        "vertical_unit": dem.unit or "m (assumed)", "reach_m": chosen.reach_m,
        "start": chosen.start.isoformat(), "end": chosen.end.isoformat(),
    }  # fmt: skip
    for part in chosen.part_of_day:
        method = "middle of the sun's disc over the terrain, mean of the days"
        yield hours[f"{part}_h"], hours["reason"], _source(f"sun_{part}_h", dem, method, "h", None, told)
    method = "share of 72 directions"
    yield (
        horizon.unknown_share,
        _no_reason(points),
        _source("horizon_unknown_share", dem, method, "share", None, told),
    )


def _column(points: gpd.GeoDataFrame, name: str) -> pd.Series[Any]:
    return points[name] if name in points else pd.Series(np.nan, index=points.index)


def _land_cover(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
    raster, radii = _raster(layers, "land_cover"), settings.cover.radii_m
    legend = cover.read_legend(settings.layers["land_cover"].legend or "nlcd", folder=folder)
    told = {"legend": legend.name}
    here = cover.class_at(points, raster, legend=legend)
    yield here["name"], here["reason"], _source("cover_class", raster, "class of the cell", "", None, told)
    shares = cover.class_shares(points, raster, legend=legend, radii_m=radii)
    method = "share of the disc's valid area, cut cells by area"
    for radius in radii:
        missing = shares[f"missing_share_{radius:g}m"]
        yield (
            missing,
            _no_reason(points),
            _source("cover_missing_share", raster, "share of the disc without data", "share", radius, told),
        )
        for code, name in legend.classes.items():
            column = f"share_{code}_{radius:g}m"
            if column in shares:
                source = _source(f"cover_share_{code}", raster, method, "share", radius, told | {"class": name})
                yield shares[column], _disc_reason(missing, shares["reason"]), source


def _means(layer: str) -> Callable[[gpd.GeoDataFrame, Settings, Layers, Path], Parts]:
    def compute(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
        del folder
        raster, radii = _raster(layers, layer), settings.cover.radii_m
        here = cover.value_at(points, raster)
        yield here["value"], here["reason"], _source(f"{layer}_at_den_pct", raster, "value of the cell", "%")
        means = cover.disc_means(points, raster, radii_m=radii)
        for radius in radii:
            missing = means[f"missing_share_{radius:g}m"]
            method = "mean of the disc's valid area, cut cells by area"
            yield (
                means[f"mean_{radius:g}m"],
                _disc_reason(missing, means["reason"]),
                _source(f"{layer}_mean_pct", raster, method, "%", radius),
            )
            yield (
                missing,
                _no_reason(points),
                _source(f"{layer}_missing_share", raster, "share of the disc without data", "share", radius),
            )

    return compute


def _nearest(layer: str) -> Callable[[gpd.GeoDataFrame, Settings, Layers, Path], Parts]:
    def compute(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
        del settings, folder
        features = layers[layer]
        if isinstance(features, Features):
            frame = distance.distance_to(points, features)
            source = _source(f"{layer}_distance_m", features, "geodesic to the nearest point of the nearest", "m")
            yield frame["distance_m"], frame["reason"], source

    return compute


def _landscape(points: gpd.GeoDataFrame, settings: Settings, layers: Layers, folder: Path) -> Parts:
    chosen = settings.gradient
    frame = gradient.landscape_at(points, settings=chosen, layers=layers, folder=folder, layer_settings=settings.layers)
    told = chosen.model_dump(mode="json", exclude_defaults=True) | {
        "measure": chosen.measure, "scheme": chosen.scheme, "radius_m": chosen.radius_m,
    }  # fmt: skip
    definition, measure = gradient.definition(chosen), gradient.MEASURES[chosen.measure]
    if measure.layer in layers:
        layer = layers[measure.layer]
        yield frame["gradient"], frame["reason"], _source("gradient", layer, definition, measure.unit, None, told)
        missing = "share of the measure's disc without data"
        yield frame["missing_share"], frame["reason"], _source("gradient_missing_share", layer, missing, "share")
    sources = [layers[name] for name in gradient.layers_of(chosen)]
    # Kept with the values, so that a table of today can be made again when study.toml says something else.
    told |= {"classes": gradient.class_names(chosen, layers=layers, layer_settings=settings.layers)}
    for name, unit, column in (
        ("landscape_class", "", frame["landscape_class"]),
        ("class_could_be", "", frame["class_could_be"].replace("", None)),
        ("class_certain", "1 = yes", frame["class_certain"].map({True: 1.0, False: 0.0}).astype(float)),
    ):
        reason = _no_reason(points) if name == "class_could_be" else frame["reason"]
        source = _source(name, sources[0], definition, unit, None, told)
        yield (
            column,
            reason,
            replace(
                source,
                layer=", ".join(layer.name for layer in sources),
                layer_fingerprint=", ".join(layer.fingerprint for layer in sources),
            ),
        )


def _no_reason(points: gpd.GeoDataFrame) -> pd.Series[Any]:
    return pd.Series("", index=points.index)


def _disc_reason(missing_share: pd.Series[Any], reason: pd.Series[Any]) -> pd.Series[Any]:
    unread = reason.str.contains(cover.UNREADABLE, regex=False)
    told = np.where(unread, cover.UNREADABLE, "no valid cell in the disc")
    return pd.Series(np.where(missing_share > 0, told, ""), index=missing_share.index)


def _raster(layers: Layers, name: str) -> Raster:
    layer = layers[name]
    if not isinstance(layer, Raster):
        raise TypeError(f"layer {name} is opened as {type(layer).__name__}, a raster was due")
    return layer


def _source(
    covariate: str, layer: Raster | Features, method: str, unit: str, radius_m: float | None = None,
    parameters: Mapping[str, Any] | None = None,
) -> Provenance:  # fmt: skip
    told = dict(parameters or {}) | {k: v for k, v in (("year", layer.year), ("source", layer.source)) if v}
    return Provenance(covariate, layer.name, method, unit, radius_m, told, layer.fingerprint)


def _steps(settings: Settings) -> tuple[tuple[str, str, Callable[..., Parts]], ...]:
    """List the steps: name, the layer without which the step is left out, and what computes it."""
    return (
        ("terrain", "elevation", _terrain),
        ("sun", "elevation", _sun),
        ("land cover", "land_cover", _land_cover),
        ("canopy", "canopy", _means("canopy")),
        ("imperviousness", "impervious", _means("impervious")),
        ("roads", "roads", _nearest("roads")),
        ("buildings", "buildings", _nearest("buildings")),
        ("streams", "streams", _nearest("streams")),
        ("landscape class", gradient.layer_of(settings.gradient), _landscape),
    )
