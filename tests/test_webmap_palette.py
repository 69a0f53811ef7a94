"""Colours that stay apart in grey and under colour blindness."""

from itertools import combinations

import numpy as np
import pytest

from densite.terms import DEN_TYPES
from densite.webmap import palette
from densite.webmap.overlays import SLOPE_BREAKS_DEG

# Machado, Oliveira & Fernandes 2009, A physiologically-based model for simulation of color vision
# deficiency, IEEE TVCG 15(6):1291-1298, doi 10.1109/TVCG.2009.113; severity 1.0. Protan and deutan
# were compared with public copies of the table, tritan is from memory.
BLINDNESS = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}  # fmt: skip
NLCD = (
    "Open Water", "Perennial Ice/Snow", "Developed, Open Space", "Developed, Low Intensity",
    "Developed, Medium Intensity", "Developed, High Intensity", "Barren Land", "Deciduous Forest",
    "Evergreen Forest", "Mixed Forest", "Shrub/Scrub", "Grassland/Herbaceous", "Pasture/Hay",
    "Cultivated Crops", "Woody Wetlands", "Emergent Herbaceous Wetlands",
)  # fmt: skip


def lab(colour: str, *, seen_by: str = "none") -> np.ndarray:
    """Return CIE L*a*b* (D65) of an sRGB colour; IEC 61966-2-1 and CIE 15:2004."""
    parts = np.array(palette.rgb(colour)) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.asarray(BLINDNESS[seen_by]) @ linear, 0, 1)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    ratio = np.asarray(to_xyz) @ linear / np.array([0.9505, 1.0, 1.089])
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_lab_of_known_colours():
    """White, black and the sRGB red have the published values (53.24, 80.09, 67.20)."""
    assert lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.05)
    assert lab("#000000") == pytest.approx([0, 0, 0], abs=0.05)
    assert lab("#ff0000") == pytest.approx([53.24, 80.09, 67.20], abs=0.1)


def test_every_den_type_has_its_own_shape_and_colour():
    """No type shares a path or a fill with another, and all types have one."""
    assert tuple(palette.DEN_SYMBOLS) == DEN_TYPES
    symbols = palette.DEN_SYMBOLS.values()
    assert len({s.path for s in symbols}) == len({s.colour for s in symbols}) == len(DEN_TYPES)


def test_den_fills_differ_in_grey():
    """Any two fills are at least 10 L* apart."""
    lightness = sorted(lab(symbol.colour)[0] for symbol in palette.DEN_SYMBOLS.values())
    assert min(np.diff(lightness)) >= 10


@pytest.mark.parametrize("eye", BLINDNESS)
def test_den_fills_differ_for_every_eye(eye):
    """Any two fills keep a colour difference (CIE 1976) of 20, many times what can just be seen."""
    seen = [lab(symbol.colour, seen_by=eye) for symbol in palette.DEN_SYMBOLS.values()]
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) >= 20


@pytest.mark.parametrize("count", range(2, 9))
def test_ordered_colours_run_from_light_to_dark(count):
    """Slope darkens as it steepens; the urban end of the classes is the darkest."""
    for colours in (palette.slope_colours(count), palette.class_colours(count)[::-1]):
        assert len(set(colours)) == count
        assert max(np.diff([lab(colour)[0] for colour in colours])) < 0


def test_one_class_has_a_colour():
    """A study may have a single class."""
    assert len(palette.class_colours(1)) == 1


def test_slope_steps_can_be_told_apart():
    """Neighbouring steps are at least 6 L* apart."""
    colours = palette.slope_colours(len(SLOPE_BREAKS_DEG) + 1)
    assert max(np.diff([lab(colour)[0] for colour in colours])) <= -6


def test_cover_colours_follow_meaning_and_never_repeat():
    """Water is bluish, evergreen forest greenish; the national classes all differ."""
    colours = dict(zip(NLCD, palette.cover_colours(NLCD), strict=True))
    assert len(set(colours.values())) == len(NLCD)
    assert lab(colours["Open Water"])[2] < -5
    assert lab(colours["Evergreen Forest"])[1] < -10


def test_cover_colours_of_names_nobody_foresaw_differ():
    """Forty unknown names get forty colours."""
    names = [f"class {letter}" for letter in range(40)]
    assert len(set(palette.cover_colours(names))) == 40
