"""The page to work through: open questions by crew and day beside a map of their dens. Never for the public."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import resources
from typing import Any

import geopandas as gpd

from densite.layers import Features, Raster
from densite.review.crewdays import NOBODY, grouped
from densite.review.finding import KINDS, Finding
from densite.review.whole import Review, by_kind
from densite.webmap import assets, overlays, page
from densite.webmap.crew import BANNER
from densite.webmap.outlines import Outline, outline
from densite.webmap.region import Region, around

Layers = Mapping[str, Raster | Features]

_DRAWN = ("streams", "roads", "boundary")
_OWN = ("worksheet.js",)
_BODY = """<a class="skip" href="#questions">Skip to the questions</a>
<main>
<section id="place" aria-label="Map"><div id="map"></div></section>
<section id="work" aria-label="Questions">
<div id="tools"></div>
<p id="count" role="status"></p>
<div id="questions" tabindex="-1"></div>
</section>
</main>
<noscript><p>This page is put together by a script inside this file. Allow scripts to see it.</p></noscript>
"""


def worksheet(
    review: Review, dens: gpd.GeoDataFrame, *, title: str, study_id: str, layers: Layers, picture_px: int = 1100
) -> str:
    """Return the page of open questions as the text of one HTML file that works without a network.

    Parameters
    ----------
    review : Review
        From :func:`densite.review.whole.look_again`.
    dens : GeoDataFrame
        Den sites in EPSG:4326, indexed by den_id.
    title : str
        Name of the study.
    study_id : str
        Its id, under which the browser keeps what is ticked off.
    layers : mapping of str to Raster or Features
        The study's layers: elevation becomes shaded relief; streams, roads and boundary lines.
    picture_px : int
        Longest side of the relief. [pixels]

    Returns
    -------
    str
        It holds exact den locations and says so.

    Raises
    ------
    MapError
        A layer cannot be drawn, or the package that carries Leaflet is not installed.
    """
    script, style = assets.leaflet()
    return page.render(page.Page(
        title=f"{title}: open questions", banner=BANNER, body=_BODY,
        data=_data(review, dens, study_id=study_id) | _ground(dens, layers, picture_px),
        styles=[style, _own("worksheet.css")], scripts=[script, *map(_own, _OWN)],
    ))  # fmt: skip


def _own(name: str) -> str:
    return resources.files("densite.review").joinpath("browser", name).read_text(encoding="utf-8")


def _data(review: Review, dens: gpd.GeoDataFrame, *, study_id: str) -> dict[str, Any]:
    asked = dict.fromkeys(den for f in review.findings for den in (f.den_id, f.other_id) if den in dens.index)
    order = {den: place for place, den in enumerate(asked)}
    points = dens.loc[list(asked)]
    rows = zip(points["label"], points.geometry, points["uncertainty_m"], strict=True)
    return {
        "study": study_id,
        "kinds": [[kind, KINDS[kind], count] for kind, count in by_kind(review.findings).items()],
        "dens": [[str(label), round(p.y, 6), round(p.x, 6), _known(u)] for label, p, u in rows],
        "groups": [
            {"day": day, "who": who or NOBODY, "questions": [_question(finding, order) for finding in found]}
            for (who, day), found in grouped(review.findings).items()
        ],
        "unsaid": list(review.unsaid),
    }  # fmt: skip


def _known(value: Any) -> float | None:
    return None if value is None or value != value else float(value)


def _question(finding: Finding, order: Mapping[str, int]) -> dict[str, Any]:
    problem = finding.problem
    said = problem.message.partition(": ")[2] if problem.message.startswith("den ") else problem.message
    line = f" line {problem.line:g}" if problem.line else ""
    return {
        "id": _fingerprint(finding), "kind": finding.kind, "level": str(problem.level), "text": said or problem.message,
        "hint": problem.hint, "from": f"{problem.file or ''}{line}", "den": order.get(finding.den_id, -1),
        "other": order.get(finding.other_id, -1),
    }  # fmt: skip


def _fingerprint(finding: Finding) -> str:
    """Return what a question is known by, so that it stays ticked when the page is made anew."""
    parts = (finding.kind, finding.den_id, finding.visit_id, finding.problem.field, finding.problem.message)
    return hashlib.sha256("\n".join(parts).encode("utf-8", "replace")).hexdigest()[:16]


def _ground(dens: gpd.GeoDataFrame, layers: Layers, picture_px: int) -> dict[str, Any]:
    """Return what lies under the points: relief and lines, and the part of the world to show."""
    boundary = layers.get("boundary")
    view = around([dens, *([boundary.frame] if isinstance(boundary, Features) else [])])
    if view is None:
        return {"view": None, "relief": None, "lines": []}
    region = view.widened()
    lines = [one for name in _DRAWN if isinstance(layer := layers.get(name), Features)
             for one in outline(layer, region=region)]  # fmt: skip
    return {"view": view.corners(), "relief": _relief(layers.get("elevation"), region, picture_px),
            "lines": [_line(one) for one in lines]}  # fmt: skip


def _relief(elevation: Raster | Features | None, region: Region, picture_px: int) -> dict[str, Any] | None:
    if not isinstance(elevation, Raster):
        return None
    drawn = overlays.relief(elevation, region=region, longest_px=picture_px)
    return {"picture": drawn[0].picture, "corners": drawn[0].region.corners()} if drawn else None


def _line(drawn: Outline) -> dict[str, Any]:
    style = drawn.style
    return {"title": style.title, "geometry": drawn.geometry, "colour": style.colour, "width": style.width,
            "dash": style.dash}  # fmt: skip
