"""Rows held against what is known already: repeats, duplicates, moved labels, places out of the area."""

from __future__ import annotations

import datetime as dt
import math
import re
import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from densite import places
from densite.errors import Level, PlaceError, Problem
from densite.intake.location import located
from densite.intake.rawrow import entry_of
from densite.intake.rows import ReadRow
from densite.records import DenSite, Visit, folded_label, winter_of

_CELL_DEG = 0.001  # about 110 m north to south; how many cells are searched follows from the uncertainties
_DEGREE_M = 110_500.0  # the shortest degree of latitude, so that the search never falls short


class Rectangle(NamedTuple):
    """A study area without a boundary, in WGS 84 [deg]; held apart from shapes, since shapely loads slowly."""

    west: float
    south: float
    east: float
    north: float


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
    area_name: str = "the study boundary"
    dens: dict[str, KnownDen] = field(default_factory=dict)
    rows: dict[str, str] = field(default_factory=dict)
    visits: dict[tuple[str, dt.date, str, str], str] = field(default_factory=dict)
    labels: dict[str, str] = field(default_factory=dict)
    withdrawn: dict[str, str] = field(default_factory=dict)  # id and folded label of each withdrawn den: its label
    females: dict[str, str] = field(default_factory=dict)
    _widest_m: float = 0.0
    _cells: dict[tuple[int, int], set[str]] = field(default_factory=lambda: defaultdict(set))

    def add_den(self, den: KnownDen) -> None:
        """Remember a den site (or its newest winters)."""
        self.dens[den.den_id] = den
        self.labels[folded_label(den.label)] = den.den_id
        self._widest_m = max(self._widest_m, self._spread(den.uncertainty_m))
        if not math.isnan(den.longitude):  # whose point is unreadable is known by its label only
            self._cells[_cell(den.longitude, den.latitude)].add(den.den_id)

    def add_withdrawn(self, den_id: str, label: str) -> None:
        """Remember that an id and a label are those of a withdrawn den."""
        self.withdrawn |= {den_id: label, folded_label(label): label}

    def label_of(self, text: str) -> tuple[str, str] | None:
        """Return id and label of the den that has a label already, a withdrawn one with a blank id."""
        key = folded_label(text)
        if key in self.withdrawn:
            return "", self.withdrawn[key]
        return (self.labels[key], self.dens[self.labels[key]].label) if key in self.labels else None

    def forget_den(self, den_id: str) -> None:
        """Forget a den, so that it can be held against the others; its visits stay known."""
        den = self.dens.pop(den_id)
        self.labels.pop(folded_label(den.label), None)
        if not math.isnan(den.longitude):
            self._cells[_cell(den.longitude, den.latitude)].discard(den_id)

    def forget_visit(self, den_id: str, day: dt.date, observer: str, female: str) -> None:
        """Forget a visit, so that it can be held against the others."""
        self.visits.pop((den_id, day, observer.casefold(), female.casefold()), None)

    def add_visit(self, visit: KnownVisit) -> None:
        """Remember a visit."""
        key = (visit.den_id, visit.observed_on, visit.observer.casefold(), visit.female.casefold())
        self.visits[key] = visit.source
        if visit.female:
            self.add_female(visit.female)

    def add_female(self, female: str) -> None:
        """Remember how a female was written first."""
        self.females.setdefault(squeezed(female), female)

    def near(self, den: DenSite) -> Iterator[tuple[float, KnownDen]]:
        """Yield the known dens that may be the same place, by both uncertainties, with their distance. [m]"""
        reach = self._spread(den.uncertainty_m) + self._widest_m
        high = reach / _DEGREE_M
        wide = high / max(math.cos(math.radians(min(abs(den.latitude) + high, 90))), 0.01)
        for other in self._around(den.longitude, den.latitude, reach):
            if not (abs(other.latitude - den.latitude) <= high and abs(other.longitude - den.longitude) <= wide):
                continue  # most of a cell, and what has no place; the distance on the ellipsoid is dear
            distance = places.distance_m(den.longitude, den.latitude, other.longitude, other.latitude)
            if distance <= self.reach_m(den.uncertainty_m, other.uncertainty_m):
                yield distance, other

    def _around(self, longitude: float, latitude: float, reach_m: float) -> Iterator[KnownDen]:
        """Yield the dens of all cells within a distance, or all dens where that is less work."""
        high = math.ceil(reach_m / (_CELL_DEG * _DEGREE_M))
        wide = math.ceil(reach_m / (_CELL_DEG * _DEGREE_M * max(math.cos(math.radians(latitude)), 0.01)))
        if (2 * high + 1) * (2 * wide + 1) > len(self._cells):
            yield from self.dens.values()
            return
        i, j = _cell(longitude, latitude)
        for cell in ((i + di, j + dj) for di in range(-wide, wide + 1) for dj in range(-high, high + 1)):
            yield from (self.dens[den_id] for den_id in self._cells.get(cell, ()))

    def _spread(self, uncertainty_m: float | None) -> float:
        return self.assumed_uncertainty_m if uncertainty_m is None else uncertainty_m

    def reach_m(self, first: float | None, second: float | None) -> float:
        """Return the distance [m] within which two points may be one, from their uncertainties. [m]"""
        return self._spread(first) + self._spread(second)

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


def squeezed(animal: str) -> str:
    """Make animal ids comparable: case, spaces and dashes do not count.

    Parameters
    ----------
    animal : str
        As it was written.

    Returns
    -------
    str
    """
    return re.sub(r"[\s_-]", "", animal).casefold()


def settle_names(row: ReadRow, known: Known) -> ReadRow:
    """Bring a row's label and female to the ids and spelling that the register knows.

    Parameters
    ----------
    row : ReadRow
        With den and visit, or without.
    known : Known
        What is recorded, or stands earlier in the same file.

    Returns
    -------
    ReadRow
        The den of a known label has its known id; a contradiction of id and label is an error.
    """
    den, visit = row.den, row.visit
    if den is None or visit is None:
        return row
    owner = known.labels.get(folded_label(den.label))
    told = known.dens.get(str(den.den_id))
    found = list(_withdrawn(den, known))
    if owner is not None and owner != str(den.den_id):
        if row.raw.values.get("den_id"):
            said = f"den_id {den.den_id} is given, but the label {den.label} is that of den {owner}"
            found.append(
                Problem(Level.ERROR, said, "den_id", str(den.den_id), hint="leave den_id blank, or mend the label")
            )
        else:
            den = den.model_copy(update={"den_id": uuid.UUID(owner)})
            visit = visit.model_copy(update={"den_id": den.den_id})
    elif told is not None and folded_label(told.label) != folded_label(den.label) and row.raw.values.get("den_label"):
        found.append(_relabelled(row, den, told))
    spelled = known.females.get(squeezed(visit.female)) if visit.female else None
    if spelled and spelled != visit.female:
        found.append(Problem(Level.NOTE, "female written in another way before", "female", visit.female or "",
                             hint=f"{visit.female} taken for {spelled}"))  # fmt: skip
        visit = visit.model_copy(update={"female": spelled})
    if not found and den is row.den and visit is row.visit:
        return row
    placed = tuple(p.at(row.raw.file, row.raw.line) for p in found)
    return replace(row, den=den, visit=visit, problems=(*row.problems, *placed))


def _withdrawn(den: DenSite, known: Known) -> Iterator[Problem]:
    """Say that a row is about a den that was withdrawn, whose label and id stay its own."""
    label = known.withdrawn.get(folded_label(den.label)) or known.withdrawn.get(str(den.den_id))
    if label is not None:
        said = f"the label {label} belongs to a withdrawn den"
        hint = f"another den? Choose another label. The same? First `densite withdraw {label!r} --undo --reason WHY`"
        yield Problem(Level.ERROR, said, "den_label", den.label, hint=hint)


def _relabelled(row: ReadRow, den: DenSite, told: KnownDen) -> Problem:
    """Say that an id, given or made from a label, is that of a den with another label."""
    said = f"den_id {den.den_id} is recorded with the label {told.label}, this row says {den.label}"
    hint = "which of the two is right?"
    if not row.raw.values.get("den_id"):
        said = f"the label {den.label} was that of den {told.label} before it was corrected"
        hint = f"the same den? Write {told.label}. Another? Choose another label"
    return Problem(Level.ERROR, said, "den_label", den.label, hint=hint)


def _cell(longitude: float, latitude: float) -> tuple[int, int]:
    return math.floor(longitude / _CELL_DEG), math.floor(latitude / _CELL_DEG)


def screen(row: ReadRow, known: Known, area: Any | Rectangle | None) -> list[Problem]:
    """Hold a readable row against the register and the study area.

    Parameters
    ----------
    row : ReadRow
        With den and visit.
    known : Known
        What is recorded, or stands earlier in the same file.
    area : shapely geometry, Rectangle or None
        The study boundary in WGS 84, prepared. [deg]

    Returns
    -------
    list of Problem
        Placed in the row's file.
    """
    den, visit = row.den, row.visit
    if den is None or visit is None:
        return []
    found = [*_outside(den, row, area, known), *_doubled(den, visit, known)]
    if entry_of(row.raw.values) and str(den.den_id) in known.dens:
        found += _from_another_phone(visit, known)
    return [problem.at(row.raw.file, row.raw.line) for problem in found]


def _doubled(den: DenSite, visit: Visit, known: Known) -> Iterator[Problem]:
    same = known.dens.get(str(den.den_id))
    if same is None:
        yield from _duplicates(den, visit, known)
        return
    if moved(den, same, known):
        yield _moved(den, same)
    yield from _revisited(visit, known)
    if den.den_type not in (same.den_type, "unknown"):
        yield Problem(
            Level.WARNING, f"den {den.label} is recorded as {same.den_type}, this row says {den.den_type}: "
            "the record stays, the row is kept with the visit", "den_type", den.den_type,
        )  # fmt: skip


def _duplicates(den: DenSite, visit: Visit, known: Known) -> Iterator[Problem]:
    # nearest first, so that the same row is held back with the same words each time
    for distance, other in sorted(known.near(den), key=lambda near: (near[0], near[1].label)):
        reach = " and ".join(_spread(u, known) for u in (den.uncertainty_m, other.uncertainty_m))
        again = winter_of(visit.observed_on) in other.winters
        when = "of the same winter: one den twice?" if again else "of another winter: re-used?"
        away = places.said_distance(distance)
        said = f"lies {away} from den {other.label}, within their uncertainties ({reach}), {when}"
        yield Problem(
            Level.CONFIRM, said, "den_label",
            den.label, hint=f"give it the label {other.label}, or write yes under confirmed if they are two dens",
        )  # fmt: skip


def _spread(uncertainty_m: float | None, known: Known) -> str:
    return f"{known.assumed_uncertainty_m:g} m assumed" if uncertainty_m is None else f"{uncertainty_m:g} m"


def moved(den: DenSite, same: KnownDen, known: Known) -> bool:
    """Tell whether a row's point lies further from the den's first record than both uncertainties allow."""
    distance = places.distance_m(same.longitude, same.latitude, den.longitude, den.latitude)
    return distance > known.reach_m(den.uncertainty_m, same.uncertainty_m)


def _moved(den: DenSite, same: KnownDen) -> Problem:
    distance = places.distance_m(same.longitude, same.latitude, den.longitude, den.latitude)
    said = f"lies {places.said_distance(distance)} from where den {den.label} was first recorded ({same.source})"
    hint = _why_moved(den, same) or "another den under this label? Or a slip in the point?"
    return Problem(Level.CONFIRM, said, "den_label", den.label, hint=hint)


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


def _from_another_phone(visit: Visit, known: Known) -> Iterator[Problem]:
    """Ask about another entry of one den and day: each of a crew may have written the same visit."""
    day, own = (
        (str(visit.den_id), visit.observed_on),
        ((visit.observer or "").casefold(), (visit.female or "").casefold()),
    )
    others = [source for key, source in known.visits.items() if key[:2] == day and key[2:] != own]
    if others and (*day, *own) not in known.visits:
        yield Problem(
            Level.CONFIRM, f"a visit of {visit.observed_on} to this den is recorded already ({others[0]}), by another "
            "observer or of another female", "date", visit.observed_on.isoformat(),
            hint="two phones at one visit? Leave the row out and add what it says beyond by `densite correct`; "
            "write yes under confirmed if it is a record of its own",
        )  # fmt: skip


def _inside(area: Any | Rectangle, longitude: float, latitude: float) -> bool:
    if isinstance(area, Rectangle):
        return area.west < longitude < area.east and area.south < latitude < area.north
    import shapely

    return bool(shapely.contains_xy(area, longitude, latitude))


def _outside(den: DenSite, row: ReadRow, area: Any | Rectangle | None, known: Known) -> Iterator[Problem]:
    if area is None or _inside(area, den.longitude, den.latitude):
        return
    import shapely

    area = shapely.box(*area) if isinstance(area, Rectangle) else area
    place = (den.longitude, den.latitude)
    nearest = shapely.get_coordinates(shapely.shortest_line(shapely.Point(place), area))[-1]
    away = places.distance_m(*place, *nearest)
    west, south, east, north = area.bounds
    size = places.distance_m(west, south, east, north)
    other = other_reading(row.raw.values, area)
    hint = f"it would lie inside {other.said}" if other else ""
    yield Problem(
        Level.CONFIRM if hint or away > size else Level.WARNING,
        f"lies {away / 1000:,.1f} km outside {known.area_name}", "position", hint=hint,
    )  # fmt: skip


class OtherReading(NamedTuple):
    """A usual slip that would explain a place outside the area: in words, and the columns without it."""

    said: str
    columns: dict[str, str]
    place: places.Place


def other_reading(values: Mapping[str, str], area: Any | Rectangle) -> OtherReading | None:
    """Try the usual slips on a place; find the one without which it lies in the study area.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.
    area : shapely geometry or Rectangle
        The study area in WGS 84. [deg]

    Returns
    -------
    OtherReading or None
        None where no usual slip explains the place.
    """
    datum = values.get("datum") or "WGS84"
    for said, columns in _readings(values):
        try:
            place = located(columns, datum)
        except PlaceError:
            continue
        if _inside(area, place.longitude, place.latitude):
            return OtherReading(said, columns, place)
    return None


def _readings(values: Mapping[str, str]) -> Iterator[tuple[str, dict[str, str]]]:
    zone = values.get("utm_zone", "")
    if values.get("easting") and zone[:-1].strip().isdigit():
        given = {name: values.get(name, "") for name in ("easting", "northing")}
        for step in (-1, 1, -2, 2):
            other = f"{int(zone[:-1]) + step}{zone[-1]}"
            yield f"with zone {other}: wrong zone?", given | {"utm_zone": other}
        north = f"{zone[:-1]}N"
        yield f"with zone {north}: is {zone[-1]} a latitude band?", given | {"utm_zone": north}
    lat, lon = _angles(values)
    if lat and lon:
        minus = "with the sign of the longitude turned: minus lost?"
        yield minus, {"latitude": lat, "longitude": _turned(lon)}
        yield "with latitude and longitude swapped", {"latitude": lon, "longitude": lat}
        yield f"with latitude and longitude swapped, and {minus[5:]}", {"latitude": lon, "longitude": _turned(lat)}
        yield "with the sign of the latitude turned", {"latitude": _turned(lat), "longitude": lon}


def _angles(values: Mapping[str, str]) -> tuple[str, str]:
    """Return latitude and longitude as written, in one cell or two; blank where they are not given so."""
    if not values.get("coordinates"):
        return values.get("latitude", ""), values.get("longitude", "")
    try:
        return places.split_pair(values["coordinates"])
    except PlaceError:
        return "", ""


def _turned(text: str) -> str:
    """Turn the sign of a coordinate, or its letter where it has one."""
    if re.search("[NSEW]", text, re.IGNORECASE):
        return text.upper().translate(str.maketrans("NSEW", "SNWE"))
    return text.lstrip("-") if text.startswith("-") else f"-{text}"
