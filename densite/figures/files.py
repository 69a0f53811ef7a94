"""A figure as SVG and PNG: the same bytes for the same numbers, and words for who cannot see it."""

from __future__ import annotations

import html
import re
from io import BytesIO
from pathlib import Path

from matplotlib.figure import Figure

from densite.figures.look import calm

DOTS_PER_INCH = 200
_NO_TRACE = {"Creator": None, "Date": None, "Format": None, "Type": None}
_IDS = re.compile(r'(\bid="|href="#|url\(#)')
_PLACES = re.compile(r' (?:d|x|y)="[^"]*"')
_DECIMAL = re.compile(r"-?\d+\.\d{2,}")


def save(figure: Figure, folder: Path, *, name: str, title: str, alt: str) -> tuple[Path, Path]:
    """Write a figure as ``name.svg`` and ``name.png``.

    Parameters
    ----------
    figure : Figure
        What is drawn.
    folder : Path
        Where to; made where it is missing.
    name : str
        Name of both files, and the start of all ids within the SVG, so that several figures can stand
        in one page.
    title, alt : str
        Title and alternative text: ``title`` and ``desc`` of the SVG (its role is an image),
        ``Title`` and ``Description`` in the PNG.

    Returns
    -------
    tuple of Path
        The SVG and the PNG (200 dots per inch).
    """
    folder.mkdir(parents=True, exist_ok=True)
    vector, picture = folder / f"{name}.svg", folder / f"{name}.png"
    vector.write_text(_svg(figure, name=name, title=title, alt=alt), encoding="utf-8", newline="\n")
    picture.write_bytes(_png(figure, title=title, alt=alt))
    return vector, picture


def _svg(figure: Figure, *, name: str, title: str, alt: str) -> str:
    """Return the SVG with its words, without date, maker and random ids."""
    buffer = BytesIO()
    with calm(name):
        figure.savefig(buffer, format="svg", metadata=_NO_TRACE)
    text = _IDS.sub(rf"\g<1>{name}-", _coarse(buffer.getvalue().decode("utf-8")))
    words = f'<title id="{name}-title">{html.escape(title)}</title>\n <desc id="{name}-desc">{html.escape(alt)}</desc>'
    marked = rf'\1 role="img" aria-labelledby="{name}-title {name}-desc">'
    head, body = re.sub(r"(<svg\b[^>]*)>", marked, text, count=1).split(f'{name}-desc">', 1)
    return f'{head}{name}-desc">\n {words}{body}'


def _coarse(text: str) -> str:
    """Round all places to a tenth of a point (0.035 mm), finer than print shows.

    Matplotlib writes six decimals. A measured value so exact is found in one cell of a layer only, and
    gives the den's place away.
    """
    return _PLACES.sub(lambda places: _DECIMAL.sub(lambda one: f"{float(one[0]):.1f}", places[0]), text)


def _png(figure: Figure, *, title: str, alt: str) -> bytes:
    """Return the PNG with its words."""
    buffer = BytesIO()
    with calm():
        figure.savefig(buffer, format="png", dpi=DOTS_PER_INCH,
                       metadata={"Software": None, "Title": title, "Description": alt})  # fmt: skip
    return buffer.getvalue()
