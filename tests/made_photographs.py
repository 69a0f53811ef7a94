"""Photographs with known EXIF, made by Pillow."""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import Any

from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

G = ExifTags.GPS
B = ExifTags.Base


def dms(degrees: int, minutes: int, hundredths: int) -> tuple[IFDRational, ...]:
    """Write an angle as cameras do: seconds in hundredths."""
    return IFDRational(degrees, 1), IFDRational(minutes, 1), IFDRational(hundredths, 100)


GPS: dict[int, Any] = {
    G.GPSVersionID: b"\2\3\0\0",
    G.GPSLatitudeRef: "N",
    G.GPSLatitude: dms(43, 30, 4442),
    G.GPSLongitudeRef: "W",
    G.GPSLongitude: dms(115, 31, 1643),
    G.GPSMapDatum: "WGS-84",
    G.GPSDateStamp: "2026:02:24",
    G.GPSTimeStamp: (IFDRational(18, 1), IFDRational(30, 1), IFDRational(2, 1)),
    G.GPSHPositioningError: IFDRational(48, 10),
    G.GPSImgDirectionRef: "M",
    G.GPSImgDirection: IFDRational(11234, 100),
    G.GPSProcessingMethod: b"ASCII\0\0\0GPS",
}
CAMERA: dict[int, Any] = {B.DateTimeOriginal: "2026:02:24 11:30:05", B.OffsetTimeOriginal: "-07:00"}


def photograph(
    path: Path, *, gps: dict[int, Any] | None = None, camera: dict[int, Any] | None = None, turned: int = 1
) -> Path:
    """Make a picture, red on top, with the usual EXIF changed as told; a tag that is None is left out."""
    exif = Image.Exif()
    exif[B.Orientation] = turned
    exif.get_ifd(ExifTags.IFD.GPSInfo).update(_kept(GPS | (gps or {})))
    exif.get_ifd(ExifTags.IFD.Exif).update(_kept(CAMERA | (camera or {})))
    image = Image.new("RGB", (64, 32), "green")
    image.paste("red", (0, 0, 64, 16))
    image.save(path, exif=exif, **({"comment": b"secret"} if path.suffix == ".jpg" else {}))
    return path


def _kept(tags: dict[int, Any]) -> dict[int, Any]:
    return {tag: value for tag, value in tags.items() if value is not None}


def bomb(path: Path, side: int) -> Path:
    """Make a small PNG whose header, with a right checksum, claims a square of so many pixels a side."""
    data = bytearray(photograph(path).read_bytes())
    data[16:24] = side.to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    path.write_bytes(data)
    return path
