"""Files as crews bring them back, made for tests: workbooks, field files, layers, archives."""

from __future__ import annotations

import base64
import datetime as dt
import io
import json
import uuid
import warnings
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
from PIL import Image
from shapely.geometry import Point

STUDY = "7e570000-0000-4000-8000-000000000001"
HEADS = ["den_label", "date", "latitude", "longitude", "datum", "uncertainty_m", "den_type", "observer", "slope_deg"]
POINT = {"type": "Point", "coordinates": [-115.521230, 43.612340]}
DEN = {
    "den_label": "D-9", "date": "2026-02-24", "latitude": "43.612340", "longitude": "-115.521230", "datum": "WGS84",
    "uncertainty_m": "5", "den_type": "tree", "observer": "KR", "female": "OB-009", "aspect": "NNE",
    "aspect_reference": "true",
}  # fmt: skip
CUB = {"cub_no": "1", "sex": "female", "mass_g": "900"}


def workbook(path: Path, **sheets: Sequence[Sequence[Any]]) -> Path:
    """Write a workbook of sheets, each a list of rows."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(list(row))
    book.save(path)
    return path


def den_cells(number: int) -> list[Any]:
    """Cells of a den a kilometre from every other, typed as a spreadsheet keeps them."""
    return [f"D-{number}", dt.date(2026, 2, 24), 43 + number * 0.01, -115.52123, "WGS84", 5, "tree", "KR", 20.5]


def den_line(number: int) -> list[str]:
    """Cells of the same den as text."""
    return [f"D-{number}", "2026-02-24", f"{43 + number * 0.01:.6f}", "-115.521230", "WGS84", "5", "tree", "KR", "20.5"]


def table(numbers: Sequence[int], mark: str = ",") -> str:
    """Return a text table of dens."""
    return "".join(f"{mark.join(cells)}\n" for cells in (HEADS, *map(den_line, numbers)))


def entry_id(number: int) -> str:
    """Return the id of an entry."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"entry {number}"))


def entry(number: int, record: str, values: dict[str, str], *, place: Any = None, **more: Any) -> dict[str, Any]:
    """Return a feature of a field file."""
    ours = {"record": record, "begun_at": "2026-02-24T08:00:00-07:00", "changed_at": "2026-02-24T09:00:00-07:00"}
    return {"type": "Feature", "id": entry_id(number), "geometry": place, "properties": values | ours | more}


def withdrawn(feature: dict[str, Any], reason: str = "a slip") -> dict[str, Any]:
    """Return the same entry, withdrawn on the phone."""
    gone = {"withdrawn_on_phone": "yes", "withdrawn_reason": reason}
    return feature | {"properties": feature["properties"] | gone}


def field_file(path: Path, features: Sequence[Any], *, study: str = STUDY, version: int = 1) -> Path:
    """Write a field file."""
    head = {"field_file": version, "study": study, "device": entry_id(0), "language": "en", "written_at": "x"}
    text = json.dumps({"type": "FeatureCollection", "densite": head, "features": list(features)}, indent=1)
    path.write_text(text, encoding="utf-8")
    return path


def jpeg(colour: str = "red", *, exif: bool = False) -> bytes:
    """Return a small JPEG picture."""
    made, image = io.BytesIO(), Image.new("RGB", (40, 30), colour)
    told = image.getexif()
    if exif:
        told[271] = "camera"
        image.save(made, "JPEG", exif=told)
    else:
        image.save(made, "JPEG")
    return made.getvalue()


def photograph(data: bytes, name: str = "a.jpg") -> dict[str, str]:
    """Return a photograph as a field file holds it."""
    return {"name": name, "type": "image/jpeg", "data": base64.b64encode(data).decode()}


def layer(path: Path, numbers: Sequence[int], *, crs: Any = "EPSG:4326", name: str = "dens", **more: Any) -> Path:
    """Write dens as a layer of a GeoPackage or a shapefile."""
    points = gpd.GeoSeries([Point(-115.52123, 43 + n * 0.01) for n in numbers], crs=4326)
    points = points.to_crs(crs) if crs else points.set_crs(None, allow_override=True)
    columns = {"den": [f"D-{n}" for n in numbers], "date": "2026-02-24", "type": "tree", "accuracy_m": 5.0} | more
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        gpd.GeoDataFrame(columns, geometry=points).to_file(path, **({"layer": name} if path.suffix == ".gpkg" else {}))
    return path


def archive(path: Path, members: dict[str, bytes | str | Path]) -> Path:
    """Write a zip archive."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name, content.read_bytes() if isinstance(content, Path) else content)
    return path


def placemark(number: int, *, description: str = "", data: str = "") -> str:
    """Return a KML placemark of a den."""
    return (
        f"<Placemark><name>D-{number}</name><description>{description}</description><ExtendedData>{data}"
        "</ExtendedData><TimeStamp><when>2026-02-24</when></TimeStamp><Point><coordinates>"
        f"-115.521230,{43 + number * 0.01:.6f},1800</coordinates></Point></Placemark>"
    )


def kml(*placemarks: str) -> str:
    """Return a KML document."""
    inner = "\n".join(placemarks)
    return f'<?xml version="1.0"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>\n{inner}\n</Document></kml>'
