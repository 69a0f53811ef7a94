"""Elevation, slope and aspect at many points: densite beside gdaldem, numpy, xarray-spatial and xdem, run by hand.

    python tests/bench/bench_terrain.py                       # 1,000,000 points on a DEM of 10,000 x 10,000
    python tests/bench/bench_terrain.py --size 20000
    python tests/bench/bench_terrain.py --points 10000 --size 2000 --rounds 1

The DEM is made once in a folder (by default a temporary one): float32, 10 m, tiled, deflate, seeded.
Each measurement is a process of its own, so that its peak memory is its own; densite and its peers
take turns in every round. "limit" is the decoding of the touched blocks by two threads, which nothing
that reads the file can beat. Points are arrays in the DEM's own CRS for all: densite gets their
coordinates, the limit and the peers the cells in which they lie, found before the clock starts. Peers
work on the whole raster and are then sampled at the points; a peer
that is not installed is left out and said so.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from pyproj import CRS

from densite import blocks
from densite.layers import Points, Raster, cells_at, open_raster
from densite.settings import LayerSettings
from densite.terrain import slope_aspect_at

WEST, NORTH, CELL_M = 400_000.0, 4_900_000.0, 10.0
WAYS = ("limit", "densite", "numpy", "gdaldem", "xarray-spatial", "xdem")
NEEDED = {"gdaldem": None, "xarray-spatial": "xrspatial", "xdem": "xdem"}


def write_dem(path: Path, size: int) -> None:
    """Write a seeded DEM of hills on hills with a little noise, in bands so that memory stays small."""
    from scipy import ndimage  # only here, so that no measured process holds it

    rng = np.random.default_rng(1)
    octaves = [(2048, 600.0), (512, 200.0), (128, 60.0), (32, 10.0)]
    coarse = [(step, height, rng.normal(size=(size // step + 4,) * 2)) for step, height in octaves]
    cols = np.arange(size)
    with rasterio.open(
        path, "w", driver="GTiff", height=size, width=size, count=1, dtype="float32", crs="EPSG:32611", tiled=True,
        transform=rasterio.Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), blockxsize=512, blockysize=512,
        compress="deflate", predictor=3, nodata=-9999, bigtiff="if_safer", num_threads=2,
    ) as target:  # fmt: skip
        for top in range(0, size, 512):
            rows = np.arange(top, min(top + 512, size))
            band = 1500 + rng.normal(0, 0.3, (len(rows), size))
            for step, height, grid in coarse:
                places = np.meshgrid(rows / step + 1, cols / step + 1, indexing="ij")
                band += height * ndimage.map_coordinates(grid, places, order=1)
            target.write(np.round(band, 2).astype("float32"), 1, window=((top, top + len(rows)), (0, size)))


def dem_of(folder: Path, size: int) -> Raster:
    """Open the DEM."""
    return open_raster("elevation", LayerSettings(path=f"dem{size}.tif"), folder=folder)


def spots(count: int, size: int) -> Points:
    """Return seeded points in the DEM's own CRS."""
    rng = np.random.default_rng(2)
    side = size * CELL_M
    x, y = WEST + rng.uniform(0, side, count), NORTH - rng.uniform(0, side, count)
    return Points(x, y, CRS.from_epsg(32611))


def sampled(slope: np.ndarray, aspect: np.ndarray, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Take the values of whole rasters at cells."""
    return np.stack([slope[rows, cols], aspect[rows, cols]])


def by_numpy(dem: Raster, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Compute Horn's estimator on the whole raster in memory."""
    with rasterio.open(dem.path) as source:
        z = source.read(1).astype(np.float32)
    dx = np.zeros_like(z)
    dy = np.zeros_like(z)
    dx[1:-1, 1:-1] = (z[:-2, 2:] + 2 * z[1:-1, 2:] + z[2:, 2:]) - (z[:-2, :-2] + 2 * z[1:-1, :-2] + z[2:, :-2])
    dy[1:-1, 1:-1] = (z[:-2, :-2] + 2 * z[:-2, 1:-1] + z[:-2, 2:]) - (z[2:, :-2] + 2 * z[2:, 1:-1] + z[2:, 2:])
    dx, dy = dx[rows, cols] / (8 * CELL_M), dy[rows, cols] / (8 * CELL_M)
    return np.stack([np.degrees(np.arctan(np.hypot(dx, dy))), np.degrees(np.arctan2(-dx, -dy)) % 360])


def by_gdaldem(dem: Raster, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Run gdaldem twice and sample its rasters."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for kind in ("slope", "aspect"):
            path = Path(folder) / f"{kind}.tif"
            subprocess.run([shutil.which("gdaldem") or "gdaldem", kind, "-q", str(dem.path), str(path)], check=True)
            with rasterio.open(path) as source:
                found.append(source.read(1)[rows, cols])
    return np.stack(found)


def by_xarray_spatial(dem: Raster, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Use xarray-spatial on the whole raster."""
    import xarray as xr
    import xrspatial

    with rasterio.open(dem.path) as source:
        grid = xr.DataArray(source.read(1), dims=("y", "x"), attrs={"res": (CELL_M, CELL_M)})
    return sampled(xrspatial.slope(grid).to_numpy(), xrspatial.aspect(grid).to_numpy(), rows, cols)


def by_xdem(dem: Raster, rows: np.ndarray, cols: np.ndarray) -> np.ndarray:
    """Use xdem on the whole raster."""
    import xdem

    ground = xdem.DEM(str(dem.path))
    slope, aspect = xdem.terrain.get_terrain_attribute(ground, ["slope", "aspect"])
    return sampled(slope.data.filled(np.nan), aspect.data.filled(np.nan), rows, cols)


def work_of(way: str, dem: Raster, points: Points) -> Callable[[], object]:
    """Return what is timed; the points' cells are made ready for the peers beforehand."""
    if way == "densite":
        return lambda: slope_aspect_at(points, dem)
    row, col = cells_at(points, dem)
    rows, cols = row.astype(np.int64), col.astype(np.int64)
    ways: dict[str, Callable[[], object]] = {
        "limit": lambda: blocks.visit(dem, rows, cols, lambda _block, _which: None),
        "numpy": lambda: by_numpy(dem, rows, cols),
        "gdaldem": lambda: by_gdaldem(dem, rows, cols),
        "xarray-spatial": lambda: by_xarray_spatial(dem, rows, cols),
        "xdem": lambda: by_xdem(dem, rows, cols),
    }
    return ways[way]


def peak_mb() -> float:
    """Return this process's own peak memory (a child's getrusage would start with its parent's). [MB]"""
    text = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(line for line in text.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024


def measure(way: str, folder: Path, count: int, size: int) -> dict[str, float]:
    """Time one way once, in this process."""
    points = spots(count, size)
    before = peak_mb()
    work = work_of(way, dem_of(folder, size), points)
    start = time.perf_counter()
    work()
    return {"seconds": time.perf_counter() - start, "peak_mb": peak_mb(), "before_mb": before}


def in_child(way: str, options: argparse.Namespace) -> dict[str, float]:
    """Time one way once, in a process of its own."""
    told = ["--way", way, "--folder", str(options.folder), "--points", str(options.points), "--size", str(options.size)]
    done = subprocess.run([sys.executable, __file__, *told], check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def there(way: str) -> bool:
    """Tell whether a peer is installed."""
    if way == "gdaldem":
        return shutil.which("gdaldem") is not None
    return way not in NEEDED or importlib.util.find_spec(str(NEEDED[way])) is not None


def compare(options: argparse.Namespace) -> None:
    """Measure all ways in turn and print medians."""
    ways = [way for way in options.ways.split(";") if there(way)]
    absent = [way for way in NEEDED if not there(way)]
    in_child("densite", options)  # compiles once and fills the disk cache
    rounds = [{way: in_child(way, options) for way in ways} for _ in range(options.rounds)]
    middle = {way: statistics.median(found[way]["seconds"] for found in rounds) for way in ways}
    print(f"elevation, slope, aspect at {options.points:,} points, DEM {options.size:,} x {options.size:,}")
    print("| way | seconds, median (least to most) | of densite | of the limit | peak MB (with points before) |")
    print("|---|---|---|---|---|")
    for way in ways:
        seconds = [found[way]["seconds"] for found in rounds]
        peak, before = (max(found[way][key] for found in rounds) for key in ("peak_mb", "before_mb"))
        ratios = f"{middle[way] / middle['densite']:.2f} | {middle[way] / middle['limit']:.2f}"
        spread = f"{middle[way]:.2f} ({min(seconds):.2f} to {max(seconds):.2f})"
        print(f"| {way} | {spread} | {ratios} | {peak:.0f} ({before:.0f}) |")
    if absent:
        print(f"not installed: {', '.join(absent)}")


def main() -> None:
    """Read the options and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--size", type=int, default=10_000, help="rows and columns of the DEM")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, help="where the DEM is kept")
    parser.add_argument("--ways", default=";".join(WAYS), help="which, in the order of the table, parted by ;")
    parser.add_argument("--way", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.way:
        print(json.dumps(measure(options.way, options.folder, options.points, options.size)))
        return
    with tempfile.TemporaryDirectory() as made:
        options.folder = options.folder or Path(made)
        options.folder.mkdir(exist_ok=True, parents=True)
        if not (options.folder / f"dem{options.size}.tif").exists():
            write_dem(options.folder / f"dem{options.size}.tif", options.size)
        compare(options)


if __name__ == "__main__":
    main()
