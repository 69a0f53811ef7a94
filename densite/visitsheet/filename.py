"""File names that any system takes, from labels that may hold anything."""

from __future__ import annotations

import hashlib
import re

from densite.visitsheet.content import SheetContent

_LONGEST = 60


def file_stem(content: SheetContent, *, with_female: bool = False) -> str:
    """Return a name for a sheet's file, without its ending.

    Parameters
    ----------
    content : SheetContent
        The sheet's records.
    with_female : bool
        Name the female too: a visit may have several.

    Returns
    -------
    str
        ``sheet-D-2026-14-2026-02-24``. What no file name may hold is replaced; then a few signs made from
        the label keep two dens from sharing a name.
    """
    female = _safe(content.female) if with_female else ""
    day = content.date.isoformat() if content.date else "blank"
    return "-".join(part for part in ("sheet", _safe(content.den_label), female, day) if part)


def _safe(label: str) -> str:
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", label).strip("-")[:_LONGEST]
    if plain == label:
        return plain
    return f"{plain}-{hashlib.sha256(label.encode('utf-8', 'surrogatepass')).hexdigest()[:6]}".strip("-")
