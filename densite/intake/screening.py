"""Rows held against what is known already: repeats, duplicates, moved labels, places out of the area."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import shapely

from densite import places
from densite.errors import Level, PlaceError, Problem
from densite.intake.rows import ReadRow
from densite.records import DenSite, Visit, winter_of

_CELL_DEG = 0.005  # about 500 m: a den's neighbours are looked for in its own and the eight next cells


@dataclass(frozen=True, slots=True)
class KnownDen:
    """What screening needs to know of a den: place in degrees, uncertainty in metres, winters seen."""

    den_id: str
    label: str
    longitude: float
    latitude: float
    uncertainty_m: float | None
    den_type: str
    winters: frozenset[int] = frozenset()
    source: str = ""


@dataclass(frozen=True, slots=True)
class KnownVisit:
    """A visit already recorded, with where it came from."""

    den_id: str
    observed_on: dt.date
    observer: str
    female: str
    source: str


@dataclass(slots=True)
class Known:
    """The dens, visits and rows that the register holds, growing as a file is read."""

    assumed_uncertainty_m: float
    dens: dict[str, KnownDen] = field(default_factory=dict)
    rows: dict[str, str] = field(default_factory=dict)
    visits: dict[tuple[str, dt.date, str, str], str] = field(default_factory=dict)
    _cells: dict[tuple[int, int], set[str]] = field(default_factory=lambda: defaultdict(set))

    def add_den(self, den: KnownDen) -> None:
        """Remember a den site (or its newest winters)."""
        self.dens[den.den_id] = den
        self._cells[_cell(den.longitude, den.latitude)].add(den.den_id)

    def add_visit(self, visit: KnownVisit) -> None:
        """Remember a visit."""
        key = (visit.den_id, visit.observed_on, visit.observer.casefold(), visit.female.casefold())
        self.visits[key] = visit.source

    def near(self, longitude: float, latitude: float) -> Iterator[tuple[float, KnownDen]]:
        """Yield the dens in the cells round a place [deg] with their distance. [m]"""
        i, j = _cell(longitude, latitude)
        for cell in ((i + di, j + dj) for di in (-1, 0, 1) for dj in (-1, 0, 1)):
            for den_id in self._cells.get(cell, ()):
                den = self.dens[den_id]
                yield places.distance_m(longitude, latitude, den.longitude, den.latitude), den

    def reach_m(self, first: float | None, second: float | None) -> float:
        """Return the distance [m] within which two points may be one, from their uncertainties. [m]"""
        return sum(self.assumed_uncertainty_m if u is None else u for u in (first, second))

    def take(self, den: DenSite, visit: Visit) -> None:
        """Remember what a row has just brought."""
        source = f"{visit.source_file} line {visit.source_line}"
        old = self.dens.get(str(den.den_id))
        winters = (old.winters if old else frozenset()) | {winter_of(visit.observed_on)}
        known = old or known_den(den, source)
        self.add_den(KnownDen(known.den_id, known.label, known.longitude, known.latitude, known.uncertainty_m,
                              known.den_type, winters, known.source))  # fmt: skip
        self.rows[visit.row_key] = source
        self.add_visit(KnownVisit(str(den.den_id), visit.observed_on, visit.observer or "", visit.female or "", source))


def known_den(den: DenSite, source: str) -> KnownDen:
    """Return what screening remembers of a den site."""
    return KnownDen(str(den.den_id), den.label, den.longitude, den.latitude, den.uncertainty_m, den.den_type,
                    source=source)  # fmt: skip


def _cell(longitude: float, latitude: float) -> tuple[int, int]:
    return math.floor(longitude / _CELL_DEG), math.floor(latitude / _CELL_DEG)


def screen(row: ReadRow, known: Known, area: Any | None) -> list[Problem]:
    """Hold a readable row against the register and the study area.

    Parameters
    ----------
    row : ReadRow
        With den and visit.
    known : Known
        What is recorded, or stands earlier in the same file.
    area : shapely geometry or None
        The study boundary in WGS 84, prepared. [deg]

    Returns
    -------
    list of Problem
        Placed in the row's file.
    """
    den, visit = row.den, row.visit
    if den is None or visit is None:
        return []
    found = [*_outside(den, row, area), *_doubled(den, visit, known)]
    return [problem.at(row.raw.file, row.raw.line) for problem in found]


def _doubled(den: DenSite, visit: Visit, known: Known) -> Iterator[Problem]:
    same = known.dens.get(str(den.den_id))
    if same is None:
        yield from _duplicates(den, visit, known)
        return
    yield from _moved(den, same, known)
    yield from _revisited(visit, known)
    if den.den_type not in (same.den_type, "unknown"):
        yield Problem(
            Level.WARNING, f"den {den.label} is recorded as {same.den_type}, this row says {den.den_type}: "
            "the record stays, the row is kept with the visit", "den_type", den.den_type,
        )  # fmt: skip


def _duplicates(den: DenSite, visit: Visit, known: Known) -> Iterator[Problem]:
    for distance, other in known.near(den.longitude, den.latitude):
        if distance > known.reach_m(den.uncertainty_m, other.uncertainty_m):
            continue
        reach = " and ".join(_spread(u, known) for u in (den.uncertainty_m, other.uncertainty_m))
        again = winter_of(visit.observed_on) in other.winters
        when = "of the same winter: one den twice?" if again else "of another winter: re-used?"
        said = f"lies {distance:.0f} m from den {other.label}, within their uncertainties ({reach}), {when}"
        yield Problem(
            Level.CONFIRM, said, "den_label",
            den.label, hint=f"give it the label {other.label}, or write yes under confirmed if they are two dens",
        )  # fmt: skip


def _spread(uncertainty_m: float | None, known: Known) -> str:
    return f"{known.assumed_uncertainty_m:g} m assumed" if uncertainty_m is None else f"{uncertainty_m:g} m"


def _moved(den: DenSite, same: KnownDen, known: Known) -> Iterator[Problem]:
    distance = places.distance_m(same.longitude, same.latitude, den.longitude, den.latitude)
    if distance <= known.reach_m(den.uncertainty_m, same.uncertainty_m):
        return
    yield Problem(
        Level.CONFIRM, f"lies {distance:.0f} m from where den {den.label} was first recorded ({same.source})",
        "den_label", den.label, hint=_why_moved(den, same) or "another den under this label? Or a slip in the point?",
    )  # fmt: skip


def _why_moved(den: DenSite, same: KnownDen) -> str:
    """Recognise an offset that is just the shift of a datum that was overlooked."""
    try:
        shift, bearing = places.datum_shift_m(same.longitude, same.latitude, datum="NAD27")
    except PlaceError:
        return ""
    lon, lat = den.longitude, den.latitude
    expected = places.moved(same.longitude, same.latitude, bearing_deg=bearing, distance_m=shift)
    off = places.distance_m(lon, lat, *expected)
    if shift > 0 and off < shift / 3:
        return f"NAD27 coordinates read as WGS 84 lie {shift:.0f} m off in this direction: was the GPS set to NAD27?"
    return ""


def _revisited(visit: Visit, known: Known) -> Iterator[Problem]:
    key = (
        str(visit.den_id),
        visit.observed_on,
        (visit.observer or "").casefold(),
        (visit.female or "").casefold(),
    )
    source = known.visits.get(key)
    if source:
        yield Problem(
            Level.CONFIRM, f"a visit of {visit.observed_on} by the same observer is recorded already ({source}), "
            "with other values", "date", visit.observed_on.isoformat(),
            hint="a correction of that row? The first record stays; write yes under confirmed if it was a second visit",
        )  # fmt: skip


def _outside(den: DenSite, row: ReadRow, area: Any | None) -> Iterator[Problem]:
    if area is None or shapely.contains_xy(area, den.longitude, den.latitude):
        return
    place = (den.longitude, den.latitude)
    nearest = shapely.get_coordinates(shapely.shortest_line(shapely.Point(place), area))[-1]
    away = places.distance_m(*place, *nearest)
    west, south, east, north = area.bounds
    size = places.distance_m(west, south, east, north)
    hint = _other_reading(row, area)
    yield Problem(
        Level.CONFIRM if hint or away > size else Level.WARNING,
        f"lies {away / 1000:.1f} km outside the study boundary", "position", hint=hint,
    )  # fmt: skip


def _other_reading(row: ReadRow, area: Any) -> str:
    """Try the usual slips; name the one that would bring the point into the study area."""
    values = row.raw.values
    for said, read in _readings(values):
        try:
            place = read()
        except (PlaceError, ValueError):
            continue
        if shapely.contains_xy(area, place.longitude, place.latitude):
            return f"it would lie inside {said}"
    return ""


def _readings(values: dict[str, str]) -> Iterator[tuple[str, Callable[[], places.Place]]]:
    datum = values.get("datum") or "WGS84"
    zone = values.get("utm_zone", "")
    if values.get("easting") and zone[:-1].strip().isdigit():
        for step in (-1, 1, -2, 2):
            other = f"{int(zone[:-1]) + step}{zone[-1]}"
            yield f"with zone {other}: wrong zone?", _utm_reader(values, other, datum)
    if values.get("latitude") and values.get("longitude"):
        lat, lon = values["latitude"], values["longitude"]
        yield (
            "with the sign of the longitude turned: minus lost?",
            _geographic_reader(lat, _turned(lon), datum),
        )
        yield "with latitude and longitude swapped", _geographic_reader(lon, lat, datum)


def _utm_reader(values: dict[str, str], zone: str, datum: str) -> Callable[[], places.Place]:
    return lambda: places.from_utm(float(values["easting"]), float(values["northing"]), zone, datum=datum)


def _geographic_reader(lat: str, lon: str, datum: str) -> Callable[[], places.Place]:
    return lambda: places.from_geographic(lat, lon, datum=datum)


def _turned(text: str) -> str:
    return text.lstrip("-") if text.startswith("-") else f"-{text}"
