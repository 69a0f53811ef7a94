"""What a photograph says of itself: its EXIF, read from the header without decoding the picture."""

from __future__ import annotations

import math
import struct
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PIL import ExifTags

from densite.errors import IntakeError

if TYPE_CHECKING:
    from PIL import Image

Camera = ExifTags.Base
Gps = ExifTags.GPS

FORMATS = ("JPEG", "TIFF", "PNG")
LARGEST_BYTES = 2**28  # a file larger than this is no photograph of a field camera; our choice
LONGEST_TEXT = 80
# A damaged header lets Pillow raise nearly anything; all of it means the same to a person.
BROKEN = (
    OSError, ValueError, TypeError, LookupError, AttributeError, SyntaxError, ArithmeticError, EOFError, RuntimeError,
    AssertionError, struct.error,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Exif:
    """The parts of a photograph's EXIF, by the tag numbers of CIPA DC-008: of the camera and of its GPS."""

    camera: Mapping[int, Any] = field(default_factory=dict)
    gps: Mapping[int, Any] = field(default_factory=dict)


def read_exif(path: Path) -> Exif:
    """Read the EXIF of a picture; its pixels are not decoded, however many it claims to have.

    Parameters
    ----------
    path : Path
        A JPEG, TIFF or PNG file.

    Returns
    -------
    Exif
        With empty parts where the picture has none.

    Raises
    ------
    IntakeError
        The file is empty, too large, of another format, or damaged. The message starts with its name and a colon.

    Notes
    -----
    Source: CIPA DC-008-2024 (Exif 3.0), sections 4.6.3 to 4.6.8.
    """
    from PIL import Image, UnidentifiedImageError  # where no picture is handed in, nobody waits for it

    size = path.stat().st_size
    if not 0 < size <= LARGEST_BYTES:
        large = f"the file has {size >> 20} MB: more than {LARGEST_BYTES >> 20} MB are no photograph"
        raise IntakeError(f"{path.name}: {large if size else 'the file is empty'}")
    try:
        with warnings.catch_warnings(action="ignore"), Image.open(path, formats=FORMATS) as image:
            return _parts(image)
    except UnidentifiedImageError:
        raise IntakeError(f"{path.name}: no JPEG, TIFF or PNG picture, or a damaged one") from None
    except (*BROKEN, Image.DecompressionBombError) as error:
        raise IntakeError(f"{path.name}: the picture is damaged, its header cannot be read ({error})"[:300]) from None


def _parts(image: Image.Image) -> Exif:
    from PIL import Image

    # PngImageFile.getexif would decode the whole picture first; that of the base class only reads the header
    found = Image.Image.getexif(image)
    return Exif(dict(found.get_ifd(ExifTags.IFD.Exif)), dict(found.get_ifd(ExifTags.IFD.GPSInfo)))


def text_of(value: Any) -> str:
    """Return a tag's text without its padding, its code prefix and characters that nobody sees.

    Parameters
    ----------
    value : object
        Text, or bytes as EXIF keeps text of type UNDEFINED: with eight bytes that name the code first.

    Returns
    -------
    str
        At most 80 characters; blank where there is no text.
    """
    if isinstance(value, bytes):
        value = (value[8:] if value[:8] == b"ASCII\0\0\0" else value).decode("ascii", "replace")
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value.split("\0")[0] if c.isprintable()).strip()[:LONGEST_TEXT]


def number_of(value: Any) -> float | None:
    """Return a tag's number; None where there is none, as in a fraction over nought.

    Parameters
    ----------
    value : object
        A fraction as Pillow reads it, or a number.

    Returns
    -------
    float or None
        Finite.
    """
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) else None


def angle_of(value: Any, letter: str) -> str:
    """Write a latitude or longitude as the picture has it, as finely as it has it.

    Parameters
    ----------
    value : object
        Three fractions: degrees, minutes, seconds; decimals may stand in any one of them.
    letter : str
        N, S, E or W.

    Returns
    -------
    str
        ``43 30 44.42 N``, ``43 30.7403 N`` or ``43.512339 N``.

    Raises
    ------
    ValueError
        There are no three numbers, or one is negative.
    """
    parts = tuple(value) if isinstance(value, tuple) else ()
    numbers = [number for number in map(number_of, parts) if number is not None]
    if len(parts) != 3 or len(numbers) != 3 or min(numbers) < 0:
        raise ValueError("is no angle of three numbers")
    degrees, minutes, seconds = numbers
    if degrees.is_integer() and minutes.is_integer():
        return f"{degrees:.0f} {minutes:.0f} {_decimal(parts[2])} {letter}"
    if degrees.is_integer() and seconds == 0:
        return f"{degrees:.0f} {_decimal(parts[1])} {letter}"
    if minutes == seconds == 0:
        return f"{_decimal(parts[0])} {letter}"
    return f"{degrees + minutes / 60 + seconds / 3600:.7f} {letter}"


def _decimal(fraction: Any) -> str:
    """Write a fraction with the digits that its denominator stands for, so that it never rounds up to the next whole.

    A camera writes its reading as hundredths or the like; finer digits than it had would claim too much.
    """
    below = abs(int(getattr(fraction, "denominator", 1)))
    return f"{float(fraction):.{math.ceil(math.log10(max(below, 1)))}f}"
