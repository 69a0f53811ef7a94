"""Crew files as GeoJSON (RFC 7946): one point feature a den, properties under the known headings."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from densite.errors import IntakeError, Level, Problem
from densite.intake.rawrow import RawRow, about_unknown, shown, understand, whole

LARGEST = 2**27  # bytes; read whole
_MOST_OBJECTS = 3_000_000
_WGS84_NAMES = ("CRS84", "EPSG::4326", "EPSG:4326")


def read_geojson(path: Path, *, mapping: Mapping[str, str]) -> Iterator[RawRow]:
    """Read the point features of a GeoJSON file.

    Parameters
    ----------
    path : Path
        The file, in UTF-8. RFC 7946 fixes its CRS: WGS 84, longitude first.
    mapping : mapping of str to str
        ``[intake.columns]`` of study.toml.

    Yields
    ------
    RawRow
        With the line on which the feature starts.

    Raises
    ------
    IntakeError
        No JSON, no FeatureCollection, or a CRS other than WGS 84.
    """
    text = text_of(path)
    collection = collection_of(text, path.name)
    features = collection["features"]
    heads = list(dict.fromkeys(whole(key) for f in features for key in _properties(f)))
    headings = understand(heads, mapping, file=path.name)
    notes = tuple(about_unknown(headings, file=path.name))
    for line, feature in zip(lines_of(text, len(features)), features, strict=True):
        place, problems = _place(feature)
        own = {whole(key): _cell(value) for key, value in _properties(feature).items()}
        values, raw = headings.joined(own, {"datum": "WGS84"} | place)
        yield RawRow(path.name, line, values, raw, notes + problems)
        notes = ()


def text_of(path: Path) -> str:
    """Read the text of a GeoJSON file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str

    Raises
    ------
    IntakeError
        It is not UTF-8, empty, or too large to be read whole.
    """
    if path.stat().st_size > LARGEST:
        raise IntakeError(f"{path.name} is larger than {LARGEST // 2**20} MiB: hand it in in smaller parts")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise IntakeError(f"{path.name} is not UTF-8, as GeoJSON must be: {error}") from None
    if not text.strip():
        raise IntakeError(f"{path.name} is empty: nothing to take in")
    return text


def collection_of(text: str, name: str) -> dict[str, Any]:
    """Read a FeatureCollection in WGS 84.

    Parameters
    ----------
    text : str
        JSON.
    name : str
        The file's name, for messages.

    Returns
    -------
    dict

    Raises
    ------
    IntakeError
        It is none, or holds too much.
    """
    if text.count("{") + text.count("[") > _MOST_OBJECTS:
        raise IntakeError(f"{name} holds more than {_MOST_OBJECTS} objects and lists: hand it in in smaller parts")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:  # a number of thousands of digits is a ValueError of its own
        raise IntakeError(f"{name} is not valid JSON: {error}") from None
    if not isinstance(data, dict) or not isinstance(data.get("features"), list):
        raise IntakeError(f"{name} is no GeoJSON FeatureCollection with a list of features")
    crs = json.dumps(data.get("crs", "CRS84"))
    if not any(known in crs for known in _WGS84_NAMES):
        raise IntakeError(f"{name} names the CRS {crs}: RFC 7946 knows only WGS 84. Export it in longitude, latitude")
    return data


def _properties(feature: Any) -> dict[str, Any]:
    found = feature.get("properties") if isinstance(feature, dict) else None
    return found if isinstance(found, dict) else {}


def _cell(value: Any) -> str:
    if value is None:
        return ""
    try:
        return whole(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))
    except RecursionError:
        raise IntakeError("a property is nested too deeply for a cell of a crew file") from None


def _place(feature: Any) -> tuple[dict[str, str], tuple[Problem, ...]]:
    geometry = feature.get("geometry") if isinstance(feature, dict) else None
    point: Any = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if not isinstance(geometry, dict) or geometry.get("type") != "Point" or not _is_position(point):
        said = shown(str(geometry.get("type"))[:40]) if isinstance(geometry, dict) else "none"
        problem = Problem(Level.ERROR, f"no Point with two numbers in the geometry ({said})", "geometry")
        return {}, (problem,)
    longitude, latitude = point[:2]
    return {"longitude": repr(longitude), "latitude": repr(latitude)}, ()


def _is_position(point: Any) -> bool:
    return (
        isinstance(point, list)
        and len(point) >= 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in point[:2])
    )


def lines_of(text: str, count: int) -> Iterator[int]:
    """Yield the line on which each feature starts, by stepping through the array of features.

    Parameters
    ----------
    text : str
        The file's text.
    count : int
        How many features there are.

    Yields
    ------
    int
    """
    decoder = json.JSONDecoder()
    start = re.search(r'"features"\s*:\s*\[', text)
    position = start.end() if start else 0
    line, counted = 1, 0
    for _ in range(count):
        position = _next_value(text, position)
        line += text.count("\n", counted, position)
        counted = position
        yield line
        try:
            _, position = decoder.raw_decode(text, position)
        except json.JSONDecodeError:  # another "features" array came first: lines are then only a help
            continue


def _next_value(text: str, position: int) -> int:
    match = re.compile(r"[\s,]*").match(text, position)
    return match.end() if match else position
