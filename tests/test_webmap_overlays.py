"""Raster pictures: right colours at the right places, legends of what is shown."""

import base64
import io
import math
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from PIL import Image
from pyproj import CRS, Transformer

from densite.cover import Legend
from densite.errors import LayerError, MapError
from densite.gradient import ClassGrid
from densite.layers import open_raster
from densite.settings import LayerSettings
from densite.webmap import overlays, palette
from densite.webmap.region import Region, around

UTM = "EPSG:32611"
CELL, SIDE = 30.0, 200
GRID = Affine(CELL, 0, 540_000, 0, -CELL, 4_690_000)
LEGEND = Legend("made", "", {11: "Open Water", 42: "Evergreen Forest"})


def to_screen(x: float, y: float) -> tuple[float, float]:
    """Return EPSG:3857 of a UTM point."""
    return Transformer.from_crs(UTM, "EPSG:3857", always_xy=True).transform(x, y)


def region(*, margin: float = 2000.0) -> Region:
    """Return a box around the test grid."""
    low = to_screen(GRID.c, GRID.f - SIDE * CELL)
    high = to_screen(GRID.c + SIDE * CELL, GRID.f)
    return Region(low[0] - margin, low[1] - margin, high[0] + margin, high[1] + margin)


def raster(folder: Path, values: np.ndarray, *, name: str = "elevation", **options):
    """Write a raster on the test grid and open it as a layer."""
    profile = {
        "driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
        "dtype": values.dtype, "crs": UTM, "transform": GRID,
    } | options  # fmt: skip
    with rasterio.open(folder / f"{name}.tif", "w", **profile) as file:
        file.write(values, 1)
    return open_raster(name, LayerSettings(path=f"{name}.tif"), folder=folder)


def pixels(overlay: overlays.Overlay) -> np.ndarray:
    """Decode a picture to red, green, blue and alpha."""
    kind, data = overlay.picture.split(";base64,")
    assert kind in ("data:image/png", "data:image/webp")
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGBA"))


def pixel_at(overlay: overlays.Overlay, x: float, y: float) -> tuple[int, ...]:
    """Return the colour of the picture where a UTM point falls."""
    picture, box = pixels(overlay), overlay.region
    sx, sy = to_screen(x, y)
    column = int((sx - box.left) / (box.right - box.left) * picture.shape[1])
    row = int((box.top - sy) / (box.top - box.bottom) * picture.shape[0])
    return tuple(int(part) for part in picture[row, column])


def plane(gradient_east: float, gradient_north: float) -> np.ndarray:
    """Return elevations of a tilted plane. [m]"""
    row, column = np.mgrid[:SIDE, :SIDE]
    return (1000 + gradient_east * column * CELL - gradient_north * row * CELL).astype(np.float32)


@pytest.mark.parametrize(("slope", "step"), [(2, 0), (7, 1), (15, 2), (25, 3), (35, 4), (50, 5)])
def test_a_tilted_plane_has_one_slope_step(tmp_path, slope, step):
    """Mercator stretches by 1/cos(latitude); the slope must not come out gentler for it."""
    layer = raster(tmp_path, plane(math.tan(math.radians(slope)), 0.0))
    _, picture = overlays.relief(layer, region=region(), longest_px=150)
    inner = pixels(picture)[10:-10, 10:-10]
    colours = palette.slope_colours(6)
    assert {tuple(c) for c in inner.reshape(-1, 4).tolist()} == {(*palette.rgb(colours[step]), 255)}
    assert [swatch.colour for swatch in picture.swatches] == [colours[step]]


def test_hillshade_is_lit_from_the_north_west(tmp_path):
    """Ground that falls to the north-west is lightest, to the south-east darkest, flat between."""
    planes = {"north-west": plane(0.5, -0.5), "flat": plane(0, 0), "south-east": plane(-0.5, 0.5)}
    grey = {}
    for name, heights in planes.items():
        shade, _ = overlays.relief(raster(tmp_path, heights), region=region(), longest_px=150)
        grey[name] = pixels(shade)[75, 75, 0]
    assert grey["north-west"] == 255
    assert grey["flat"] == pytest.approx(240, abs=3)
    assert grey["south-east"] < 160


def test_heights_in_feet_have_the_slope_of_heights_in_metres(tmp_path):
    """A plane of 35 degrees stays 35 degrees when its heights are written in feet."""
    feet = (plane(math.tan(math.radians(35)), 0.0) / 0.3048).astype(np.float32)
    raster(tmp_path, feet)
    layer = open_raster("elevation", LayerSettings(path="elevation.tif", unit="ft"), folder=tmp_path)
    _, picture = overlays.relief(layer, region=region(), longest_px=150)
    assert [swatch.text for swatch in picture.swatches] == ["30 to 40°"]


def test_holes_are_clear_in_both_pictures(tmp_path):
    """Nodata shows the ground below and never a height of -9999."""
    heights = plane(0.1, 0.1)
    heights[80:120, 80:120] = -9999
    layer = raster(tmp_path, heights, nodata=-9999)
    for picture in overlays.relief(layer, region=region(), longest_px=200):
        assert pixel_at(picture, GRID.c + 100 * CELL, GRID.f - 100 * CELL)[3] == 0
        assert pixel_at(picture, GRID.c + 50 * CELL, GRID.f - 50 * CELL)[3] == 255


def cover(folder: Path, **options):
    """Make a land-cover layer: water west, forest east, a strange code in the south-east corner."""
    codes = np.full((SIDE, SIDE), 42, np.uint8)
    codes[:, : SIDE // 2] = 11
    codes[-30:, -30:] = 77
    codes[:30, :30] = 0
    return raster(folder, codes, name="land_cover", **options)


def test_land_cover_colours_stand_where_the_classes_are(tmp_path):
    """Nearest cell, no mixing of codes, nodata clear, and the legend names what is there."""
    (picture,) = overlays.land_cover(cover(tmp_path, nodata=0), legend=LEGEND, region=region(), longest_px=180)
    colour = {swatch.text: (*palette.rgb(swatch.colour), 255) for swatch in picture.swatches}
    assert list(colour) == ["Open Water", "Evergreen Forest", "code 77, not in the legend"]
    middle = GRID.f - 100 * CELL
    assert pixel_at(picture, GRID.c + 20 * CELL, middle) == colour["Open Water"]
    assert pixel_at(picture, GRID.c + 180 * CELL, middle) == colour["Evergreen Forest"]
    south_east = GRID.c + 190 * CELL, GRID.f - 190 * CELL
    assert pixel_at(picture, *south_east) == colour["code 77, not in the legend"]
    assert pixel_at(picture, GRID.c + 5 * CELL, GRID.f - 5 * CELL)[3] == 0


def test_the_legends_own_nodata_is_clear(tmp_path):
    """A code that the legend declares as nodata is not drawn although the file does not say so."""
    legend = Legend("made", "", LEGEND.classes, nodata=0)
    (picture,) = overlays.land_cover(cover(tmp_path), legend=legend, region=region(), longest_px=180)
    assert pixel_at(picture, GRID.c + 5 * CELL, GRID.f - 5 * CELL)[3] == 0
    assert "code 0" not in " ".join(swatch.text for swatch in picture.swatches)


def test_land_cover_without_a_legend_shows_codes(tmp_path):
    """Codes are better than nothing."""
    (picture,) = overlays.land_cover(cover(tmp_path, nodata=0), legend=None, region=region(), longest_px=100)
    assert [swatch.text[:7] for swatch in picture.swatches] == ["code 11", "code 42", "code 77"]


def test_a_measurement_is_no_class_map(tmp_path):
    """A layer of many values is told apart from one of classes."""
    layer = raster(tmp_path, plane(0.5, 0.5), name="land_cover")
    with pytest.raises(MapError, match=r"layer 'land_cover' has \d+ different values"):
        overlays.land_cover(layer, legend=None, region=region(), longest_px=100)


def test_landscape_classes_stand_where_they_are():
    """The first class has the darkest colour; a cell without class is clear."""
    codes = np.array([[0, 1], [-1, 2]], np.int8)
    grid = ClassGrid(("urban", "suburban", "rural"), codes, GRID * Affine.scale(100), CRS(UTM), "made")
    (picture,) = overlays.landscape_classes(grid, region=region(), longest_px=120)
    west, east = GRID.c + 50 * CELL, GRID.c + 150 * CELL
    north, south = GRID.f - 50 * CELL, GRID.f - 150 * CELL
    urban, suburban, rural = palette.class_colours(3)
    assert pixel_at(picture, west, north) == (*palette.rgb(urban), 255)
    assert pixel_at(picture, east, north) == (*palette.rgb(suburban), 255)
    assert pixel_at(picture, east, south) == (*palette.rgb(rural), 255)
    assert pixel_at(picture, west, south)[3] == 0
    assert picture.note == "made"


def test_pictures_are_cut_to_the_region_and_no_larger_than_asked(tmp_path):
    """Only the region is drawn, so that a national layer does not shrink the study to a dot."""
    layer = raster(tmp_path, plane(0.1, 0.0))
    whole = region(margin=0)
    quarter = Region(whole.left, whole.bottom, (whole.left + whole.right) / 2, (whole.bottom + whole.top) / 2)
    shade, _ = overlays.relief(layer, region=quarter, longest_px=64)
    assert max(pixels(shade).shape[:2]) == 64
    assert shade.region.right == quarter.right


def test_pictures_are_no_finer_than_the_layer(tmp_path):
    """Asking for more pixels than there are cells only wastes bytes."""
    shade, _ = overlays.relief(raster(tmp_path, plane(0.1, 0)), region=region(), longest_px=4000)
    assert max(pixels(shade).shape[:2]) == pytest.approx(SIDE, rel=0.06)
    assert shade.cell_m == pytest.approx(CELL, rel=0.03)


@pytest.mark.parametrize("side", [1, 2, 3, 5])
def test_a_tiny_layer_is_drawn_without_slope(tmp_path, side):
    """Too few cells for a 3 by 3 window: clear pictures, no crash, no made-up slope."""
    layer = raster(tmp_path, plane(0.1, 0)[:side, :side])
    for picture in overlays.relief(layer, region=region(), longest_px=100):
        assert picture.swatches == () or side == 5


def test_a_layer_elsewhere_is_not_drawn(tmp_path):
    """A layer that does not meet the region gives no picture and no error."""
    layer = raster(tmp_path, plane(0.1, 0))
    assert overlays.relief(layer, region=Region(0, 0, 1000, 1000), longest_px=100) == []


def test_a_layer_that_was_cut_off_is_told(tmp_path):
    """A file that ends too early is an error that names the layer."""
    layer = raster(tmp_path, np.random.default_rng(1).normal(size=(SIDE, SIDE)).astype(np.float32))
    whole = layer.path.read_bytes()
    layer.path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(MapError, match="layer 'elevation'"):
        overlays.relief(layer, region=region(), longest_px=100)


def test_an_unknown_unit_of_height_is_told(tmp_path):
    """Furlongs are refused before anything is drawn."""
    raster(tmp_path, plane(0.1, 0))
    layer = open_raster("elevation", LayerSettings(path="elevation.tif", unit="furlong"), folder=tmp_path)
    with pytest.raises(LayerError, match="furlong"):
        overlays.relief(layer, region=region(), longest_px=100)


def test_region_corners_agree_with_pyproj():
    """The inverse Mercator formula equals PROJ's to a tenth of a metre."""
    (south, west), (north, east) = region().corners()
    back = Transformer.from_crs("EPSG:3857", "EPSG:4326")
    assert (south, west) == pytest.approx(back.transform(region().left, region().bottom), abs=1e-6)
    assert (north, east) == pytest.approx(back.transform(region().right, region().top), abs=1e-6)


def test_no_place_makes_no_region():
    """An empty study has no box."""
    assert around([]) is None
