"""Whether bytes are one plain JPEG picture that tells nothing beside what it shows."""

from __future__ import annotations

import re

LARGEST = 2**24  # bytes
_MOST_PIXELS = 50_000_000
_ALONE = {0x01, *range(0xD0, 0xD8)}  # markers without a length
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_TELLING = {0xFE: "a comment", **{n: f"an APP{n - 0xE0} segment" for n in range(0xE1, 0xF0)}}
_HARMLESS = {0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}  # how colours are meant
_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]", re.DOTALL)


def jpeg_trouble(data: bytes) -> str:
    """Say why bytes are not kept as a photograph.

    Parameters
    ----------
    data : bytes
        What should be a JPEG file.

    Returns
    -------
    str
        Blank for a JPEG (ITU-T T.81, annex B) without EXIF, XMP, comment or anything behind its end.
    """
    if len(data) > LARGEST:
        return f"is larger than {LARGEST // 2**20} MiB"
    if data[:2] != b"\xff\xd8":
        return "is no JPEG"
    place, pixels = 2, 0
    while place + 4 <= len(data) and data[place] == 0xFF:
        marker = data[place + 1]
        if marker in _ALONE or marker == 0xFF:
            place += 1 if marker == 0xFF else 2
            continue
        length = int.from_bytes(data[place + 2 : place + 4], "big")
        segment = data[place + 4 : place + 2 + length]
        if marker in _TELLING and not segment.startswith(_HARMLESS.get(marker, b"\0none")):
            return f"holds {_TELLING[marker]}, where a place may be written"
        if marker in _FRAMES:
            pixels = int.from_bytes(segment[1:3], "big") * int.from_bytes(segment[3:5], "big")
        place += 2 + length
        if marker == 0xDA:
            ended = _AFTER_SCAN.search(data, place)
            place = ended.start() if ended else len(data)
            if data[place : place + 2] == b"\xff\xd9":
                return _whole(len(data) - place - 2, pixels)
    return "is a JPEG that breaks off"


def _whole(rest: int, pixels: int) -> str:
    if rest:
        return f"holds {rest} bytes behind its end"
    if not 0 < pixels <= _MOST_PIXELS:
        return f"has {pixels} pixels; allowed: up to {_MOST_PIXELS}"
    return ""
