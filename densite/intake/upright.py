"""Copies of photographs to look at: turned upright, scaled down, with nothing in them but the picture."""

from __future__ import annotations

import contextlib
import hashlib
import io
import warnings
from collections.abc import Iterator
from pathlib import Path

from PIL import Image, ImageFile, ImageOps

from densite.errors import IntakeError
from densite.intake.exif import BROKEN, FORMATS, LARGEST_BYTES
from densite.wholefile import write_whole

LONGEST_PX = 1600
MOST_PIXELS = 150_000_000  # more would need over half a gigabyte to decode; our choice
QUALITY = 85
PRIVATE = 0o700


def upright(path: Path, *, longest_px: int = LONGEST_PX) -> bytes:
    """Turn a photograph as its EXIF says, scale it down, and drop all that is not the picture.

    Parameters
    ----------
    path : Path
        JPEG, TIFF or PNG file.
    longest_px : int
        Longest side of the copy; a smaller picture keeps its size. [pixels]

    Returns
    -------
    bytes
        A JPEG without EXIF, comment, profile or preview.

    Raises
    ------
    IntakeError
        The picture is damaged, or too large to be decoded safely. The message starts with its name.
    """
    if path.stat().st_size > LARGEST_BYTES:
        raise IntakeError(f"{path.name}: more than {LARGEST_BYTES >> 20} MB are no photograph")
    try:
        with _strict(), warnings.catch_warnings(action="ignore"), Image.open(path, formats=FORMATS) as image:
            if image.width * image.height > MOST_PIXELS:
                raise IntakeError(f"{path.name}: {image.width} x {image.height} pixels are too many to decode safely")
            return _copied(image, longest_px)
    except (*BROKEN, Image.DecompressionBombError) as error:
        raise IntakeError(f"{path.name}: the picture is damaged and cannot be copied ({error})"[:300]) from None


@contextlib.contextmanager
def _strict() -> Iterator[None]:
    """Refuse half a picture; other libraries in the process make Pillow fill it up for good."""
    before, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
    try:
        yield
    finally:
        ImageFile.LOAD_TRUNCATED_IMAGES = before


def _copied(image: Image.Image, longest_px: int) -> bytes:
    image.draft("RGB", (longest_px, longest_px))  # a large JPEG is decoded at half, a quarter or an eighth
    turned = ImageOps.exif_transpose(image).convert("RGB")
    turned.thumbnail((longest_px, longest_px))
    bare = Image.new("RGB", turned.size)  # a new picture carries no comment or profile along
    bare.paste(turned)
    out = io.BytesIO()
    bare.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def keep_upright(path: Path, folder: Path) -> Path:
    """Write an upright copy into a folder, under the fingerprint of the photograph.

    Parameters
    ----------
    path : Path
        JPEG, TIFF or PNG file.
    folder : Path
        Made if it is missing; only its owner can look into it.

    Returns
    -------
    Path
        ``<first 16 hexadecimal digits of the SHA-256>.jpg``; the same photograph is kept once.

    Raises
    ------
    IntakeError
        As for :func:`upright`.
    """
    data = upright(path)
    with path.open("rb") as file:
        name = hashlib.file_digest(file, "sha256").hexdigest()[:16]
    folder.mkdir(mode=PRIVATE, parents=True, exist_ok=True)
    target = folder / f"{name}.jpg"
    if not target.exists():
        write_whole(target, data)
    return target
