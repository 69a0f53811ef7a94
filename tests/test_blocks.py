"""Blocks: every touched one is decoded once, and windows across their edges are whole."""

import numpy as np
import pytest
import rasterio
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from densite import blocks
from densite.layers import open_raster
from densite.settings import LayerSettings

pytestmark = pytest.mark.usefixtures("blocks_as_written")

SHAPES = {
    "tiled": {"tiled": True, "blockxsize": 16, "blockysize": 16},
    "striped": {"blockysize": 5},
    "single strips": {"blockysize": 1},
    "one block": {},
}


def write(folder, array, *, layout="tiled", nodata=None, **profile):
    """Write a raster in a layout and open it."""
    path = folder / f"{layout.replace(' ', '-')}.tif"
    profile |= SHAPES[layout] | {"compress": "deflate", "nodata": nodata}
    with rasterio.open(
        path, "w", driver="GTiff", height=array.shape[0], width=array.shape[1], count=1, dtype=array.dtype,
        crs="EPSG:32611", transform=rasterio.Affine(10, 0, 5e5, 0, -10, 4.8e6), **profile,
    ) as target:  # fmt: skip
        target.write(array, 1)
    return open_raster("elevation", LayerSettings(path=path.name), folder=folder)


def plain_windows(array, rows, cols, half):
    """Take windows from the whole array, the obviously right way."""
    padded = np.pad(array.astype(float), half, constant_values=np.nan)
    return np.array([padded[r : r + 2 * half + 1, c : c + 2 * half + 1] for r, c in zip(rows, cols, strict=True)])


def windows_by_blocks(raster, rows, cols, half, threads):
    """Take the same windows through the blocks; each point is handed over just once."""
    found = np.full((len(rows), 2 * half + 1, 2 * half + 1), np.inf)
    times = np.zeros(len(rows), dtype=int)

    def keep(which, windows):
        found[which] = windows
        times[which] += 1

    lost = blocks.around(raster, rows, cols, keep, half=half, threads=threads)
    assert (times == 1).all()
    return found, lost


@hypothesis_settings(max_examples=60, deadline=None)
@given(st.data())
def test_windows_equal_those_of_the_whole_raster(tmp_path_factory, data) -> None:
    """Random rasters, layouts, nodata patterns, points, window sizes and thread counts."""
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    shape = data.draw(st.tuples(st.integers(1, 70), st.integers(1, 70)))
    dtype = data.draw(st.sampled_from(["uint8", "int16", "float32", "float64"]))
    array = rng.integers(0, 100, shape).astype(dtype)
    nodata = data.draw(st.sampled_from([None, 7]))
    raster = write(
        tmp_path_factory.mktemp("r"), array, layout=data.draw(st.sampled_from(sorted(SHAPES))), nodata=nodata
    )
    n, half = data.draw(st.integers(0, 80)), data.draw(st.integers(0, 3))
    rows, cols = rng.integers(0, shape[0], n), rng.integers(0, shape[1], n)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "LEAST_CELLS", data.draw(st.sampled_from([1, 600, 2**16])))  # joined or not
        patch.setattr(blocks, "CACHED_POINTS", data.draw(st.sampled_from([7, 4096])))
        found, lost = windows_by_blocks(raster, rows, cols, half, data.draw(st.integers(1, 3)))
    expected = array.astype(float)
    if nodata is not None:
        expected[array == nodata] = np.nan
    assert not lost.any()
    if n:
        np.testing.assert_array_equal(found, plain_windows(expected, rows, cols, half))


@pytest.mark.parametrize("layout", sorted(SHAPES))
def test_each_touched_block_is_decoded_once_and_no_other(tmp_path, monkeypatch, layout) -> None:
    """Points in one corner, windows across edges: the decoded cells are those of their blocks, each once."""
    array = np.arange(96 * 96, dtype="float32").reshape(96, 96)
    raster = write(tmp_path, array, layout=layout)
    seen = []
    decode = blocks.decoded
    monkeypatch.setattr(blocks, "decoded", lambda s, r, w: (seen.append((w.row_off, w.col_off)), decode(s, r, w))[1])
    rows, cols = (v.ravel() for v in np.meshgrid(np.arange(0, 20), np.arange(0, 20)))
    windows_by_blocks(raster, rows, cols, 1, 2)
    assert len(seen) == len(set(seen))
    if layout == "tiled":
        assert set(seen) == {(0, 0), (0, 16), (16, 0), (16, 16)}


def test_points_outside_are_not_handed_over(tmp_path) -> None:
    """Fractions of cells will do; a point beyond any edge, or nowhere, is neither read nor lost."""
    raster = write(tmp_path, np.arange(40.0 * 40).reshape(40, 40))
    rows, cols = np.array([3.9, -0.1, 40.0, np.nan, 39.9, 1e12]), np.array([17.2, 3, 3, 3, 39.9, -1e12])
    found = {}
    lost = blocks.around(raster, rows, cols, lambda which, windows: found.update(zip(which, windows, strict=True)))
    assert sorted(found) == [0, 4]
    assert not lost.any()
    assert (found[0][1, 1], found[4][1, 1]) == (3 * 40 + 17, 39 * 40 + 39)
    assert np.isnan(found[4]).sum() == 5


@pytest.mark.parametrize(
    ("layout", "block"), [("tiled", (256, 256)), ("striped", (2**16 // (5 * 96) * 5, 96)), ("single strips", (682, 96))]
)
def test_small_blocks_are_joined(tmp_path, monkeypatch, layout, block) -> None:
    """Tiles to squares of 256 x 256 cells, strips to as many cells."""
    raster = write(tmp_path, np.zeros((96, 96), dtype="uint8"), layout=layout)
    monkeypatch.setattr(blocks, "LEAST_CELLS", 2**16)
    assert blocks.grid_of(raster).block == block


def test_scale_offset_and_mask_are_honoured(tmp_path) -> None:
    """Values are raw numbers times scale plus offset; masked cells are missing."""
    path = tmp_path / "a.tif"
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(
        path, "w", driver="GTiff", height=4, width=4, count=1, dtype="int16", crs="EPSG:32611",
        transform=rasterio.Affine(10, 0, 5e5, 0, -10, 4.8e6),
    ) as target:  # fmt: skip
        target.write(np.arange(16, dtype="int16").reshape(4, 4), 1)
        target.scales, target.offsets = (0.5,), (100.0,)
        mask = np.full((4, 4), 255, dtype="uint8")
        mask[1, 1] = 0
        target.write_mask(mask)
    raster = open_raster("elevation", LayerSettings(path="a.tif"), folder=tmp_path)
    found, _ = windows_by_blocks(raster, np.array([2, 1]), np.array([3, 1]), 0, 1)
    assert found[0, 0, 0] == 100 + 0.5 * 11
    assert np.isnan(found[1, 0, 0])


def test_a_damaged_block_costs_only_its_points(tmp_path) -> None:
    """The file is cut off: blocks before the cut are read, those behind it are told as lost."""
    rng = np.random.default_rng(1)
    array = rng.normal(size=(96, 96)).astype("float32")
    raster = write(tmp_path, array)
    data = raster.path.read_bytes()
    raster.path.write_bytes(data[: len(data) * 8 // 10])
    rows, cols = (v.ravel() for v in np.meshgrid(np.arange(96), np.arange(96), indexing="ij"))
    found, lost = windows_by_blocks(raster, rows, cols, 1, 2)
    assert 0 < lost.sum() < 0.3 * len(rows)
    np.testing.assert_array_equal(found[~lost], plain_windows(array, rows, cols, 1)[~lost])
    assert np.isnan(found[lost]).any(axis=(1, 2)).all()


def test_an_error_in_the_work_ends_all_threads(tmp_path) -> None:
    """It comes out as it is, and nothing hangs."""
    raster = write(tmp_path, np.zeros((96, 96), dtype="uint8"))

    def fail(*_):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        blocks.around(raster, np.arange(90), np.arange(90), fail, threads=2)
