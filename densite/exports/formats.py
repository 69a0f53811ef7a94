"""An export: a private folder with the records in the formats that were asked for."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from densite.errors import RegisterError
from densite.exports.csvtables import write_csv
from densite.exports.geojson import write_geojson
from densite.exports.geoparquet import ready, write_geoparquet
from densite.exports.gpx import write_gpx
from densite.exports.kml import write_kml
from densite.register import Register
from densite.settings import Settings

FORMATS = {
    "csv": write_csv, "geojson": write_geojson, "geoparquet": write_geoparquet, "kml": write_kml, "gpx": write_gpx,
}  # fmt: skip


def export(register: Register, settings: Settings, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write one state of a register into a new folder that only its owner can enter.

    Parameters
    ----------
    register : Register
        Open register.
    settings : Settings
        The study's settings.
    folder : Path
        Folder to make; it may exist if it is empty.
    formats : sequence of str
        Names of ``FORMATS``.

    Returns
    -------
    list of Path
        The files, which hold exact den locations.

    Raises
    ------
    RegisterError
        The folder holds something, cannot be made, or a format cannot be written here.
    """
    if "geoparquet" in formats:
        ready()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RegisterError(f"{folder} is there already and not empty: nothing was written. Name a new folder")
    scratch = folder.with_name(f"{folder.name}.part")
    try:
        scratch.mkdir(mode=0o700)
    except FileExistsError:
        raise RegisterError(f"{scratch} is there: an export is at work, or was killed. Wait, or remove it") from None
    except OSError as error:
        said = error.strerror if folder.parent.is_dir() else f"{folder.parent} is no folder: make it first"
        raise RegisterError(f"{folder} cannot be made: {said}. Nothing was written") from None
    try:
        with register.reading() as connection:
            made = [path for name in dict.fromkeys(formats) for path in FORMATS[name](connection, settings, scratch)]
        scratch.replace(folder)
    except BaseException:  # half an export is worse than none
        shutil.rmtree(scratch, ignore_errors=True)
        raise
    return [folder / path.name for path in made]
