"""Crew files as GeoPackage or shapefile: layers of points are den visits, tables are told by their headings."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
import re
import sqlite3
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from densite.animalterms import Kind
from densite.errors import IntakeError, Level, Problem
from densite.intake.kinds import kind_of_headings
from densite.intake.part import Part, told_only
from densite.intake.rawrow import RawRow, about_unknown, meanings, shown, understand, whole
from densite.intake.xlsx import text_of
from densite.settings import IntakeSettings
from densite.terms import RECORDED_TERMS

BATCH = 2000
MOST = 1_000_000
_SQLITE, _SHAPEFILE = b"SQLite format 3\0", b"\x00\x00\x27\x0a"
_REGISTER = {"study_info", "den", "visit"}
_WGS84 = "EPSG:4326"
_WRITTEN = re.compile(
    r"(\d{4})/(\d\d)/(\d\d) (\d\d:\d\d:\d\d)(?:\.0+)?"
)  # GDAL's, where a shapefile has no type for it


@dataclass(frozen=True, slots=True)
class _Layer:
    """A layer of a file: its headings, and its CRS as an EPSG code, or in words where it has none."""

    path: Path
    name: str
    heads: tuple[str, ...]
    shape: str
    features: int
    epsg: str
    crs: str


def read_layers(
    path: Path, *, name: str, settings: IntakeSettings, told: str | None = None, anyway: bool = False
) -> Iterator[Part]:
    """Read a GeoPackage or a shapefile: a part for each layer.

    Parameters
    ----------
    path : Path
        A .gpkg file, or a .shp file with those that belong to it beside it.
    name : str
        How people know it.
    settings : IntakeSettings
        Mapping of headings from study.toml.
    told : str, optional
        The kind of record of tables without geometry, as a person named it.
    anyway : bool
        Take a layer none of whose headings is known, so that they can be learned.

    Yields
    ------
    Part
        Layers of lines or areas, and empty ones, are told and kept out.

    Raises
    ------
    IntakeError
        It cannot be read, is a register of densite, or no layer has rows to take in.
    """
    _look_at(path)
    layers = [_layer(path, title) for title in _titles(path)]
    single = len(layers) == 1
    names = (name if single else f"{name} layer {shown(layer.name)}" for layer in layers)
    parts = [_part(layer, called, settings, told, anyway) for layer, called in zip(layers, names, strict=True)]
    if all(part.rowless for part in parts):
        said = "; ".join(part.failed or part.remarks[0].message for part in parts) or "it has no layer"
        raise IntakeError(f"{name}: nothing to take in: {said}")
    yield from parts


def _look_at(path: Path) -> None:
    """Make sure by its first bytes that a file is what its name says: the reader would open anything."""
    with path.open("rb") as file:
        start = file.read(16)
    if path.suffix.lower() == ".shp":
        if start[:4] != _SHAPEFILE:
            raise IntakeError(f"{path.name} is no shapefile")
        for beside in (".shx", ".dbf"):
            if not any(path.with_suffix(end).is_file() for end in (beside, beside.upper())):
                raise IntakeError(f"{path.name}: its {beside} file is missing beside it: hand in all files of it")
    elif start != _SQLITE:
        raise IntakeError(f"{path.name} is no GeoPackage")
    elif _is_register(path):
        raise IntakeError(
            f"{path.name} is a register of densite, not a crew file: join it to this study with `densite merge`"
        )


def _is_register(path: Path) -> bool:
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as base:
        try:
            names = {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        except (sqlite3.Error, UnicodeDecodeError):  # the second of its own messages, where names are damaged
            return False
    return names >= _REGISTER


@contextlib.contextmanager
def _told(path: Path) -> Iterator[Any]:
    """Give the reader, and make one message of whatever it stumbles over."""
    import pyogrio

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # GDAL's remarks on M values and field widths change nothing here
            yield pyogrio
    except Exception as error:  # noqa: BLE001 - a stranger's file makes its reader fail in any way
        said = shown(" ".join(str(error).split()))[:200].replace(str(path), path.name)
        raise IntakeError(f"{path.name} cannot be read as a vector layer ({said}): save it anew") from None


def _titles(path: Path) -> list[str]:
    with _told(path) as reader:
        return [str(row[0]) for row in reader.list_layers(path)]


def _layer(path: Path, title: str) -> _Layer:
    with _told(path) as reader:
        info = reader.read_info(path, layer=title, force_feature_count=True)
    heads = tuple(whole(str(field)) for field in info["fields"])
    epsg, words = _crs(info["crs"])
    return _Layer(path, title, heads, info["geometry_type"] or "", int(info["features"]), epsg, words)


def _crs(text: str | None) -> tuple[str, str]:
    """Return the EPSG code of a CRS, blank where it has none, and its name, blank where there is no CRS."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    if not text:
        return "", ""
    try:
        crs = CRS.from_user_input(text)
        if "undefined" in crs.name.casefold():  # what a GeoPackage says of a layer whose CRS nobody knows
            return "", ""
        code = crs.to_epsg()
        return (str(code) if code else ""), shown(crs.name)
    except CRSError:
        return "", shown(text[:60])


def _part(layer: _Layer, name: str, settings: IntakeSettings, told: str | None, anyway: bool) -> Part:
    shape = layer.shape.removeprefix("2.5D ").removeprefix("Measured ").removeprefix("3D ").split(" ")[0]
    if shape and shape not in ("Point", "MultiPoint", "Unknown", "Geometry"):
        said = f"layer {shown(layer.name)} holds {layer.features} of {shape}: kept out, no den sites"
        return told_only(name, Problem(Level.NOTE, said))
    if not layer.features:
        return told_only(name, Problem(Level.NOTE, f"layer {shown(layer.name)} is empty"))
    if layer.features > MOST:
        return told_only(name, failed=f"{name} has more than {MOST} features: hand it in in smaller parts")
    try:
        kind = None if shape else kind_of_headings(layer.heads, settings.columns, told=told)
        terms = kind.terms if kind else RECORDED_TERMS
        names = understand(layer.heads, settings.columns, file=name, terms=terms).names
    except IntakeError as error:
        return told_only(name, failed=str(error))
    if not names and not anyway:
        said = f"layer {shown(layer.name)} has no known column heading: its {layer.features} rows are not taken"
        return told_only(name, Problem(Level.WARNING, said, hint="see `densite columns`"))
    return Part(name, kind, _rows(layer, name, settings.columns, kind, placed=bool(shape)))


def _rows(layer: _Layer, name: str, mapping: Mapping[str, str], kind: Kind | None, *, placed: bool) -> Iterator[RawRow]:
    terms = kind.terms if kind else RECORDED_TERMS
    headings = understand(layer.heads, mapping, file=name, terms=terms)
    notes = tuple(about_unknown(headings, file=name, known=meanings(mapping, terms)))
    for line, wkb, cells in _features(layer):
        own = dict(zip(layer.heads, cells, strict=True))
        place, problems = _place(wkb, layer) if placed else ({}, ())
        if problems and _says_its_place(headings.sort(own)):
            problems = ()
        values, raw = headings.joined(own, place)
        yield RawRow(name, line, values, raw, notes + problems)
        notes = ()


def _says_its_place(values: Mapping[str, str]) -> bool:
    return any(values.get(name) for name in ("latitude", "coordinates", "easting", "mgrs", "x"))


def _features(layer: _Layer) -> Iterator[tuple[int, bytes | None, list[str]]]:
    """Yield number, geometry and cells of each feature, a batch of them in memory at a time."""
    done = 0
    while done < layer.features:
        with _told(layer.path) as reader:
            meta, _, shapes, columns = reader.raw.read(
                layer.path, layer=layer.name, datetime_as_string=True, skip_features=done, max_features=BATCH
            )
        count = len(columns[0]) if len(columns) else len(shapes) if shapes is not None else 0
        if not count:
            raise IntakeError(f"{layer.path.name} breaks off after {done} of {layer.features} features")
        whens = [str(kind).startswith("datetime") or ogr == "OFTDateTime"
                 for kind, ogr in zip(meta["dtypes"], meta["ogr_types"], strict=True)]  # fmt: skip
        for row in range(count):
            cells = [_cell(column[row], when) for column, when in zip(columns, whens, strict=True)]
            yield done + row + 1, None if shapes is None else shapes[row], cells
        done += count


def _cell(value: Any, when: bool) -> str:
    """Write a field as a crew would have written it; missing is blank."""
    value = value.item() if hasattr(value, "item") else value
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, str) and (match := _WRITTEN.fullmatch(value)):
        value, when = match.expand(r"\1-\2-\3T\4"), True
    if when and isinstance(value, str):
        with contextlib.suppress(ValueError):
            value = dt.datetime.fromisoformat(value)
            return text_of(value) if value.tzinfo is None else str(value.isoformat(timespec="seconds"))
    return whole(value if isinstance(value, str) else text_of(value) if not isinstance(value, bytes) else repr(value))


def _place(wkb: bytes | None, layer: _Layer) -> tuple[dict[str, str], tuple[Problem, ...]]:
    """Say where a feature is: latitude and longitude on WGS 84, else x and y with their EPSG code."""
    point = _point(wkb)
    if point is None:
        return {}, (Problem(Level.ERROR, "no single point in the geometry", "geometry"),)
    x, y = (f"{value:.15g}" for value in point)
    if layer.epsg == _WGS84.removeprefix("EPSG:"):
        return {"latitude": y, "longitude": x, "datum": "WGS84"}, ()
    if layer.epsg:
        return {"x": x, "y": y, "epsg": layer.epsg}, ()
    said = f"its CRS '{layer.crs}' has no EPSG code" if layer.crs else "the layer does not say its CRS"
    hint = "write the EPSG code of x and y under epsg: it is never guessed"
    return {"x": x, "y": y, "epsg": ""}, (Problem(Level.ERROR, said, "epsg", hint=hint),)


def _point(wkb: bytes | None) -> Sequence[float] | None:
    import shapely

    if wkb is None:
        return None
    shape = shapely.from_wkb(wkb, on_invalid="ignore")
    if shape is None or shape.is_empty or shape.geom_type not in ("Point", "MultiPoint"):
        return None
    points: list[list[float]] = shapely.get_coordinates(shape).tolist()
    return points[0] if len(points) == 1 else None
