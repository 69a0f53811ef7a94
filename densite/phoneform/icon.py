"""The form's icon: a den's mouth in a slope under two contour lines, as SVG and as PNG of the same shapes."""

from __future__ import annotations

from io import BytesIO

GROUND, SLOPE, MOUTH, LINE = "#f7f4ea", "#123c33", "#14110d", "#f7f4ea"
SIDE = 96  # the drawing's own units; all that matters lies in the middle circle of 80 %, as masked icons want it
SLOPE_POINTS = ((0, 62), (26, 46), (50, 40), (74, 26), (96, 20), (96, 96), (0, 96))
MOUTH_BOX = (34, 54, 58, 86)  # an arch: a disc with a block under it
CONTOURS = (((0, 50), (25, 34), (48, 28), (72, 14), (96, 8)), ((0, 39), (24, 22), (46, 16), (68, 2)))
WIDTH = 4


def svg() -> str:
    """Return the icon as SVG.

    Returns
    -------
    str
    """
    left, top, right, bottom = MOUTH_BOX
    arc = (right - left) / 2
    lines = "".join(
        f'<polyline points="{_points(line)}" fill="none" stroke="{SLOPE}" stroke-width="{WIDTH}"/>' for line in CONTOURS
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIDE} {SIDE}"><path d="M0 0H{SIDE}V{SIDE}H0z" '
        f'fill="{GROUND}"/>{lines}<polygon points="{_points(SLOPE_POINTS)}" fill="{SLOPE}"/>'
        f'<path d="M{left} {bottom}V{top + arc}a{arc} {arc} 0 0 1 {2 * arc} 0V{bottom}z" fill="{MOUTH}" '
        f'stroke="{LINE}" stroke-width="{WIDTH}"/></svg>'
    )


def png(side: int) -> bytes:
    """Return the icon as PNG.

    Parameters
    ----------
    side : int
        Length of each side. [pixel]

    Returns
    -------
    bytes
    """
    from PIL import Image, ImageDraw

    fine = 4  # drawn larger and made smaller: Pillow's lines have no soft edges
    scale = side * fine / SIDE
    image = Image.new("RGB", (side * fine, side * fine), GROUND)
    draw = ImageDraw.Draw(image)
    for line in CONTOURS:
        draw.line(_scaled(line, scale), fill=SLOPE, width=round(WIDTH * scale), joint="curve")
    draw.polygon(_scaled(SLOPE_POINTS, scale), fill=SLOPE)
    for grown, colour in ((WIDTH / 2, LINE), (-WIDTH / 2, MOUTH)):
        _arch(draw, grown, scale, colour)
    out = BytesIO()
    image.resize((side, side), Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
    return out.getvalue()


def _arch(draw: object, grown: float, scale: float, colour: str) -> None:
    left, top, right, bottom = MOUTH_BOX
    box = [value * scale for value in (left - grown, top - grown, right + grown, bottom + grown)]
    draw.rounded_rectangle(  # type: ignore[attr-defined]
        box, radius=(box[2] - box[0]) / 2, corners=(True, True, False, False), fill=colour
    )


def _points(points: tuple[tuple[int, int], ...]) -> str:
    return " ".join(f"{x},{y}" for x, y in points)


def _scaled(points: tuple[tuple[int, int], ...], scale: float) -> list[tuple[float, float]]:
    return [(x * scale, y * scale) for x, y in points]
