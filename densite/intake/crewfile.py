"""A crew file of any kind we know, read by the reader for its kind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from densite.errors import IntakeError
from densite.intake.csvfile import read_csv
from densite.intake.geojson import read_geojson
from densite.intake.gpx import read_gpx
from densite.intake.rawrow import RawRow
from densite.settings import IntakeSettings

KINDS = {
    ".csv": "CSV", ".tsv": "CSV", ".txt": "CSV", ".geojson": "GeoJSON", ".json": "GeoJSON", ".gpx": "GPX",
}  # fmt: skip


def read_crew_file(path: Path, settings: IntakeSettings) -> Iterator[RawRow]:
    """Read a crew file by the reader that its name's ending asks for.

    Parameters
    ----------
    path : Path
        A .csv, .tsv, .txt, .geojson, .json or .gpx file.
    settings : IntakeSettings
        Mapping and encoding from study.toml.

    Returns
    -------
    iterator of RawRow

    Raises
    ------
    IntakeError
        The file is missing, of an unknown kind, or cannot be read.
    """
    kind = KINDS.get(path.suffix.lower())
    if kind is None:
        raise IntakeError(f"{path.name}: kind not known; allowed endings: {', '.join(KINDS)}")
    if not path.is_file():
        raise IntakeError(f"{path}: no such file")
    if kind == "GeoJSON":
        return read_geojson(path, mapping=settings.columns)
    if kind == "GPX":
        return read_gpx(path, mapping=settings.columns)
    return read_csv(path, mapping=settings.columns, encoding=settings.encoding)
