"""One map sheet for any audience: what it shows, drawn with folium and put into one page."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import folium
from branca.element import Element, MacroElement
from folium.template import Template

from densite.webmap import assets, page, panel
from densite.webmap.outlines import Outline
from densite.webmap.overlays import Overlay
from densite.webmap.palette import DEN_SYMBOLS, OUTLINE
from densite.webmap.region import Region

BODY = """<a class="skip" href="#panel">Skip the map: layers and legend</a>
<main id="sheet"></main>
<aside id="panel" tabindex="-1" aria-label="Layers and legend"></aside>
<footer id="notes"></footer>
<noscript><p>This map is drawn by a script inside this file. Allow scripts to see it.</p></noscript>
"""
_MOST_ZOOM = 18
_HEX_ID = r"[0-9a-f]{32}"


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a map shows and to whom.

    ``dens`` is the table of :func:`densite.webmap.markers.table`; ``view`` is the part shown at
    first, which must not give away more than the audience may know. ``banner`` is the warning that
    always stays in sight, ``notes`` are sentences below the legend.
    """

    title: str
    banner: str
    view: Region
    dens: dict[str, Any]
    overlays: Sequence[Overlay] = ()
    outlines: Sequence[Outline] = ()
    notes: Sequence[str] = ()


class _Start(MacroElement):
    """Hands the map and its layers to our own script, by the names that folium gave them."""

    _template = Template(
        """
        {% macro script(this, kwargs) %}
            densite.start({{ this._parent.get_name() }}, {
                {%- for key, layer in this.layers.items() %}
                {{ key|tojson }}: {{ layer.get_name() }},
                {%- endfor %}
            });
        {% endmacro %}
        """
    )

    def __init__(self, layers: dict[str, Element]) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # branca is typed only in part
        self._name = "Start"
        self.layers = layers


def draw(sheet: Sheet) -> str:
    """Return a map sheet as the text of one HTML file that needs no network.

    Parameters
    ----------
    sheet : Sheet
        What to show.

    Returns
    -------
    str
        The HTML text. The same sheet gives the same text.

    Raises
    ------
    MapError
        A package that carries the map's scripts is not installed.
    """
    body, script = _drawn_by_folium(sheet)
    return page.render(
        page.Page(
            title=sheet.title,
            banner=sheet.banner,
            body=BODY.replace('<main id="sheet"></main>', f'<main id="sheet">{body}</main>'),
            data=_data(sheet),
            styles=assets.styles(),
            scripts=[*assets.scripts(), script],
        )
    )


def _data(sheet: Sheet) -> dict[str, Any]:
    return {
        "view": sheet.view.corners(),
        "dens": sheet.dens,
        "symbols": [{"name": name, **asdict(symbol)} for name, symbol in DEN_SYMBOLS.items()],
        "outline": OUTLINE,
        "sections": panel.sections(sheet.overlays, sheet.outlines, sheet.dens["types"]),
        "notes": list(sheet.notes),
    }


def _drawn_by_folium(sheet: Sheet) -> tuple[str, str]:
    """Return the element that holds the map, and the script that makes the map and its layers."""
    chart = folium.Map(
        location=[0, 0], zoom_start=2, tiles=None, zoom_control=False, prefer_canvas=True,
        attribution_control=False, maxZoom=_MOST_ZOOM, zoom_snap=0.5, world_copy_jump=False,
    )  # fmt: skip
    # The page carries its scripts and styles itself, so none of folium's links may come in.
    chart.default_js, chart.default_css = [], []
    layers: dict[str, Element] = {overlay.key: _picture(overlay) for overlay in sheet.overlays}
    layers |= {outline.key: _lines(outline) for outline in sheet.outlines}
    for layer in layers.values():
        chart.add_child(layer)
    chart.add_child(_Start(layers))
    figure: Any = chart.get_root()
    figure.render()
    names = {element._id: f"{place}" for place, element in enumerate(_tree(chart))}
    return _renamed(figure.html.render(), names).strip(), _renamed(figure.script.render(), names)


def _picture(overlay: Overlay) -> Element:
    kind = "relief" if overlay.key == panel.RELIEF_KEY else "surface"
    return folium.raster_layers.ImageOverlay(
        overlay.picture, overlay.region.corners(), control=False, show=False, pixelated=False,
        class_name=kind, z_index=1 if kind == "relief" else 2, alt=overlay.title,
    )  # fmt: skip


def _lines(outline: Outline) -> Element:
    style = _leaflet_style(outline)
    marker = folium.CircleMarker(radius=1.3) if outline.kind == "dot" else None
    return folium.GeoJson(
        {"type": "FeatureCollection", "features": [_feature(outline)]}, control=False, show=False,
        style_function=lambda _: style, marker=marker, interactive=False,
    )  # fmt: skip


def _feature(outline: Outline) -> dict[str, Any]:
    return {"type": "Feature", "id": "0", "properties": {}, "geometry": outline.geometry}


def _leaflet_style(outline: Outline) -> dict[str, Any]:
    style = outline.style
    if outline.kind == "dot":
        return {"stroke": False, "fill": True, "fillColor": style.fill or style.colour, "fillOpacity": 0.85}
    filled = {"fill": True, "fillColor": style.fill, "fillOpacity": 0.7} if style.fill else {"fill": False}
    return {"color": style.colour, "weight": style.width, "dashArray": style.dash or None, **filled}


def _tree(element: Element) -> Iterator[Element]:
    yield element
    for child in element._children.values():
        yield from _tree(child)


def _renamed(text: str, names: dict[str, str]) -> str:
    """Give folium's random names a number, so that the same sheet makes the same file."""
    return re.sub(_HEX_ID, lambda match: names.get(match[0], match[0]), text)
