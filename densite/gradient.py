"""The urban-to-rural measure at a point and the landscape class it falls in."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Geod

from densite import cover, distance
from densite.errors import LayerError, SettingsError
from densite.layers import Features, Raster, lon_lat, to_layer_xy
from densite.settings import GradientSettings, LayerSettings
from densite.settlement import CENTRE, CLUSTER, RURAL, near_large_wildland, urbanisation_at

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]
Layers = Mapping[str, Raster | Features]
Said = Mapping[str, LayerSettings]

DIRECTIONS = 16
RINGS = (1.0, 0.5)
MAX_GRID_CELLS = 1_000_000
COUNTED = "counts?|units?|homes?|houses|dwellings?|people|persons?|inhabitants?|residents?|population"
# Computed densities carry rounding noise; a value this near to a break counts as equal to it.
SAME = 1e-9

UNITS_AT_WILDLAND = 6.17
INTERMIX_SHARE = 0.5
# Forest, shrub, grassland and wetland codes of the US National Land Cover Database; pasture, crops,
# developed land, barren land, ice and water are not wildland vegetation (Radeloff et al. 2005, from memory).
NLCD_WILDLAND = (41, 42, 43, 51, 52, 71, 72, 73, 74, 90, 95)


@dataclass(frozen=True, slots=True)
class Measure:
    """A gradient measure: the layer it needs, its name in words, its unit, and which end is urban."""

    layer: str
    words: str
    unit: str
    urban_is_high: bool = True


MEASURES: Mapping[str, Measure] = {
    "housing": Measure("housing", "housing density", "housing units per km2"),
    "impervious": Measure("impervious", "mean imperviousness", "%"),
    "population": Measure("population", "population density", "people per km2"),
    "urban_edge": Measure("urban", "distance to the urban edge, negative inside", "m", urban_is_high=False),
}


@dataclass(frozen=True, slots=True)
class Scheme:
    """Landscape classes, urban ones first, with their rule in words and where it was published.

    ``breaks`` rise in the measure's unit; ``upper`` says for each whether a value equal to it
    belongs to the class above; ``rising`` names the classes from the lowest value to the highest.
    Schemes that need more than one number have no breaks.
    """

    name: str
    classes: tuple[str, ...]
    rule: str
    source: str
    measure: str | None = None
    breaks: tuple[float, ...] = ()
    upper: tuple[bool, ...] = ()
    rising: tuple[str, ...] = ()


def units_per_km2(ha_per_unit: ArrayLike) -> Any:
    """Turn land per housing unit into housing density; the two run in opposite directions.

    Parameters
    ----------
    ha_per_unit : array_like
        Land per housing unit, above 0. [ha]

    Returns
    -------
    float or ndarray
        Housing density. [housing units per km2]
    """
    return 100.0 / np.asarray(ha_per_unit, float)


HOUSING_DENSITY = Scheme(
    name="housing_density",
    classes=("urban", "suburban", "exurban", "rural"),
    rule=(
        "urban: less than 0.1 ha per housing unit; suburban: from 0.1 to less than 0.68; exurban: from 0.68 "
        "to 16.18; rural: more than 16.18 or no housing (1000, 147 and 6.18 units per km2)"
    ),
    source="Theobald 2005, Ecology and Society 10(1):32, doi 10.5751/ES-01390-100132; 0.1 ha from memory",
    measure="housing",
    breaks=tuple(float(units_per_km2(ha)) for ha in (16.18, 0.68, 0.1)),
    upper=(True, False, False),
    rising=("rural", "exurban", "suburban", "urban"),
)

# The legend divides developed land only, so land without any impervious surface is not its open space
# but not developed. It prints whole percents; 49.5 is below 50 and so of low intensity.
IMPERVIOUSNESS = Scheme(
    name="imperviousness",
    classes=("high intensity", "medium intensity", "low intensity", "open space", "not developed"),
    rule=(
        "not developed: 0 %; open space: above 0 to below 20 %; low intensity: 20 to below 50 %; medium "
        "intensity: 50 to below 80 %; high intensity: 80 % and more; applied to the disc's mean, while the "
        "legend classes single cells"
    ),
    source="legend of the US National Land Cover Database, developed classes 21 to 24",
    measure="impervious",
    breaks=(0.0, 20.0, 50.0, 80.0),
    upper=(False, True, True, True),
    rising=("not developed", "open space", "low intensity", "medium intensity", "high intensity"),
)

DEGREE_OF_URBANISATION = Scheme(
    name="degree_of_urbanisation",
    classes=(CENTRE, CLUSTER, RURAL),
    rule=(
        "cells of 1 km2; urban centre: cells of at least 1500 people sharing sides, at least 50,000 people "
        "together, edges smoothed (five of eight neighbours, repeated) and gaps under 15 km2 filled; urban "
        "cluster: other cells of at least 300 people touching by side or corner, at least 5000 together; "
        "rural: the rest"
    ),
    source=(
        "degree of urbanisation, level 1 grid (UN Statistical Commission 2020; Eurostat 2021, "
        "doi 10.2785/706535; smoothing and gaps as in the GHSL Data Package 2022)"
    ),
)

HOUSING_BESIDE_WILDLAND = Scheme(
    name="housing_beside_wildland",
    classes=("housing away from wildland", "interface", "intermix", "below housing threshold"),
    rule=(
        "from 6.17 housing units per km2 upward: intermix where wildland vegetation covers at least 50 % of "
        "the disc; else interface within 2.4 km of at least 5 km2 of joined blocks (about 500 m, in place of "
        "census blocks) with more than 75 % of it; else housing away from wildland; fewer units: below "
        "housing threshold"
    ),
    source="Federal Register 66:751 (2001); Radeloff et al. 2005, Ecological Applications 15: 799-805",
    measure="housing",
)

PUBLISHED: Mapping[str, Scheme] = {
    scheme.name: scheme for scheme in (HOUSING_DENSITY, IMPERVIOUSNESS, DEGREE_OF_URBANISATION, HOUSING_BESIDE_WILDLAND)
}


@dataclass(frozen=True, slots=True)
class ClassGrid:
    """Landscape classes on a regular grid, to be drawn.

    Attributes
    ----------
    classes : tuple of str
        Class names; a code is a place in this list.
    codes : ndarray of int8, shape (rows, columns)
        Class of each cell, -1 where there is none. North is up.
    transform : Affine
        From column and row to x and y in ``crs``.
    crs : CRS
        Projected CRS of the grid.
    definition : str
        The sentence that defines the classes.
    """

    classes: tuple[str, ...]
    codes: NDArray[np.int8]
    transform: Affine
    crs: CRS
    definition: str


def layer_of(settings: GradientSettings) -> str:
    """Return the name of the layer from which the landscape class comes.

    Parameters
    ----------
    settings : GradientSettings
        The study's choices.

    Returns
    -------
    str
        ``landscape`` of polygons, ``population`` of the degree of urbanisation, else the measure's.
    """
    special = {"polygons": "landscape", "degree_of_urbanisation": "population"}
    return special.get(settings.scheme, MEASURES[settings.measure].layer)


def layers_of(settings: GradientSettings) -> tuple[str, ...]:
    """Return the names of all layers from which the landscape class comes.

    Parameters
    ----------
    settings : GradientSettings
        The study's choices.

    Returns
    -------
    tuple of str
        The one of :func:`layer_of` first.
    """
    beside = ("land_cover",) if settings.scheme == "housing_beside_wildland" else ()
    return (layer_of(settings), *beside)


def scheme_of(settings: GradientSettings) -> Scheme:
    """Return the scheme that the settings choose.

    Parameters
    ----------
    settings : GradientSettings
        Measure, scheme, breaks and names. ``names`` go from the lowest value to the highest.

    Returns
    -------
    Scheme
        A published scheme, or one made of the study's own breaks or polygons. A scheme of polygons
        has no classes here, since its layer names them: see :func:`class_names`.

    Raises
    ------
    SettingsError
        The scheme is defined on another measure than the one chosen.
    """
    if settings.scheme == "breaks":
        return _own_breaks(settings)
    if settings.scheme == "polygons":
        return Scheme("polygons", (), "the polygon in which the den lies", "the study's layer 'landscape'")
    scheme = PUBLISHED[settings.scheme]
    if scheme.measure not in (None, settings.measure):
        raise SettingsError(
            f"gradient: scheme '{scheme.name}' is defined on measure '{scheme.measure}', not on "
            f"'{settings.measure}'; set measure = \"{scheme.measure}\" or choose another scheme"
        )
    return scheme


def class_names(
    settings: GradientSettings, *, layers: Layers | None = None, layer_settings: Said | None = None
) -> tuple[str, ...]:
    """Return the landscape classes in the order of tables and figures.

    Parameters
    ----------
    settings : GradientSettings
        The study's choices.
    layers : Mapping, optional
        Opened layers by name; needed by scheme ``polygons`` only.
    layer_settings : Mapping, optional
        What study.toml says about the layers; needed by scheme ``polygons`` for its ``field``.

    Returns
    -------
    tuple of str
        Urban classes first; of polygons, in the order of their first appearance in the layer.

    Raises
    ------
    SettingsError, LayerError
        As for :func:`landscape_at`.
    """
    if settings.scheme != "polygons":
        return scheme_of(settings).classes
    _, named = _polygon_names(layers or {}, layer_settings or {})
    return tuple(dict.fromkeys(name for name in named if name))


def definition(settings: GradientSettings) -> str:
    """Say in one sentence how gradient and classes are defined, for every table and figure.

    Parameters
    ----------
    settings : GradientSettings
        The study's choices.

    Returns
    -------
    str
        Measure, unit, radius, class rule and source.

    Raises
    ------
    SettingsError
        The scheme is defined on another measure than the one chosen.
    """
    measure, scheme = MEASURES[settings.measure], scheme_of(settings)
    where = "" if settings.measure == "urban_edge" else f" within {settings.radius_m:g} m"
    return f"Gradient: {measure.words} [{measure.unit}]{where}. Classes: {scheme.rule} ({scheme.source})."


def classify(values: ArrayLike, *, settings: GradientSettings) -> Names:
    """Put values of the gradient measure into classes, for schemes that are breaks on it.

    A value within one part in 10^9 of a break counts as equal to it. In the study's own breaks a
    value equal to a break belongs to the class above; in published schemes, as their rule says.

    Parameters
    ----------
    values : array_like, shape (n,)
        Values in the measure's unit; NaN has no class.
    settings : GradientSettings
        Scheme ``housing_density``, ``imperviousness`` or ``breaks``.

    Returns
    -------
    ndarray of object, shape (n,)
        Class names, None where there is no value.

    Raises
    ------
    SettingsError
        The scheme needs more than one number.
    """
    scheme = scheme_of(settings)
    if not scheme.breaks:
        raise SettingsError(f"scheme '{scheme.name}' is no set of breaks: use landscape_at")
    number = np.asarray(values, float)
    above = np.zeros(number.shape, dtype=np.int64)
    for limit, upper in zip(scheme.breaks, scheme.upper, strict=True):
        equal = np.isclose(number, limit, rtol=SAME, atol=0)
        above += np.where(equal, upper, number > limit)
    names = np.array(scheme.rising, dtype=object)[above]
    names[np.isnan(number)] = None
    return names


def gradient_at(points: gpd.GeoDataFrame, *, settings: GradientSettings, layers: Layers) -> pd.DataFrame:
    """Return the urban-to-rural measure at points.

    Counts per cell become a density over the valid part of the disc. A disc that is partly without
    data keeps its value, and the missing share is told.

    Parameters
    ----------
    points : GeoDataFrame
        Points in EPSG:4326.
    settings : GradientSettings
        Measure and disc radius.
    layers : Mapping
        Opened layers by name.

    Returns
    -------
    DataFrame
        ``gradient`` in the measure's unit (see :data:`MEASURES`), ``missing_share`` of the disc without
        data, 0..1, and ``reason`` (why it is missing, or which share of the disc is), index of ``points``.

    Raises
    ------
    LayerError
        The measure's layer is missing, of the wrong kind, or in a unit that is not understood.
    """
    measure = MEASURES[settings.measure]
    layer = _layer(layers, measure.layer, f'measure = "{settings.measure}"')
    if settings.measure == "urban_edge":
        if not isinstance(layer, Features):
            raise LayerError("measure 'urban_edge' needs layer 'urban' to be polygons, not a raster")
        found = distance.distance_to_edge(points, layer)
        told = {"gradient": found["distance_m"], "missing_share": 0.0, "reason": found["reason"].fillna("")}
        return pd.DataFrame(told, index=points.index)
    raster = _raster(layer)
    if settings.measure == "impervious":
        values, missing, unread = _impervious(points, raster, settings.radius_m)
    else:
        values, missing, unread = _density(points, raster, settings.radius_m)
    missing = np.where(np.isfinite(lon_lat(points)[0]), missing, np.nan)
    reasons = [_gap(*told, raster.name) for told in zip(values, missing, unread, strict=True)]
    return pd.DataFrame({"gradient": values, "missing_share": missing, "reason": reasons}, index=points.index)


def landscape_at(
    points: gpd.GeoDataFrame,
    *,
    settings: GradientSettings,
    layers: Layers,
    folder: Path,
    layer_settings: Said | None = None,
) -> pd.DataFrame:
    """Return gradient and landscape class at dens, and whether location error could change the class.

    The class is taken at the den and at 16 directions on the circle of its horizontal uncertainty
    and on the circle of half that radius. A den is certain when all of these have its class.

    Parameters
    ----------
    points : GeoDataFrame
        Dens in EPSG:4326; column ``uncertainty_m``, when present, is the radius in which the den
        lies, NaN or not above 0 where unknown. [m]
    settings : GradientSettings
        The study's choices.
    layers : Mapping
        Opened layers by name.
    folder : Path
        Study folder, to which a legend's path is relative.
    layer_settings : Mapping, optional
        What study.toml says about the layers: scheme ``polygons`` needs ``field`` of ``landscape``,
        scheme ``housing_beside_wildland`` needs ``legend`` of ``land_cover``.

    Returns
    -------
    DataFrame
        ``gradient``, ``missing_share`` of its disc, ``landscape_class`` (None without),
        ``class_certain`` (True, False, or None when it cannot be told), ``class_could_be`` (the other
        classes, urban first) and ``reason``, index of ``points``.

    Raises
    ------
    SettingsError
        The scheme does not fit the measure, or lacks a setting.
    LayerError
        A layer that the scheme needs is missing or does not fit.
    """
    radius = _uncertainty(points)
    ring, owner = _rings(points, radius)
    # Dens and rings go through the layers together, so that each layer is read once.
    both = gpd.GeoDataFrame(geometry=[*points.geometry, *ring], crs=4326)
    told = _classed(both, settings, layers, folder, layer_settings or {})
    dens, around = told.iloc[: len(points)].set_axis(points.index), told.iloc[len(points) :]
    order = class_names(settings, layers=layers, layer_settings=layer_settings)
    own = dens["landscape_class"].tolist()
    seen = around["landscape_class"].groupby(owner).agg(list).to_dict()
    found = [_certainty(name, seen.get(i), order=order) for i, name in enumerate(own)]
    return pd.DataFrame(
        {
            "gradient": dens["gradient"],
            "missing_share": dens["missing_share"],
            "landscape_class": _column(own, dens),
            "class_certain": _column([certain for certain, _, _ in found], dens),
            "class_could_be": _column([could_be for _, could_be, _ in found], dens),
            "reason": [_joined(r, note) for r, (_, _, note) in zip(dens["reason"], found, strict=True)],
        },
        index=points.index,
    )


def landscape_grid(
    *,
    bounds: tuple[float, float, float, float],
    crs: CRS | str,
    settings: GradientSettings,
    layers: Layers,
    folder: Path,
    cell_m: float = 500.0,
    layer_settings: Said | None = None,
) -> ClassGrid:
    """Return the landscape classes at the middle of each cell of a grid, for the map.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east and north in ``crs``. [units of crs]
    crs : CRS or str
        Projected CRS of the grid.
    settings, layers, folder, layer_settings
        As for :func:`landscape_at`.
    cell_m : float
        Side of a cell. [m]

    Returns
    -------
    ClassGrid
        Classes by code; the grid covers ``bounds`` and may reach beyond their east and south.

    Raises
    ------
    LayerError
        The CRS is not projected, the bounds are empty, or the grid would be too large.
    SettingsError
        As for :func:`landscape_at`.
    """
    system = CRS.from_user_input(crs)
    if not system.is_projected:
        raise LayerError(f"the grid of classes needs a projected CRS in metres or feet, not {system.name}")
    west, south, east, north = bounds
    side = cell_m / system.axis_info[0].unit_conversion_factor
    columns, rows = math.ceil((east - west) / side - SAME), math.ceil((north - south) / side - SAME)
    if min(columns, rows) < 1 or columns * rows > MAX_GRID_CELLS:
        raise LayerError(f"a grid of {columns} x {rows} cells of {cell_m:g} m: mend bounds or cell size")
    transform = Affine(side, 0, west, 0, -side, north)
    col, row = np.meshgrid(np.arange(columns) + 0.5, np.arange(rows) + 0.5)
    middles = shapely.points(west + col.ravel() * side, north - row.ravel() * side)
    points = gpd.GeoDataFrame(geometry=middles, crs=system).to_crs(4326)
    found = _classed(points, settings, layers, folder, layer_settings or {})["landscape_class"]
    classes = class_names(settings, layers=layers, layer_settings=layer_settings)
    codes = pd.Categorical(found, categories=list(classes)).codes.astype(np.int8).reshape(rows, columns)
    return ClassGrid(classes, codes, transform, system, definition(settings))


def _own_breaks(settings: GradientSettings) -> Scheme:
    """Make a scheme of the study's breaks; a value equal to a break belongs to the class above."""
    measure = MEASURES[settings.measure]
    limits = [f"{limit:g}" for limit in settings.breaks]
    spans = [f"below {limits[0]}", *(f"{a} to below {b}" for a, b in itertools.pairwise(limits))]
    parts = zip(settings.names, [*spans, f"{limits[-1]} and more"], strict=True)
    return Scheme(
        name="breaks",
        classes=settings.names[::-1] if measure.urban_is_high else settings.names,
        rule="; ".join(f"{name}: {span} {measure.unit}" for name, span in parts),
        source="the study's own breaks",
        measure=settings.measure,
        breaks=settings.breaks,
        upper=(True,) * len(settings.breaks),
        rising=settings.names,
    )


def _classed(
    points: gpd.GeoDataFrame, chosen: GradientSettings, layers: Layers, folder: Path, said: Said
) -> pd.DataFrame:
    """Return gradient, landscape class and reason at points, whatever the scheme."""
    scheme = scheme_of(chosen)
    if scheme.measure is None and MEASURES[chosen.measure].layer not in layers:
        # The class needs no measure here, so a study without its layer still gets classes.
        told = pd.DataFrame({"gradient": np.nan, "missing_share": np.nan, "reason": ""}, index=points.index)
    else:
        told = gradient_at(points, settings=chosen, layers=layers)
    if scheme.breaks:
        return told.assign(landscape_class=_column(classify(told["gradient"], settings=chosen), told))
    if scheme.name == "polygons":
        names, reasons = _polygons(points, layers, said)
    elif scheme.name == "degree_of_urbanisation":
        raster = _raster(_layer(layers, "population", f'scheme = "{scheme.name}"'))
        names, reasons = urbanisation_at(points, raster, per_km2=_per_km2(raster))
    else:
        raster = _raster(_layer(layers, "land_cover", f'scheme = "{scheme.name}"'))
        legend = _nlcd(said, folder)
        names, reasons = _beside_wildland(points, told["gradient"], raster, legend, chosen.radius_m)
    joined = [_joined(a, b) for a, b in zip(told["reason"], reasons, strict=True)]
    return told.assign(landscape_class=_column(names, told), reason=joined)


def _column(values: Sequence[Any] | Names, frame: pd.DataFrame) -> pd.Series[Any]:
    """Return a column in which None stays None."""
    return pd.Series(values, index=frame.index, dtype=object)


def _density(points: gpd.GeoDataFrame, raster: Raster, radius_m: float) -> tuple[Floats, Floats, Flags]:
    """Return a density per km2 in discs, the share of each without data, and which could not be read."""
    per_km2 = _per_km2(raster)
    if per_km2 is not None:
        found = cover.disc_means(points, raster, radii_m=[radius_m])
        return found[f"mean_{radius_m:g}m"].to_numpy(float) * per_km2, _missing(found, radius_m), _unread(found)
    found = cover.disc_sums(points, raster, radii_m=[radius_m])
    missing = _missing(found, radius_m)
    valid_km2 = math.pi * radius_m**2 * (1 - missing) / 1e6
    with np.errstate(divide="ignore", invalid="ignore"):
        density = found[f"sum_{radius_m:g}m"].to_numpy(float) / valid_km2
    return np.where(valid_km2 > 0, density, np.nan), missing, _unread(found)


def _impervious(points: gpd.GeoDataFrame, raster: Raster, radius_m: float) -> tuple[Floats, Floats, Flags]:
    """Return mean imperviousness in percent, and of each disc the same as :func:`_density`."""
    unit = (raster.unit or "%").strip().lower()
    if unit not in ("%", "percent", "pct", "fraction"):
        raise LayerError(f"layer '{raster.name}' is in '{raster.unit}'; need % or fraction: mend its `unit`")
    found = cover.disc_means(points, raster, radii_m=[radius_m])
    values = found[f"mean_{radius_m:g}m"].to_numpy(float) * (100 if unit == "fraction" else 1)
    if np.any((values < 0) | (values > 100 * (1 + SAME))):
        raise LayerError(
            f"layer '{raster.name}' gives imperviousness outside 0 to 100 %: declare its `nodata` or `unit`"
        )
    return values, _missing(found, radius_m), _unread(found)


def _per_km2(raster: Raster) -> float | None:
    """Return the factor that makes a density per km2, or None when cells hold counts."""
    unit = re.sub(r"\s+", " ", (raster.unit or "").lower().replace("²", "2").replace("^", "")).strip()
    for pattern, factor in ((r"(/|per )\s?km2|km-2", 1.0), (r"(/|per )\s?ha|ha-1", 100.0)):
        if re.search(rf"(^|\s|\w)({pattern})$", unit):
            return factor
    counted = re.sub(r"( per |/)cell$", "", unit)
    if re.fullmatch(rf"1?|([a-z]+ )*({COUNTED})", counted) and not re.search(r"\bper\b", counted):
        return None
    raise LayerError(
        f"layer '{raster.name}' is in '{raster.unit}'; expected counts per cell (units, people) or a density "
        "(units per km2, people per ha): mend its `unit` in study.toml"
    )


def _missing(found: pd.DataFrame, radius_m: float) -> Floats:
    """Return the share of each disc without data."""
    return found[f"missing_share_{radius_m:g}m"].to_numpy(float)


def _unread(found: pd.DataFrame) -> Flags:
    """Tell under which discs a block of the file could not be read."""
    return found["reason"].str.contains(cover.UNREADABLE, regex=False).to_numpy(bool)


def _gap(value: float, missing: float, unread: bool, layer: str) -> str:
    """Say what a disc lacks."""
    if unread:
        return f"layer '{layer}': {cover.UNREADABLE}"
    if math.isnan(value):
        return "no coordinates" if math.isnan(missing) else f"no data of layer '{layer}' in the disc"
    return "" if missing <= SAME else f"{_percent(missing)} of the disc has no data in layer '{layer}'"


def _percent(share: float) -> str:
    """Return a share in words, without rounding a part down to nothing or up to all."""
    return "less than 1 %" if share < 0.01 else f"{min(round(100 * share), 99)} %"


def _joined(*parts: str) -> str:
    """Put reasons together, each once."""
    return "; ".join(dict.fromkeys(part for part in parts if part))


def _layer(layers: Layers, name: str, needed_by: str) -> Raster | Features:
    """Return a layer or say which one is missing and why it is needed."""
    if name not in layers:
        raise LayerError(f"no layer '{name}', which {needed_by} needs: add [layers.{name}] to study.toml")
    return layers[name]


def _raster(layer: Raster | Features) -> Raster:
    """Return a layer that must be a raster."""
    if not isinstance(layer, Raster):
        raise LayerError(f"layer '{layer.name}' must be a raster")
    return layer


def _beside_wildland(
    points: gpd.GeoDataFrame, density: pd.Series[float], raster: Raster, legend: cover.Legend, radius_m: float
) -> tuple[list[str | None], list[str]]:
    """Class points by housing density and wildland vegetation in and near the disc."""
    found = cover.class_shares(points, raster, legend=legend, radii_m=[radius_m])
    green = found.columns.intersection([f"share_{code}_{radius_m:g}m" for code in NLCD_WILDLAND])
    missing = _missing(found, radius_m)
    units = density.to_numpy(float)
    housed, seen = units >= UNITS_AT_WILDLAND * (1 - SAME), missing < 1
    intermix = found[green].sum(axis=1).to_numpy(float) >= INTERMIX_SHARE * (1 - SAME)
    names = np.full(len(points), None, dtype=object)
    names[np.isfinite(units) & ~housed] = "below housing threshold"
    names[housed & seen] = "housing away from wildland"
    asked = np.flatnonzero(housed & seen & ~intermix)
    near = near_large_wildland(points.iloc[asked], raster, wild=NLCD_WILDLAND, known=tuple(legend.classes))
    names[asked[near]] = "interface"
    names[housed & seen & intermix] = "intermix"
    # Where there is no density, gradient_at has told why.
    return names.tolist(), [
        _gap(0.0 if m < 1 else math.nan, m, lost, raster.name) if np.isfinite(u) else ""
        for m, u, lost in zip(missing, units, _unread(found), strict=True)
    ]


def _nlcd(said: Said, folder: Path) -> cover.Legend:
    """Return the land-cover legend, which must be the one whose wildland codes are published."""
    legend = said["land_cover"].legend if "land_cover" in said else None
    if legend != "nlcd":
        raise SettingsError(
            "scheme 'housing_beside_wildland' knows the wildland vegetation of the legend 'nlcd' only; that "
            f'of land_cover is {legend or "not given"}: set legend = "nlcd" in [layers.land_cover], or '
            'draw the classes yourself and use scheme = "polygons"'
        )
    return cover.read_legend(legend, folder=folder)


def _polygon_names(layers: Layers, said: Said) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Return the polygons of the layer 'landscape' and the class name of each, '' where it has none."""
    layer = _layer(layers, "landscape", 'scheme = "polygons"')
    if not isinstance(layer, Features):
        raise LayerError("layer 'landscape' must be polygons for scheme = \"polygons\"")
    field = said["landscape"].field if "landscape" in said else None
    columns = [str(column) for column in layer.frame.columns if column != layer.frame.geometry.name]
    if field is None or field not in columns:
        raise SettingsError(
            f"layers.landscape: `field` ({field or 'not given'}) must name the column that holds the "
            f"classes; its columns: {', '.join(columns)}"
        )
    return layer.frame, ["" if pd.isna(value) else str(value).strip() for value in layer.frame[field]]


def _polygons(points: gpd.GeoDataFrame, layers: Layers, said: Said) -> tuple[list[str | None], list[str]]:
    """Class points by the polygon they lie in; outside all of them, or in several classes, none."""
    frame, names = _polygon_names(layers, said)
    x, y = to_layer_xy(points, CRS.from_user_input(frame.crs))
    placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    spots = shapely.points(x[placed], y[placed])
    asked, hit = shapely.STRtree(frame.geometry.to_numpy()).query(spots, predicate="intersects")
    inside: dict[int, set[str]] = {int(i): set() for i in placed}
    for point, polygon in zip(placed[asked], hit, strict=True):
        inside[int(point)].add(names[polygon])
    told = [_one_class(inside.get(i)) for i in range(len(points))]
    return [name for name, _ in told], [reason for _, reason in told]


def _one_class(found: set[str] | None) -> tuple[str | None, str]:
    """Return the only class among the polygons at a point, or why there is none."""
    if found is None:
        return None, "no coordinates"
    if not found:
        return None, "outside all polygons of layer 'landscape'"
    if len(found) > 1:
        told = ", ".join(sorted(name or "(no name)" for name in found))
        return None, f"in polygons of several classes: {told}"
    name = next(iter(found))
    return (name, "") if name else (None, "in a polygon without class name")


def _uncertainty(points: gpd.GeoDataFrame) -> Floats:
    """Return each den's horizontal uncertainty, NaN where unknown; 0 is no uncertainty but a blank."""
    if "uncertainty_m" not in points.columns:
        return np.full(len(points), np.nan)
    radius = pd.to_numeric(points["uncertainty_m"], errors="coerce").to_numpy(float)
    return np.where(radius > 0, radius, np.nan)


def _rings(points: gpd.GeoDataFrame, radius: Floats) -> tuple[Names, NDArray[np.int64]]:
    """Return points on the circles of uncertainty and the place of the den that each belongs to."""
    lon, lat = lon_lat(points)
    dens = np.flatnonzero(np.isfinite(radius) & np.isfinite(lon))
    owner = np.repeat(dens, DIRECTIONS * len(RINGS))
    azimuth = np.tile(np.arange(DIRECTIONS) * (360 / DIRECTIONS), len(dens) * len(RINGS))
    reach = radius[owner] * np.tile(np.repeat(RINGS, DIRECTIONS), len(dens))
    east, north, _ = Geod(ellps="WGS84").fwd(lon[owner], lat[owner], azimuth, reach)
    return np.asarray(shapely.points(east, north), dtype=object), owner


def _certainty(own: str | None, seen: list[str | None] | None, *, order: Sequence[str]) -> tuple[bool | None, str, str]:
    """Compare a den's class with those on its rings; return certain, could be, and a reason."""
    if own is None:
        return None, "", ""
    if seen is None:
        return None, "", "location uncertainty unknown, class not checked"
    others = [name for name in order if name in set(seen) - {own}]
    if others:
        return False, ", ".join(others), ""
    if None in seen:
        return None, "", "the layers end within the location uncertainty"
    return True, "", ""
