"""Slips planted in the crew files, each in one row, as real files hold them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from pyproj import Transformer

Row = dict[str, str]


@dataclass(frozen=True)
class Slip:
    """One planted slip, as slips.csv lists it."""

    slip: str
    file: str
    line: int
    field: str
    what: str
    expected_level: str


@dataclass(frozen=True)
class Plan:
    """A slip to come: in which winter, of what kind, and how it changes the rows."""

    winter: int
    slip: str
    field: str
    what: str
    level: str
    change: Callable[[list[Row], int], int]


@lru_cache(maxsize=8)
def transformer(source: str, target: str) -> Transformer:
    """Longitude and latitude, or easting and northing, in and out."""
    return Transformer.from_crs(source, target, always_xy=True)


def lon_lat_in_nad27(row: Row) -> tuple[str, str]:
    """The row's point written in NAD27 degrees."""
    lon, lat = transformer("EPSG:4326", "EPSG:4267").transform(float(row["longitude"]), float(row["latitude"]))
    return f"{lat:.6f}", f"{lon:.6f}"


def put(**cells: str) -> Callable[[list[Row], int], int]:
    """A slip that overwrites cells of one row."""

    def change(rows: list[Row], i: int) -> int:
        rows[i].update(cells)
        return i

    return change


def swap_axes(rows: list[Row], i: int) -> int:
    """Latitude and longitude change places."""
    rows[i]["latitude"], rows[i]["longitude"] = rows[i]["longitude"], rows[i]["latitude"]
    return i


def decimal_comma(rows: list[Row], i: int) -> int:
    """A latitude typed with a comma."""
    rows[i]["latitude"] = rows[i]["latitude"].replace(".", ",")
    return i


def old_datum(rows: list[Row], i: int) -> int:
    """A NAD27 point that says so."""
    rows[i]["latitude"], rows[i]["longitude"] = lon_lat_in_nad27(rows[i])
    rows[i]["datum"] = "NAD27"
    return i


def hidden_old_datum(rows: list[Row], i: int) -> int:
    """A NAD27 point that claims to be WGS84; the row is a later visit to a known den."""
    rows[i]["latitude"], rows[i]["longitude"] = lon_lat_in_nad27(rows[i])
    return i


def impossible_day(rows: list[Row], i: int) -> int:
    """30 February."""
    rows[i]["date"] = rows[i]["date"][:4] + "-02-30"
    return i


def repeat_row(rows: list[Row], i: int) -> int:
    """The same row twice; the second is the slip."""
    rows.append(dict(rows[i]))
    return len(rows) - 1


def second_label(rows: list[Row], i: int) -> int:
    """Another crew logs the same den under a new label, a few metres away."""
    twin = dict(rows[i])
    twin["latitude"] = f"{float(twin['latitude']) + 0.000038:.6f}"
    twin["longitude"] = f"{float(twin['longitude']) - 0.000027:.6f}"
    last = max(int(row["den_label"][-2:]) for row in rows)
    twin |= {"den_label": f"{twin['den_label'][:-2]}{last + 1:02d}", "observer": "U.I.", "crew": "C"}
    twin["uncertainty_m"], twin["position_method"] = "8", "gps single"
    rows.append(twin)
    return len(rows) - 1


PLANS = (
    Plan(2018, "swapped latitude and longitude", "latitude", "latitude holds the longitude and the reverse",
         "error", swap_axes),
    Plan(2018, "comma decimal", "latitude", "the latitude has a comma for a decimal point", "error", decimal_comma),
    Plan(2019, "impossible date", "date", "30 February", "error", impossible_day),
    Plan(2020, "NAD27 declared", "datum", "a NAD27 point declared as NAD27: converted to WGS 84", "note", old_datum),
    Plan(2020, "NAD27 not declared", "datum",
         "a NAD27 point declared WGS84: off from the den's first record by the datum shift",
         "confirm", hidden_old_datum),
    Plan(2020, "percent in degrees, impossible", "slope_deg", "104 percent typed into degrees",
         "error", put(slope_deg="104")),
    Plan(2021, "empty datum", "datum", "the datum is empty", "error", put(datum="")),
    Plan(2021, "wrong UTM zone", "utm_zone", "zone 12N for 11N: about 490 km outside the boundary",
         "confirm", put(utm_zone="12N")),
    Plan(2022, "repeated row", "den_label", "an exact copy of an earlier row of the file", "note", repeat_row),
    Plan(2023, "percent in degrees, doubtful", "slope_deg", "72 percent typed into degrees",
         "warning", put(slope_deg="72")),
    Plan(2023, "duplicate den", "den_label", "another label a few metres from a den of the same winter",
         "confirm", second_label),
    Plan(2024, "unknown type word", "den_type", "'burrow' is no den type", "error", put(den_type="burrow")),
    Plan(2025, "empty type", "den_type", "the type is empty", "error", put(den_type="")),
    Plan(2026, "aspect without reference", "aspect_reference", "aspect 145 with an empty reference", "warning",
         put(aspect="145", aspect_reference="")),
)  # fmt: skip


def slip_row(plan: Plan, rows: list[Row], taken: set[str], lone: set[str], again: str) -> int:
    """The row a slip goes into: an ordinary GPS fix of a den visited once, not used by another slip."""
    if plan.change is hidden_old_datum:
        return next(i for i, row in enumerate(rows) if row["den_label"] == again)
    fit = [
        i for i, row in enumerate(rows) if row["den_label"] in lone - taken and row["position_method"] == "gps averaged"
    ]
    return fit[len(taken) % 3 + 1]


def write_slips(path: Path, slips: list[Slip]) -> None:
    """The list of planted slips."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["slip", "file", "line", "field", "what", "expected_level"])
        writer.writerows([[s.slip, s.file, s.line, s.field, s.what, s.expected_level] for s in slips])
