"""Crew files of nine winters, each in its own style, with planted slips."""

from __future__ import annotations

import csv
import datetime as dt
import json
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import pygeomag
from dens import Den, Visit
from slips import PLANS, Row, Slip, slip_row, transformer

STUDY = "Ondra Basin bear study"
NOISE = {"aspect_sd_deg": 12.0, "slope_sd_deg": 3.0, "canopy_sd_percent": 8.0}
MAGNETIC_WINTERS = (2023, 2025)
MAGNETIC_NOTE = "every bearing of the file is magnetic, and says so"
OCTANT_WINTERS = (2018, 2020, 2026)
OCTANT_WORDS = ("N", "north-east", "E", "south-east", "S", "south-west", "W", "NW")
SIXTEENTHS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
OBSERVERS = ("Q.V.", "X.O.", "Y.Z.", "U.I.", "J.Q.", "Z.E.")
METHODS = {"gps averaged": (3, 5), "gps single": (6, 12), "map": (50, 80), "estimate": (100, 180)}
COVER_WORDS = {
    41: "aspen; maple", 42: "pine; fir", 43: "fir; aspen", 52: "sagebrush; snowberry", 71: "bunchgrass",
    90: "willow; cottonwood", 31: "bare rock", 21: "planted pine; lawn", 22: "garden shrubs; spruce",
    23: "garden shrubs",
}  # fmt: skip
SUBTYPES = {
    "tree": ("hollow trunk", "base of trunk", "root ball"),
    "ground bed": ("open bed", "dug bed"),
    "rock ledge": ("overhang", "boulder gap"),
    "brush": ("thicket", "log pile"),
}
PROTECTION = {
    "tree": "dry inside, closed to wind", "ground bed": "open to rain", "rock ledge": "roofed, drifts in front",
    "brush": "partly roofed by stems",
}  # fmt: skip
PLACE = {
    "degrees": ("latitude", "longitude", "datum"),
    "sexagesimal": ("latitude", "longitude", "datum"),
    "utm": ("easting", "northing", "utm_zone", "datum"),
    "mgrs": ("mgrs", "datum"),
    "epsg": ("x", "y", "epsg"),
    "geojson": (),
    "gpx": (),
}
STYLES = {
    2018: "degrees", 2019: "sexagesimal", 2020: "degrees", 2021: "utm", 2022: "mgrs",
    2023: "degrees", 2024: "geojson", 2025: "gpx", 2026: "epsg",
}  # fmt: skip
HEAD = ("den_label", "study", "date", "observer", "crew", "female", "purpose")
TAIL = (
    "uncertainty_m", "position_method", "den_type", "den_subtype", "aspect", "aspect_reference", "slope_deg",
    "canopy_pct", "concealment_pct", "cover_species", "cover_notes", "entrance_height_cm", "entrance_width_cm",
    "depth_cm", "tree_species", "tree_diameter_cm", "entrance_above_ground_m", "protection_notes", "morning_sun",
    "first_found", "notes",
)  # fmt: skip
# Headings that two crews use instead of the canonical ones; mapping.toml says the same.
OTHER_HEADINGS = {
    2019: {
        "den_label": "Den No", "date": "Day", "observer": "Obs", "female": "Bear", "purpose": "Why", "latitude": "Lat",
        "longitude": "Long", "datum": "Map datum", "uncertainty_m": "Error (m)", "den_type": "Kind of den",
        "aspect": "Facing", "aspect_reference": "Facing from", "slope_pct": "Slope (%)", "canopy_pct": "Canopy (%)",
    },
    2022: {
        "den_label": "Site", "date": "Visited", "observer": "Written by", "female": "Animal", "mgrs": "Grid ref",
        "datum": "Grid datum", "uncertainty_m": "Fix +/- m", "den_type": "Type of den", "aspect": "Entrance faces",
        "aspect_reference": "Bearing kind", "slope_deg": "Slope (deg)", "canopy_pct": "Cover overhead (%)",
        "notes": "Remarks",
    },
}  # fmt: skip


def declination(lat: float, lon: float, day: dt.date) -> float:
    """Declination [deg, east positive] by the World Magnetic Model in force on the day."""
    year = day.year + (day.timetuple().tm_yday - 1) / 365
    model = "wmm/WMM_2025.COF" if year >= 2025 else "wmm/WMM_2020.COF" if year >= 2020 else "wmm/WMM_2015v2.COF"
    return float(pygeomag.GeoMag(coefficients_file=model).calculate(glat=lat, glon=lon, alt=1.2, time=year).d)


def mgrs_text(easting: float, northing: float) -> str:
    """MGRS to the metre in zone 11, band T: the corner of the metre square, so cut and not rounded."""
    column = "JKLMNPQR"[int(easting // 100_000) - 1]
    row = "ABCDEFGHJKLMNPQRSTUV"[int(northing // 100_000) % 20]
    return f"11T{column}{row}{int(easting % 100_000):05d}{int(northing % 100_000):05d}"


def sexagesimal(value: float, letters: str) -> str:
    """Degrees, minutes and seconds with a hemisphere letter."""
    seconds = round(abs(value) * 36_000) / 10
    minutes, rest = divmod(seconds, 60)
    degrees, minutes = divmod(int(minutes), 60)
    return f"{degrees}°{minutes:02d}'{rest:04.1f}\"{letters[value < 0]}"


def place_cells(easting: float, northing: float) -> Row:
    """The point in every notation; each file keeps its own."""
    lon, lat = transformer("EPSG:32611", "EPSG:4326").transform(easting, northing)
    return {
        "latitude": f"{lat:.6f}", "longitude": f"{lon:.6f}", "datum": "WGS84",
        "easting": f"{easting:.0f}", "northing": f"{northing:.0f}", "utm_zone": "11N",
        "mgrs": mgrs_text(easting, northing), "x": f"{easting:.1f}", "y": f"{northing:.1f}", "epsg": "32611",
    }  # fmt: skip


def facing(true_aspect: float, visit: Visit, lat: float, lon: float, rng: np.random.Generator) -> Row:
    """Observed aspect in the winter's own way: degrees true or magnetic, or a word."""
    seen = true_aspect + rng.normal(0, NOISE["aspect_sd_deg"])
    if visit.winter in MAGNETIC_WINTERS:
        bearing = round(seen - declination(lat, lon, visit.day)) % 360
        return {"aspect": str(bearing), "aspect_reference": "magnetic"}
    if visit.winter in OCTANT_WINTERS and rng.random() < 0.3:
        words = OCTANT_WORDS if rng.random() < 0.5 else SIXTEENTHS
        return {"aspect": words[round(seen % 360 / (360 / len(words))) % len(words)], "aspect_reference": "true"}
    return {"aspect": str(round(seen) % 360), "aspect_reference": "true"}


def opening(den: Den, kind: str, rng: np.random.Generator) -> Row:
    """Entrance, tree and cover words: plausible, with no truth behind them."""
    wide, deep = {"tree": (45, 110), "ground bed": (110, 40), "rock ledge": (90, 160), "brush": (80, 100)}[den.kind]
    row = {
        "entrance_height_cm": f"{wide * rng.uniform(0.6, 1.2):.0f}",
        "entrance_width_cm": f"{wide * rng.uniform(0.7, 1.4):.0f}",
        "depth_cm": f"{deep * rng.uniform(0.6, 1.5):.0f}", "concealment_pct": f"{rng.integers(4, 20) * 5}",
        "cover_species": COVER_WORDS.get(den.cover, ""), "protection_notes": PROTECTION[den.kind],
    }  # fmt: skip
    if kind == "unknown":
        return row | {"den_subtype": "", "protection_notes": ""}
    subtype = str(rng.choice(SUBTYPES[kind]))
    row["den_subtype"] = subtype
    if kind == "tree":
        high = rng.uniform(2, 12) if subtype == "hollow trunk" else 0.0
        row |= {
            "tree_species": str(rng.choice(["pine", "fir", "cottonwood"])),
            "tree_diameter_cm": f"{rng.uniform(55, 140):.0f}",
            "entrance_above_ground_m": f"{high:.1f}",
        }  # fmt: skip
    return row


def make_row(visit: Visit, kind: str, rng: np.random.Generator) -> Row:
    """What the crew writes down: the truth with documented noise."""
    den, march = visit.den, visit.day.month == 3
    method = str(rng.choice(list(METHODS), p=[0.5, 0.38, 0.09, 0.03]))
    unsure = float(rng.uniform(*METHODS[method]))
    # The stated uncertainty is a 95 % radius: 2.448 standard deviations per axis.
    easting, northing = np.array([den.easting, den.northing]) + rng.normal(0, unsure / 2.448, 2)
    row = dict.fromkeys((*HEAD, *TAIL), "") | place_cells(float(easting), float(northing))
    slope = abs(den.slope + rng.normal(0, NOISE["slope_sd_deg"]))
    row |= facing(den.aspect, visit, float(row["latitude"]), float(row["longitude"]), rng)
    row |= opening(den, kind, rng)
    return row | {
        "den_label": den.label, "study": STUDY, "date": visit.day.isoformat(), "observer": str(rng.choice(OBSERVERS)),
        "crew": str(rng.choice(["A", "B", "C"])), "female": den.female,
        "purpose": "cub visit" if march else str(rng.choice(["den check", "site description"], p=[0.7, 0.3])),
        "uncertainty_m": f"{unsure:.0f}", "position_method": method, "den_type": kind,
        "slope_deg": f"{slope:.0f}", "slope_pct": f"{100 * np.tan(np.radians(slope)):.0f}",
        "canopy_pct": f"{np.clip(den.canopy + rng.normal(0, NOISE['canopy_sd_percent']), 0, 100):.0f}",
        "morning_sun": str(rng.choice(["yes", "no", "not recorded"], p=[0.4, 0.4, 0.2])),
        "first_found": (visit.day - dt.timedelta(days=int(rng.integers(0, 12)))).isoformat() if visit.first else "",
        "notes": "same den as before" if not visit.first else "",
    }  # fmt: skip


def columns(winter: int) -> list[str]:
    """The canonical columns that a winter's file has."""
    if winter in OTHER_HEADINGS:
        return list(OTHER_HEADINGS[winter])
    return [*HEAD, *PLACE[STYLES[winter]], *TAIL]


def write_csv(path: Path, rows: list[Row], winter: int) -> list[int]:
    """Write a CSV; returns the line of each row."""
    names = columns(winter)
    heading = OTHER_HEADINGS.get(winter, {})
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([heading.get(name, name) for name in names])
        writer.writerows([[row[name] for name in names] for row in rows])
    return [i + 2 for i in range(len(rows))]


NUMBERS = ("uncertainty_m", "aspect", "slope_deg", "canopy_pct", "concealment_pct", "entrance_height_cm",
           "entrance_width_cm", "depth_cm", "tree_diameter_cm", "entrance_above_ground_m")  # fmt: skip


def write_geojson(path: Path, rows: list[Row], winter: int) -> list[int]:
    """Write RFC 7946 points, one feature a line; returns the line of each feature."""
    lines = []
    for row in rows:
        about = {
            name: json.loads(row[name]) if name in NUMBERS and row[name] else row[name] or None
            for name in columns(winter)
        }
        point = {"type": "Point", "coordinates": [float(row["longitude"]), float(row["latitude"])]}
        lines.append(json.dumps({"type": "Feature", "geometry": point, "properties": about}))
    body = ",\n".join(lines)
    path.write_text(f'{{"type": "FeatureCollection", "features": [\n{body}\n]}}\n', encoding="utf-8")
    return [i + 2 for i in range(len(rows))]


def write_gpx(path: Path, rows: list[Row], winter: int) -> list[int]:
    """Write GPX 1.1 waypoints; returns the line of each <wpt> tag."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="layers_demo" xmlns="http://www.topografix.com/GPX/1/1">',
    ]
    places = []
    for i, row in enumerate(rows):
        kept = [n for n in columns(winter) if n not in ("den_label", "date") and (row[n] or n == "den_type")]
        words = "; ".join(f"{name}: {row[name].replace('; ', ', ')}" for name in kept)
        places.append(len(lines) + 1)
        lines += [
            f'  <wpt lat="{row["latitude"]}" lon="{row["longitude"]}">',
            f"    <time>{row['date']}T{17 + i % 6}:{i * 7 % 60:02d}:00Z</time>",
            f"    <name>{escape(row['den_label'])}</name>",
            f"    <desc>{escape(words)}</desc>",
            "  </wpt>",
        ]
    path.write_text("\n".join([*lines, "</gpx>"]) + "\n", encoding="utf-8")
    return places


def late_visit(visits: list[Visit]) -> Visit:
    """A den of 2019 with one visit so far, seen again in winter 2020 (for the undeclared NAD27 point)."""
    counts = {v.den.label: sum(w.den.label == v.den.label for w in visits) for v in visits}
    found = [v for v in visits if v.winter == 2019 and v.first and counts[v.den.label] == 1]
    busy = {v.den.female for v in visits if v.winter == 2020}
    old = next(v for v in found[8:] if v.den.female not in busy)
    return Visit(old.den, 2020, dt.date(2020, 2, 14), False)


def precise(row: Row, den: Den) -> None:
    """Both records of the NAD27 den come from averaged fixes, so that only the datum tells them apart."""
    row.update(place_cells(round(den.easting, 1), round(den.northing, 1)))
    row.update({"position_method": "gps averaged", "uncertainty_m": "4"})


def write_crew_files(folder: Path, visits: list[Visit], unknown: set[str], rng: np.random.Generator) -> list[Slip]:
    """All nine files; returns the slips with their lines."""
    again = late_visit(visits)
    visits = [*visits, again]
    labels = [v.den.label for v in visits]
    lone, taken, slips = {label for label in labels if labels.count(label) == 1}, set[str](), []
    writers = {"geojson": write_geojson, "gpx": write_gpx}
    for winter, style in STYLES.items():
        rows = []
        for visit in sorted((v for v in visits if v.winter == winter), key=lambda v: v.day):
            rows.append(make_row(visit, "unknown" if visit.den.label in unknown else visit.den.kind, rng))
            if visit.den.label == again.den.label:
                precise(rows[-1], visit.den)
        if style == "sexagesimal":
            rows = [row | as_sexagesimal(row) for row in rows]
        hits = []
        for plan in (p for p in PLANS if p.winter == winter):
            index = slip_row(plan, rows, taken, lone, again.den.label)
            taken.add(rows[index]["den_label"])
            hits.append((plan, plan.change(rows, index)))
        path = folder / f"winter-{winter}.{style if style in writers else 'csv'}"
        lines = writers.get(style, write_csv)(path, rows, winter)
        slips += [Slip(p.slip, path.name, lines[i], p.field, p.what, p.level) for p, i in hits]
        if winter in MAGNETIC_WINTERS:
            slips.append(Slip("magnetic bearings", path.name, 1, "aspect_reference", MAGNETIC_NOTE, "note"))
    return slips


def as_sexagesimal(row: Row) -> Row:
    """The row's degrees as degrees, minutes and seconds."""
    return {
        "latitude": sexagesimal(float(row["latitude"]), "NS"), "longitude": sexagesimal(float(row["longitude"]), "EW"),
    }  # fmt: skip


def write_mapping(path: Path) -> None:
    """The headings of the two crews, as study.toml wants them."""
    pairs = [f'"{theirs}" = "{ours}"' for names in OTHER_HEADINGS.values() for ours, theirs in names.items()]
    path.write_text("[columns]\n" + "\n".join(pairs) + "\n", encoding="utf-8")
