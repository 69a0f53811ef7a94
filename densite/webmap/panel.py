"""The layer switch and the legend, as plain values that the browser turns into a panel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from densite.terms import DEN_TYPES
from densite.webmap.outlines import Outline
from densite.webmap.overlays import Overlay

RELIEF_KEY = "hillshade"
_PREFERRED = ("landscape", "land_cover", "slope")


def sections(overlays: Iterable[Overlay], outlines: Iterable[Outline], den_types: Sequence[int]) -> list[Any]:
    """Return the groups of the layer switch in reading order.

    Parameters
    ----------
    overlays : iterable of Overlay
        Relief and surfaces.
    outlines : iterable of Outline
        Vector layers.
    den_types : sequence of int
        Type of each den, as places in ``DEN_TYPES``.

    Returns
    -------
    list of dict
        Groups with heading, ``choice`` (``many`` switches, or ``one`` of several) and rows. Types
        without a den and groups without a layer are left out.
    """
    pictures = list(overlays)
    groups = [
        _group("Dens", "many", _den_rows(den_types)),
        _group("Surface over the relief", "one", _surface_rows(pictures)),
        _group("Lines and shapes", "many", [_outline_row(outline) for outline in outlines]),
        _group("Ground", "many", [_overlay_row(p, on=True) for p in pictures if p.key == RELIEF_KEY]),
    ]
    return [group for group in groups if group["rows"]]


def _group(heading: str, choice: str, rows: list[Any]) -> dict[str, Any]:
    return {"heading": heading, "choice": choice, "rows": rows}


def _den_rows(den_types: Sequence[int]) -> list[Any]:
    counts = [den_types.count(place) for place in range(len(DEN_TYPES))]
    return [
        {"kind": "dens", "key": place, "title": word, "count": count, "on": True}
        for place, (word, count) in enumerate(zip(DEN_TYPES, counts, strict=True))
        if count
    ]


def _surface_rows(overlays: Sequence[Overlay]) -> list[Any]:
    """Return one row for each surface and one for none; the first of the preferred ones is on."""
    surfaces = sorted(
        (overlay for overlay in overlays if overlay.key in _PREFERRED),
        key=lambda overlay: _PREFERRED.index(overlay.key),
    )
    rows = [_overlay_row(overlay, on=place == 0) for place, overlay in enumerate(surfaces)]
    none = {"kind": "none", "key": "", "title": "None", "on": not rows}
    return [*rows, none] if rows else []


def _overlay_row(overlay: Overlay, *, on: bool) -> dict[str, Any]:
    swatches = [{"colour": swatch.colour, "text": swatch.text} for swatch in overlay.swatches]
    return {
        "kind": "picture", "key": overlay.key, "title": overlay.title, "on": on,
        "swatches": swatches, "note": overlay.note,
    }  # fmt: skip


def _outline_row(outline: Outline) -> dict[str, Any]:
    style = outline.style
    return {
        "kind": "outline", "key": outline.key, "title": style.title, "on": style.on, "note": outline.note,
        "drawn": {"kind": outline.kind, "colour": style.colour, "width": style.width,
                  "dash": style.dash, "fill": style.fill},
    }  # fmt: skip
