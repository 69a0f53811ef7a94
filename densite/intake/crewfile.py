"""A crew file that holds one table, read by the reader for its kind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from densite.animalterms import Kind
from densite.errors import IntakeError
from densite.intake.csvfile import read_csv
from densite.intake.geojson import read_geojson
from densite.intake.gpx import read_gpx
from densite.intake.kml import read_kml
from densite.intake.photograph import SUFFIXES, offered_again, read_photographs
from densite.intake.rawrow import RawRow, whole
from densite.settings import IntakeSettings
from densite.terms import RECORDED_TERMS

KINDS = {
    ".csv": "CSV", ".tsv": "CSV", ".txt": "CSV", ".geojson": "GeoJSON", ".json": "GeoJSON", ".gpx": "GPX",
    ".kml": "KML", **dict.fromkeys(SUFFIXES, "photograph"),
}  # fmt: skip
_OF_POINTS = {"GeoJSON": read_geojson, "GPX": read_gpx, "KML": read_kml}


def read_crew_file(path: Path, settings: IntakeSettings, *, kind: Kind | None = None) -> Iterator[RawRow]:
    """Read a crew file by the reader that its name's ending asks for.

    Parameters
    ----------
    path : Path
        A text table, GeoJSON, GPX or KML file, or a photograph.
    settings : IntakeSettings
        Mapping and encoding from study.toml.
    kind : Kind, optional
        The kind of record that a text table holds; den visits by default, which the others always hold.

    Returns
    -------
    iterator of RawRow

    Raises
    ------
    IntakeError
        The file is missing, of an unknown kind, or cannot be read.
    """
    name, form = whole(path.name), KINDS.get(path.suffix.lower())
    if form is None:
        raise IntakeError(f"{name}: kind not known; allowed endings: {', '.join(KINDS)}")
    if not path.is_file():
        raise IntakeError(f"{path}: no such file")
    if form == "CSV":
        terms = kind.terms if kind else RECORDED_TERMS
        rows = read_csv(path, mapping=settings.columns, encoding=settings.encoding, terms=terms)
        return map(offered_again, rows)
    if kind is not None:
        raise IntakeError(f"{name}: {form} files hold den visits, not {kind.heading.lower()}: hand in a table")
    if form == "photograph":
        return read_photographs([path], settings)
    return _OF_POINTS[form](path, mapping=settings.columns)
