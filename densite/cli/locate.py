"""The command that finds where a signal comes from."""

from __future__ import annotations

import csv
import datetime as dt
import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from densite.cli import shared
from densite.errors import Level, PlaceError, Problem

if TYPE_CHECKING:
    from densite.intake.stations import Bearing
    from densite.triangulation import Estimate

ESTIMATORS = ("maximum likelihood", "huber", "andrews")  # as in triangulation, which brings scipy


@click.command(short_help="Find a den from bearings to its signal.")
@click.argument("file", metavar="BEARINGS.csv", type=click.Path(path_type=Path))
@click.option("--estimator", type=click.Choice(ESTIMATORS), default=ESTIMATORS[0], show_default=True,
              help="The last two give outlying bearings less weight.")  # fmt: skip
@click.option("--confidence", type=click.FloatRange(0, 1, min_open=True, max_open=True), default=0.95,
              show_default=True, help="Of the error ellipse.")  # fmt: skip
@click.option("--den-label", default="", help="Label of the den in the row to hand in.")
@click.option("--female", default="", help="Female whose signal it is, in the row to hand in.")
@click.option("--format", "form", type=click.Choice(["text", "csv", "geojson"]), default="text", show_default=True,
              help="csv and geojson: only the row to hand in.")  # fmt: skip
@shared.json_option
@shared.study_option
def locate(
    file: Path, estimator: str, confidence: float, den_label: str, female: str, form: str, as_json: bool, folder: Path
) -> None:
    """For the crew: estimate where a collar's signal comes from, with its error ellipse.

    \b
    Example:  densite locate bearings.csv
              densite locate bearings.csv --den-label D-2026-31 --format csv > located.csv

    One row a bearing: station, its place in any spelling of crew files (latitude, longitude, datum ...),
    bearing, reference (true or magnetic), date, time, and sd_deg, the standard deviation of such bearings
    by your own trials, if it is known. Three bearings are needed for an ellipse. After Lenth 1981.

    The row's uncertainty_m is the ellipse's longer half axis. Nothing is recorded until that row is handed
    in. Exit code 1: rows that cannot be read are listed and nothing is estimated.
    """
    from densite.triangulation import locate as located

    bearings = _read(file, folder)
    found = located([b.sighting for b in bearings], estimator=estimator, confidence=confidence)
    row = _row(found, bearings, den_label, female)
    for caution in (*found.cautions, *_about_time(bearings)):
        click.echo(f"caution: {caution}", err=True)
    if as_json:
        click.echo(json.dumps(_as_json(found, bearings, row), indent=2, ensure_ascii=False))
    elif form == "text":
        click.echo(_words(found, bearings, row))
    else:
        _hand_over(found, row, form)


def _read(file: Path, folder: Path) -> list[Bearing]:
    """Read the bearings by the study's settings, where there is a study; stop at rows that cannot be read."""
    from zoneinfo import ZoneInfo

    from densite import settings
    from densite.intake.stations import read_bearings

    study = settings.load(folder) if (folder / "study.toml").is_file() else None
    zone = ZoneInfo(study.study.time_zone) if study else None
    bearings, problems = read_bearings(file, intake=study.intake if study else None, zone=zone)
    shared.tell(problems)
    if any(p.level is Level.ERROR for p in problems):
        sys.exit(1)
    if not bearings:
        shared.tell([Problem(Level.ERROR, "no bearing in it", file=file.name)])
        sys.exit(1)
    return bearings


def _about_time(bearings: list[Bearing]) -> list[str]:
    days = {b.day for b in bearings if b.day}
    if len(days) > 1:
        return [f"bearings of {len(days)} days: the place holds only if the animal kept still between them"]
    times = [b.at for b in bearings if b.at]
    span = (max(times) - min(times)) // dt.timedelta(minutes=1) if times else 0
    return [f"taken over {span} min: the place holds only if the animal kept still"] if span else []


def _row(found: Estimate, bearings: list[Bearing], den_label: str, female: str) -> dict[str, str] | None:
    """Return the row to hand in; None where nothing tells how far off the place is."""
    if found.ellipse is None:
        return None
    days = [b.day for b in bearings if b.day]
    return {
        "den_label": den_label, "date": max(days).isoformat() if days else "", "female": female,
        "latitude": f"{found.latitude:.6f}", "longitude": f"{found.longitude:.6f}", "datum": "WGS84",
        "uncertainty_m": str(math.ceil(found.ellipse.semi_major_m)), "position_method": "estimate",
        "den_type": "unknown", "notes": f"not reached; {_how(found)}",
    }  # fmt: skip


def _how(found: Estimate) -> str:
    """Say in one line how the place was found; without a place, so that notes give none away."""
    ellipse = found.ellipse
    told = f"from {len(found.weights)} bearings by {found.estimator} (Lenth 1981)"
    if ellipse is None or found.sd_deg is None:
        return "the crossing of two bearings, without error"
    whose = "as given" if found.sd_known else "from their spread"
    return (
        f"{told}, bearing error {found.sd_deg:.1f} deg {whose}; {100 * ellipse.confidence:g} % ellipse with half axes "
        f"{ellipse.semi_major_m:.0f} m and {ellipse.semi_minor_m:.0f} m, the longer at {ellipse.bearing_deg:.0f} deg"
    )


def _words(found: Estimate, bearings: list[Bearing], row: dict[str, str] | None) -> str:
    lines = [f"{found.latitude:.6f}, {found.longitude:.6f} (WGS 84, latitude first)", _how(found)]
    if found.ellipse:
        lines.append(f"area of the ellipse: {found.ellipse.hectares:.1f} ha")
    lines += [f"widest angle at which two bearings cross: {found.crossing_deg:.0f} deg", "", "Bearings:"]
    for i, bearing in enumerate(bearings):
        name = bearing.sighting.station or f"bearing {i + 1}"
        lines.append(
            f"  {name}: {bearing.said}; {found.residuals_deg[i]:+.1f} deg off, {found.distances_m[i]:.0f} m away"
        )
    lines += ["", "To hand in:"]
    lines += (
        [f"  {name}: {value}" for name, value in row.items() if value] if row else ["  no row: its error is unknown"]
    )
    return "\n".join(lines)


def _as_json(found: Estimate, bearings: list[Bearing], row: dict[str, str] | None) -> dict[str, Any]:
    from dataclasses import asdict

    told = [
        {
            "station": bearing.sighting.station, "bearing_true_deg": round(bearing.sighting.bearing_deg, 2),
            "said": bearing.said, "residual_deg": found.residuals_deg[i], "weight": found.weights[i],
            "distance_m": found.distances_m[i],
        }
        for i, bearing in enumerate(bearings)
    ]  # fmt: skip
    left = ("weights", "residuals_deg", "distances_m", "cautions")
    estimate = {name: value for name, value in asdict(found).items() if name not in left}
    cautions = [*found.cautions, *_about_time(bearings)]
    return estimate | {"outline": _outline(found), "bearings": told, "cautions": cautions, "row": row}


def _outline(found: Estimate) -> dict[str, Any] | None:
    """Return the ellipse as a GeoJSON polygon."""
    from densite.triangulation import outline

    if found.ellipse is None:
        return None
    ring = outline((found.longitude, found.latitude), found.ellipse)
    return {"type": "Polygon", "coordinates": [[[round(lon, 7), round(lat, 7)] for lon, lat in ring]]}


def _hand_over(found: Estimate, row: dict[str, str] | None, form: str) -> None:
    """Write the row as a crew file that intake reads."""
    if row is None:
        raise PlaceError("two bearings give a place without error, which is no row to hand in: take a third bearing")
    if form == "csv":
        from densite.intake.rejects import guarded

        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerows([list(row), [guarded(value) for value in row.values()]])
        return
    properties = {name: value for name, value in row.items() if name not in ("latitude", "longitude", "datum")}
    point = {"type": "Point", "coordinates": [round(found.longitude, 6), round(found.latitude, 6)]}
    feature = {"type": "Feature", "geometry": point, "properties": properties}
    collection = {"type": "FeatureCollection", "features": [feature], "error_ellipse": _outline(found)}
    click.echo(json.dumps(collection, indent=2, ensure_ascii=False))


COMMANDS = (locate,)
