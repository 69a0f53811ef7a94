"""Figures: what is drawn are the frames' numbers, with words for it, the same bytes every time."""

import hashlib
import math
import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from PIL import Image

from densite.compare.question import Covariate
from densite.compare.result import Block, Result, Unsaid
from densite.figures import draw
from densite.figures.agreements import agreement, apart, bearing_agreement
from densite.figures.aspects import aspects_by_class, eighths, sector_count, sector_shares
from densite.figures.dentypes import shares_by_class, types_along_gradient
from densite.figures.gradient import Gradient, round_numbers
from densite.figures.look import marks
from densite.figures.quantities import columns, grouped, quantity_by_class, told_quantity
from densite.figures.shapes import arc, outline
from densite.terms import DEN_TYPES
from densite.webmap.palette import DEN_SYMBOLS

TYPES = ("tree", "ground bed", "rock ledge", "brush")
CLASSES = ("urban", "suburban", "rural")
SVG = "{http://www.w3.org/2000/svg}"


def curve_block() -> Block:
    """Make shares that add up to 1 along a gradient, and 40 dens."""
    x = np.linspace(0, 3, 13)
    parts = [
        pd.DataFrame({"gradient": x, "type": kind, "share": s, "lower": s * 0.8, "upper": s * 1.1})
        for kind, s in zip(TYPES, (0.1 + 0.2 * x, 0.5 - 0.1 * x, 0.3 - 0.08 * x, 0.1 - 0.02 * x), strict=True)
    ]
    dens = pd.DataFrame({"gradient": np.linspace(0, 3, 40), "type": [TYPES[n % 4] for n in range(40)]})
    return Block("type-along-gradient", frames={"curve": pd.concat(parts), "dens": dens})


def share_block(classes=CLASSES, types=TYPES) -> Block:
    """Make counts with shares for each class."""
    rows = []
    for place, name in enumerate(classes):
        counts = [place + n + 1 for n in range(len(types))]
        for kind, n in zip(types, counts, strict=True):
            share = n / sum(counts)
            rows.append((name, kind, n, sum(counts), 5 + place, share, share * 0.6, min(1, share * 1.5)))
    names = ["class", "type", "n", "dens", "females", "share", "lower", "upper"]
    return Block("type-by-class", frames={"shares": pd.DataFrame(rows, columns=names)})


def aspect_block(*, step: float = 1.0) -> Block:
    """Make aspects that lie about east in one class and about south in the other."""
    rng = np.random.default_rng(4)
    aspects = np.concatenate([rng.normal(90, 30, 25), rng.normal(180, 30, 25)])
    dens = pd.DataFrame(
        {"landscape_class": ["rural"] * 25 + ["urban"] * 25, "aspect_deg": np.round(aspects / step) * step % 360}
    )
    means = pd.DataFrame({
        "landscape_class": ["urban", "rural", "all dens"], "direction_deg": [180.0, 90.0, 135.0],
        "direction_lower": [np.nan, 350.0, 120.0], "direction_upper": [np.nan, 100.0, 150.0],
        "length": [0.4, 0.8, 0.6],
    })  # fmt: skip
    share = np.arange(1, 17) / np.arange(1, 17).sum()
    return Block("aspect", frames={"dens": dens, "available": pd.DataFrame({"share": share}), "means": means})


def magnitude_block(part: str = "magnitude-slope-deg") -> Block:
    """Make values of 60 dens with the medians of their classes and a trend."""
    value = np.random.default_rng(2).gamma(3, 4, 60)
    dens = pd.DataFrame({
        "landscape_class": np.repeat(CLASSES, 20), "gradient": np.linspace(3, 0, 60), "value": value,
        "female": [f"OB-{n:03}" for n in range(60)], "den_id": [f"den-{n}" for n in range(60)], "x_m": 512345.5,
    })  # fmt: skip
    median = dens.groupby("landscape_class", sort=False)["value"].median()
    classes = pd.DataFrame({
        "landscape_class": CLASSES, "dens": 20, "females": 8, "median": median.to_numpy(),
        "median_lower": median.to_numpy() - 1, "median_upper": [*(median.to_numpy()[:2] + 1), np.nan],
    })  # fmt: skip
    x = np.linspace(0, 3, 7)
    trend = pd.DataFrame({"gradient": x, "value": 12 - x, "lower": 10 - x, "upper": 14 - x})
    return Block(part, frames={"dens": dens, "classes": classes, "trend": trend})


def row(part: str, key: str, estimate: float, unit: str = "deg") -> Result:
    """Make a result with an interval of 1 to both sides."""
    return Result(
        key=f"{part}/{key}", part=part, what=key, estimate=estimate, unit=unit, lower=estimate - 1, upper=estimate + 1,
        dens=30, females=10, method="m", assumes="a", source="s",
    )  # fmt: skip


def pair_block(part: str, *keys: tuple[str, float]) -> Block:
    """Make 30 pairs of numbers, and some results about them."""
    rng = np.random.default_rng(3)
    field = rng.uniform(0, 40, 30)
    mapped = field + rng.normal(0, 3, 30)
    pairs = {"observed": field, "derived": mapped, "mean": (field + mapped) / 2, "difference": field - mapped}
    return Block(part, tuple(row(part, *key) for key in keys), frames={"pairs": pd.DataFrame(pairs)})


SLOPE = pair_block("agreement-slope", ("bias", 0.5), ("lower-limit", -6.0), ("upper-limit", 7.0))
ASPECT = pair_block("agreement-aspect", ("turn", -2.0), ("within", 0.9))


def all_blocks() -> list[Block]:
    """Make one block for every figure."""
    ground = aspect_block(step=45)
    ground = Block("ground-aspect", frames=ground.frames)
    return [curve_block(), share_block(), aspect_block(), ground, magnitude_block(), SLOPE, ASPECT]


def drawn_all(folder, blocks=None):
    """Draw every figure."""
    slope = Covariate(column="slope_deg", heading="Ground slope", unit="deg")
    return draw(
        all_blocks() if blocks is None else blocks, folder, gradient_name="housing density",
        gradient_unit="units per km2", covariates=[slope],
    )  # fmt: skip


@pytest.fixture(scope="module")
def all_drawn(tmp_path_factory):
    """Draw every figure once for the tests that read the files."""
    return drawn_all(tmp_path_factory.mktemp("figures"))


def lines(axes, gid: str):
    """Return the lines of axes that carry a name."""
    return [line for line in axes.get_lines() if line.get_gid() == gid]


def digests(folder) -> dict[str, str]:
    """Return a digest of every file of a folder."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def test_curves_and_bands_are_the_frame() -> None:
    """Each panel has the shares of its type, its band, and a tick for each den."""
    block = curve_block()
    figure = types_along_gradient(block, gradient=Gradient("housing density [units per km2]"))
    for axes, (_, rows) in zip(figure.axes, block.frames["curve"].groupby("type", sort=False), strict=True):
        (line,) = lines(axes, "share")
        assert np.allclose(line.get_ydata(), rows["share"])
        edge = axes.collections[0].get_paths()[0].vertices
        assert edge[:, 1].min() == pytest.approx(rows["lower"].min())
        assert edge[:, 1].max() == pytest.approx(rows["upper"].max())
        ticks = [len(one.get_segments()) for one in axes.collections[1:3]]
        assert ticks == [10, 30]
    assert len({str(lines(axes, "share")[0]._unscaled_dash_pattern) for axes in figure.axes}) == len(TYPES)


def test_a_logarithm_reads_as_what_it_is_of() -> None:
    """Ticks and words are in the measure's own unit; another scale keeps its numbers."""
    gradient = Gradient.of("log10(1 + housing density)", "log10 of units per km2")
    assert gradient.label == "housing density [units per km²]"
    assert [gradient.told(np.log10(1 + n)) for n in (0, 250, 2994)] == ["0", "250", "2994"]
    figure = types_along_gradient(curve_block(), gradient=gradient, level="90 %")
    axis = figure.axes[0].xaxis
    places = dict(zip((t.get_text() for t in axis.get_ticklabels()), axis.get_ticklocs(), strict=True))
    assert places["10"] == pytest.approx(np.log10(11))
    assert any("90 % interval" in " ".join(text.get_text().split()) for text in figure.texts)
    assert Gradient.of("distance", "m").told(12.5) == "12.5"


def test_the_urban_end_is_named() -> None:
    """Which end of the gradient is urban follows the measure."""
    ends = [
        next(text.get_text() for text in figure.texts if text.get_text().startswith("←"))
        for figure in (
            types_along_gradient(curve_block(), gradient=Gradient("g"), urban_is_high=high) for high in (True, False)
        )
    ]
    assert ends == ["← more rural", "← more urban"]


def test_bars_and_intervals_are_the_frame() -> None:
    """Stacks add up to 1 in order, dots stand at shares, lines reach from limit to limit."""
    block = share_block()
    figure = shares_by_class(block)
    bars, *panels = figure.axes
    shares = block.frames["shares"]
    for container in bars.containers:
        expected = shares[shares["type"] == container.get_label()]["share"]
        assert np.allclose([patch.get_width() for patch in container], expected)
    ends = [patch.get_x() + patch.get_width() for patch in bars.containers[-1]]
    assert np.allclose(ends, 1)
    for axes, (_, rows) in zip(panels, shares.groupby("type", sort=False), strict=True):
        assert np.allclose(lines(axes, "share")[0].get_xdata(), rows["share"])
        drawn = np.array(axes.collections[1].get_segments())[:, :, 0]
        assert np.allclose(drawn, rows[["lower", "upper"]])
        assert axes.get_xlim()[1] > rows["upper"].max()


def test_area_of_a_sector_is_its_share() -> None:
    """The square of a radius, not the radius, is in proportion to the share; the classes stand in order."""
    block = aspect_block()
    figure = aspects_by_class(block)
    dens = block.frames["dens"]
    for axes, name in zip(figure.axes, ("urban", "rural"), strict=True):
        aspects = dens.loc[dens["landscape_class"] == name, "aspect_deg"].to_numpy()
        areas = np.array([bar.get_height() ** 2 * bar.get_width() for bar in axes.patches])
        assert np.allclose(areas / areas.sum(), sector_shares(aspects, 16))
        assert (axes.get_theta_offset(), axes.get_theta_direction()) == (math.pi / 2, -1)
        outer = next(line for line in axes.get_lines() if line.get_label() == "available")
        assert np.allclose(outer.get_ydata()[4:148:9] ** 2, block.frames["available"]["share"])
    assert len({axes.get_ylim() for axes in figure.axes}) == 1


def test_mean_direction_and_its_arc() -> None:
    """The line is as long as the resultant; the arc runs clockwise through north; none without limits."""
    urban, rural = aspects_by_class(aspect_block()).axes
    rim = rural.get_ylim()[1]
    assert lines(rural, "mean")[0].get_ydata()[1] == pytest.approx(0.8 * rim)
    arc_deg = np.degrees(lines(rural, "interval")[0].get_xdata())
    assert (arc_deg[0], arc_deg[-1]) == pytest.approx((350, 460))
    assert not lines(urban, "interval")


def test_sectors_by_hand() -> None:
    """The first sector lies about north; eight winds of 16 take half of both neighbours; both sum to 1."""
    shares = sector_shares(np.array([0.0, 359.0, 11.0, 11.25, 348.74, 180.0]), 16)
    assert shares[[0, 1, 8, 15]] * 6 == pytest.approx([3, 1, 1, 1])
    sixteen = np.arange(1, 17) / 136
    assert eighths(sixteen)[:2] * 136 == pytest.approx([1 + (2 + 16) / 2, 3 + (2 + 4) / 2])
    assert eighths(sixteen).sum() == pytest.approx(1)
    assert (sector_count(np.array([0.0, 45, 315])), sector_count(np.array([0.0, 44.0]))) == (8, 16)


def test_octants_get_eight_sectors() -> None:
    """Aspects read to eight winds are drawn in eight sectors."""
    figure = aspects_by_class(aspect_block(step=45))
    assert [len(axes.patches) for axes in figure.axes] == [8, 8]


def test_dots_medians_and_trend_are_the_frame() -> None:
    """Every den is a dot near its value; medians, limits and trend are exact; no limits, no line."""
    block = magnitude_block()
    rows, along = quantity_by_class(block, heading="Ground slope", unit="deg", gradient=Gradient("g")).axes
    dens = block.frames["dens"]
    half = 0.5 * 1.25 / 62 * np.ptp(rows.get_xlim()) + 1e-9
    for line, name in zip(lines(rows, "dens"), CLASSES, strict=True):
        values = np.sort(dens.loc[dens["landscape_class"] == name, "value"])
        assert np.abs(np.sort(line.get_xdata()) - values).max() <= half
    medians = [line.get_xdata()[0] for line in lines(rows, "median")]
    assert np.allclose(medians, block.frames["classes"]["median"])
    assert [tuple(line.get_xdata()) for line in lines(rows, "interval")] == [(m - 1, m + 1) for m in medians[:2]]
    assert np.allclose(lines(along, "trend")[0].get_ydata(), block.frames["trend"]["value"])


def test_without_trend_the_classes_stand_alone() -> None:
    """An empty trend leaves one panel."""
    block = magnitude_block()
    bare = Block(block.part, frames={**block.frames, "trend": block.frames["trend"].iloc[:0]})
    assert len(quantity_by_class(bare, heading="h", unit="", gradient=Gradient("g")).axes) == 1


def test_columns_of_dots() -> None:
    """Dots closer than one width form a column around the middle; none moves by more than half a dot."""
    places, rise = columns(np.array([0.0, 0.4, 0.9, 1.0, 5.0]), dot=1.0)
    assert places.tolist() == [0.45, 0.45, 0.45, 1.0, 5.0]
    assert rise.tolist() == [0, 1, 2, 0, 0]
    values = np.sort(np.random.default_rng(1).normal(size=300))
    assert np.abs(columns(values, dot=0.2)[0] - values).max() <= 0.1


def test_differences_and_limits_are_the_results() -> None:
    """Both panels hold the pairs; level lines stand where bias and limits are."""
    left, right = agreement(SLOPE, what="slope", unit="deg").axes
    pairs = SLOPE.frames["pairs"]
    for axes, x, y in ((left, "observed", "derived"), (right, "mean", "difference")):
        (dots,) = lines(axes, "dens")
        assert np.array_equal(dots.get_xdata(), np.sort(pairs[x]))  # in the order of values, not of the dens
        assert np.array_equal(dots.get_ydata(), pairs.sort_values(x)[y])
    assert [line.get_ydata()[0] for line in lines(right, "level")] == [0.5, 7.0, -6.0]


def test_bearings_go_round() -> None:
    """The panel of differences reaches half a turn to both sides; the mean turn is drawn."""
    _, right = bearing_agreement(ASPECT).axes
    low, high = right.get_ylim()
    assert low < -180 and high > 180
    assert [line.get_ydata()[0] for line in lines(right, "level")] == [-2.0, 45.0, -45.0]


def test_files_do_not_give_dens_away(all_drawn) -> None:
    """No name, id or coordinate of a den is in a file, and no place finer than a tenth of a point."""
    for drawn in all_drawn:
        with Image.open(drawn.png) as picture:
            text = drawn.svg.read_text(encoding="utf-8") + str(picture.text)
        assert not re.search(r"OB-\d|den-\d|512345|x_m", text)
        places = re.findall(r' (?:d|x|y)="([^"]*)"', text)
        assert len(places) > 50
        assert not any(re.search(r"\.\d\d", place) for place in places)


def test_dens_stand_in_groups_along_the_gradient() -> None:
    """60 dens make 3 groups of 20 with their means and quartiles; no single den is drawn there."""
    block = magnitude_block()
    _, along = quantity_by_class(block, heading="h", unit="", gradient=Gradient("g")).axes
    values = block.frames["dens"]["value"].to_numpy()[::-1].reshape(3, 20)
    (dots,) = lines(along, "groups")
    assert np.allclose(dots.get_ydata(), values.mean(axis=1))
    ends = np.array(along.collections[1].get_segments())[:, :, 1]
    assert np.allclose(ends, np.quantile(values, (0.25, 0.75), axis=1).T)
    assert max(len(line.get_xdata()) for line in along.get_lines()) < 10


def test_groups_keep_ties_together_and_leave_out_few() -> None:
    """Dens at one place are one group; fewer than 5, and dens without a place, are no group."""
    assert grouped(np.array([1.0, 2, 3, 4]), np.zeros(4)).shape == (0, 4)
    place = np.array([*[0.0] * 30, *[1.0] * 8, 2.0, 2.0, *[np.nan] * 9])
    found = grouped(place, np.where(place == 0, 5.0, 1.0))
    assert found[:, :2].tolist() == [[0.0, 5.0], [1.2, 1.0]]


def test_a_trend_ends_where_values_cannot_be() -> None:
    """Below zero a line of positive values is neither drawn nor told."""
    block = magnitude_block()
    trend = block.frames["trend"].assign(value=lambda frame: 4 - 2 * frame["gradient"])
    block = Block(block.part, frames={**block.frames, "trend": trend})
    _, along = quantity_by_class(block, heading="h", unit="m", gradient=Gradient("g")).axes
    assert np.nanmin(lines(along, "trend")[0].get_ydata()) == 0
    told = told_quantity(block, heading="h", unit="m", gradient=Gradient("g"))
    assert told.endswith("the trend runs from 4 m at 0 to 0 m at 2; beyond, it falls below zero.")


def test_ticks_are_round() -> None:
    """At least two ticks on a logarithm, as few digits as can be."""
    assert round_numbers(-0.1, 3.5) == [0, 1, 10, 100, 1000]
    assert round_numbers(2.2, 2.9) == [200, 500]
    assert round_numbers(2.30, 2.49) == [200, 300]


def test_words_keep_apart() -> None:
    """Words at the margin are moved until they do not touch, and keep their order."""
    assert apart([0.0, 0.5, -0.5], 1.0) == [0.0, 1.0, -1.0]
    assert apart([0.0, 5.0], 1.0) == [0.0, 5.0]
    assert apart([], 1.0) == []


def test_same_numbers_same_bytes(all_drawn, tmp_path) -> None:
    """Two runs give the same files, whatever a person's own settings are; the settings stay theirs."""
    with mpl.rc_context({"font.size": 20, "axes.facecolor": "red", "svg.fonttype": "none"}):
        drawn_all(tmp_path)
        assert mpl.rcParams["font.size"] == 20
    first = digests(all_drawn[0].svg.parent)
    assert first == digests(tmp_path)
    assert len(first) == 14


def test_files_say_what_they_show(all_drawn) -> None:
    """SVG and PNG carry title and alternative text; fonts are outlines; no date, no maker; ids are the file's own."""
    for drawn in all_drawn:
        text = drawn.svg.read_text(encoding="utf-8")
        root = ET.fromstring(text)  # noqa: S314  # our own file
        assert root.get("role") == "img"
        assert root.find(f"{SVG}title").text == drawn.title
        assert root.find(f"{SVG}desc").text == drawn.alt
        assert not root.findall(f".//{SVG}text") and "font-family" not in text
        assert "Matplotlib v" not in text and "matplotlib.org" not in text and "<dc:date>" not in text
        ids = set(re.findall(r'\bid="([^"]*)"', text))
        assert all(name.startswith(f"{drawn.name}-") for name in ids)
        assert set(re.findall(r'(?:href="#|url\(#)([^")]*)', text)) <= ids
        with Image.open(drawn.png) as picture:
            assert picture.text["Title"] == drawn.title and picture.text["Description"] == drawn.alt
            assert round(picture.info["dpi"][0]) == 200
            assert abs(picture.width - 160 / 25.4 * 200) <= 1


def test_alternative_text_has_the_numbers(all_drawn) -> None:
    """What is told in words are the frames' and the results' numbers."""
    alt = {drawn.name: drawn.alt for drawn in all_drawn}
    assert "Tree: 10 % (8 % to 11 %) at 0; 40 % (32 % to 44 %) at 1.5; 70 %" in alt["type-along-gradient"]
    assert "Urban (10 dens, 5 females): tree 10 % (6 % to 15 %)" in alt["type-by-class"]
    assert "Rural: 25 dens with an aspect, mean direction 90° (from 350° clockwise to 100°)" in alt["aspect-by-class"]
    assert "Available ground: most in sector NNW (12 %)" in alt["aspect-by-class"]
    median = magnitude_block().frames["classes"]["median"][2]
    assert f"Rural (20 dens, 8 females): {median:.3g}°, no interval" in alt["magnitude-slope-deg"]
    assert "Upper-limit: 7° (6° to 8°)" in alt["agreement-slope"]
    assert "Within: 90 %" in alt["agreement-aspect"]


def test_long_names_stay_on_the_sheet() -> None:
    """Eight classes of 30 characters, dollar signs too, and seven types: no words beyond an edge or on others."""
    classes = [f"class {n} $with$ a long long name"[:30] for n in range(8)]
    figure = shares_by_class(share_block(classes, (*TYPES, "lumped of two or more", "another one", "unknown")))
    renderer = figure.canvas.get_renderer() if hasattr(figure.canvas, "get_renderer") else figure._get_renderer()
    boxes = [text.get_window_extent(renderer) for text in figure.texts]
    assert min(box.x0 for box in boxes) >= 0
    assert max(box.x1 for box in boxes) <= figure.bbox.x1 + 1
    heads = sorted((box for box in boxes if box.x0 > figure.bbox.x1 * 0.35 and box.y1 < 0.87 * figure.bbox.y1),
                   key=lambda box: box.x0)  # fmt: skip
    assert all(a.x1 < b.x0 for a, b in pairwise(heads))


def test_nothing_to_draw_is_said(tmp_path) -> None:
    """Missing, empty and unfit frames give no file, no warning, and a sentence with the reason."""
    why = "2 dens have a type; 3 are needed"
    blocks = [
        Block("type-along-gradient", unsaid=(Unsaid("type-along-gradient", "a curve", why),)),
        Block("type-by-class", frames={"shares": share_block().frames["shares"].iloc[:0]}),
        Block("magnitude-slope-deg", frames={"dens": pd.DataFrame({"value": [1.0]})}),
    ]
    drawn = drawn_all(tmp_path / "none", blocks)
    assert not (tmp_path / "none").exists()
    assert all(one.svg is None and one.png is None and not one.alt for one in drawn)
    assert drawn[0].why_not == f"Den types along the gradient: no figure, because {why}."
    assert "have no complete row" in drawn[1].why_not
    assert drawn[2].why_not.endswith("because this was not compared.")
    assert "lack landscape_class" in drawn[4].why_not


def test_dens_without_a_class_are_no_figure(tmp_path) -> None:
    """Aspects and values of dens without a class have no row to stand in."""
    aspects = pd.DataFrame({"landscape_class": [""], "aspect_deg": [10.0]})
    values = magnitude_block().frames | {"dens": pd.DataFrame({"landscape_class": ["elsewhere"], "value": [1.0]})}
    drawn = drawn_all(
        tmp_path, [Block("aspect", frames={"dens": aspects}), Block("magnitude-slope-deg", frames=values)]
    )
    assert "no den has both an aspect and a landscape class" in drawn[2].why_not
    assert "no den has both a value and a landscape class" in drawn[4].why_not


def test_no_figure_of_an_earlier_run_stays(tmp_path) -> None:
    """What can no longer be drawn is taken away: it would tell of other dens."""
    drawn_all(tmp_path, [share_block()])
    other = tmp_path / "notes.svg"
    other.touch()
    drawn_all(tmp_path, [])
    assert list(tmp_path.iterdir()) == [other]


def test_shares_without_limits(tmp_path) -> None:
    """A share without interval is drawn and told without one."""
    frame = share_block().frames["shares"].assign(lower=np.nan, upper=np.nan)
    (drawn,) = [one for one in drawn_all(tmp_path, [Block("type-by-class", frames={"shares": frame})]) if one.svg]
    assert "Urban (10 dens, 5 females): tree 10 %; ground bed 20 %" in drawn.alt


def test_one_den_can_be_drawn(tmp_path) -> None:
    """One den, one class, one type, a constant: figures without warning."""
    whole = [
        Block(block.part, block.results, frames={name: frame.iloc[:1] for name, frame in block.frames.items()})
        for block in all_blocks()
    ]
    assert [one.name for one in drawn_all(tmp_path, whole) if one.why_not] == []


def test_names_the_font_lacks(tmp_path) -> None:
    """A class in a script that the font lacks gives no warning, and stands whole in the text."""
    (drawn,) = [one for one in drawn_all(tmp_path, [share_block(("森林", "बस्ती"))]) if one.svg]
    assert "森林" in drawn.alt


def test_types_look_as_on_the_map() -> None:
    """Colours are the map's; lumped types have marks that no other has."""
    found = marks([*DEN_TYPES, "lumped", "lumped too"])
    assert [found[kind].colour for kind in DEN_TYPES] == [DEN_SYMBOLS[kind].colour for kind in DEN_TYPES]
    for looks in ("colour", "dash"):
        assert len({str(getattr(mark, looks)) for mark in found.values()}) == len(found)


def test_symbols_fill_their_boxes() -> None:
    """The outline of the map's bowl is half an ellipse of 24 by 13 units, its rim at the top."""
    corners = outline(DEN_SYMBOLS["ground bed"].path).vertices
    assert corners[:, 0].min() == pytest.approx(-12) and corners[:, 0].max() == pytest.approx(12)
    assert corners[:, 1].max() == pytest.approx(14 - 9) and corners[:, 1].min() == pytest.approx(14 - 22, abs=0.05)


def test_arcs_keep_to_the_circle() -> None:
    """A quarter of a circle, both ways round: W3C SVG 1.1, appendix F.6.5."""
    for sweep, centre in ((1, (0, 0)), (0, (1, 1))):
        points = np.array(list(arc((1, 0), (0, 1), radii=(1, 1), flags=[0, sweep])))
        assert np.hypot(*(points - centre).T) == pytest.approx(np.ones(23))
