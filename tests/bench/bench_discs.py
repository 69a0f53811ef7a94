"""Class shares in discs around many points: densite beside exactextract and rasterstats, run by hand.

    python tests/bench/bench_discs.py                                  # 10,000 points, peers at 1,000
    python tests/bench/bench_discs.py --points 1000 --peer-points 50 --size 2000 --rounds 1
    python tests/bench/bench_discs.py --growth                         # densite alone, 100 to 1,000,000 points

The land cover is made once in a folder (by default a temporary one): 16 classes, uint8, 30 m, tiled,
deflate, patches with a tenth of single odd cells. Each measurement is a process of its own, so that
its peak memory is its own; densite and its peers take turns. What each one is given to work on is
made before the clock starts: densite gets points in degrees, exactextract and rasterstats get discs as
polygons. The fewest corners that give a circle's shares to 1e-6 are 256 (64 give 3e-5, 128 4e-6; a
buffer's 64 corners take exactextract 0.6 of the time), so peers are timed with these; values are
compared at --check-points points with polygons of 20,000. rasterstats counts cells whole, so that its
values differ at the rim. Where a peer gets fewer points than densite, its time is scaled up to as many.
"""

from __future__ import annotations

import argparse
import json
import math
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from scipy import ndimage

from densite.cover import class_shares, read_legend
from densite.discs import cell_size
from densite.layers import Raster, open_raster, to_layer_xy
from densite.settings import LayerSettings

CODES = (11, 12, 21, 22, 23, 24, 31, 41, 42, 43, 52, 71, 81, 82, 90, 95)
RADII_M = (30.0, 100.0, 500.0, 1000.0)
CELL_M = 30.0
CIRCLE_CORNERS = 20_000
WEST, NORTH = 350_000.0, 5_650_000.0
WAYS = ("densite", "densite, numpy", "exactextract", "rasterstats")


def write_cover(path: Path, size: int) -> None:
    """Write the land cover of so many rows and columns."""
    rng = np.random.default_rng(3)
    side = size // 20 + 2
    smooth = ndimage.gaussian_filter(rng.normal(size=(side, side)), 1.2)
    ground = ndimage.zoom(smooth, 20, order=1)[:size, :size]
    place = np.clip(ground / ground.std() * 4 + 8, 0, len(CODES) - 1).astype(np.uint8)
    odd = rng.random((size, size)) < 0.1
    place[odd] = rng.integers(0, len(CODES), odd.sum())
    with rasterio.open(
        path, "w", driver="GTiff", height=size, width=size, count=1, dtype="uint8", crs="EPSG:32611",
        transform=rasterio.Affine(CELL_M, 0, WEST, 0, -CELL_M, NORTH), tiled=True, blockxsize=512,
        blockysize=512, compress="deflate",
    ) as target:  # fmt: skip
        target.write(np.array(CODES, np.uint8)[place], 1)


def spots(count: int, size: int) -> gpd.GeoDataFrame:
    """Scatter points evenly over the land cover, discs inside it."""
    reach = size * CELL_M - max(RADII_M)
    x, y = np.random.default_rng(7).uniform(max(RADII_M), reach, (2, count))
    return gpd.GeoDataFrame(geometry=gpd.points_from_xy(WEST + x, NORTH - y), crs=32611).to_crs(4326)


def polygons(points: gpd.GeoDataFrame, raster: Raster, radius: float, corners: int) -> gpd.GeoDataFrame:
    """Draw discs as polygons of equal area in the raster's plane."""
    step = 2 * math.pi / corners
    turn = np.arange(corners) * step
    outer = radius * math.sqrt(step / math.sin(step))
    (high, wide), (x, y) = cell_size(points, raster), to_layer_xy(points, raster.crs)
    rim_x = x[:, None] + outer * CELL_M / wide[:, None] * np.cos(turn)
    rim_y = y[:, None] + outer * CELL_M / high[:, None] * np.sin(turn)
    return gpd.GeoDataFrame(geometry=shapely.polygons(np.stack([rim_x, rim_y], axis=2)), crs=raster.crs)


def by_densite(raster: Raster, points: gpd.GeoDataFrame, plain: bool) -> Callable[[], np.ndarray]:
    """Shares by densite, shape (points, radii, codes)."""
    legend = read_legend("nlcd", folder=Path())
    if plain:
        from densite import discs

        discs.COMPILED_FROM = math.inf

    def run() -> np.ndarray:
        found = class_shares(points, raster, legend=legend, radii_m=RADII_M)
        names = [f"share_{code}_{radius:g}m" for radius in RADII_M for code in CODES]
        return found.reindex(columns=names, fill_value=0.0).to_numpy(float).reshape(-1, len(RADII_M), len(CODES))

    return run


def by_exactextract(raster: Raster, points: gpd.GeoDataFrame, corners: int) -> Callable[[], np.ndarray]:
    """Shares by exactextract, one call a radius."""
    from exactextract import exact_extract

    discs = [polygons(points, raster, radius, corners) for radius in RADII_M]

    def run() -> np.ndarray:
        table = np.zeros((len(points), len(RADII_M), len(CODES)))
        for r, frame in enumerate(discs):
            found = exact_extract(raster.path, frame, ["unique", "frac"], output="pandas")
            for i, (unique, share) in enumerate(zip(found["unique"], found["frac"], strict=True)):
                table[i, r, np.searchsorted(CODES, unique)] = share
        return table

    return run


def by_rasterstats(raster: Raster, points: gpd.GeoDataFrame, corners: int) -> Callable[[], np.ndarray]:
    """Shares of whole cells by rasterstats, one call a radius."""
    import rasterstats

    discs = [polygons(points, raster, radius, corners) for radius in RADII_M]

    def run() -> np.ndarray:
        table = np.zeros((len(points), len(RADII_M), len(CODES)))
        for r, frame in enumerate(discs):
            for i, cells in enumerate(rasterstats.zonal_stats(frame.geometry, str(raster.path), categorical=True)):
                counted = np.array(list(cells.values()), float)
                table[i, r, np.searchsorted(CODES, list(cells))] = counted / max(1.0, counted.sum())
        return table

    return run


def peak_mb() -> float:
    """Return this process's peak memory. [MB]

    Not from getrusage, whose peak a process inherits from the one that started it.
    """
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def measure(way: str, folder: Path, count: int, size: int, corners: int, keep: Path | None) -> dict[str, float]:
    """Time one way in this process, from the call to the table."""
    warnings.simplefilter("ignore")  # the peers' own remarks on CRS texts
    raster = open_raster("land_cover", LayerSettings(path=f"cover{size}.tif"), folder=folder)
    points = spots(count, size)
    if way.startswith("densite"):
        run = by_densite(raster, points, plain=way.endswith("numpy"))
    else:
        run = (by_exactextract if way == "exactextract" else by_rasterstats)(raster, points, corners)
    start = time.perf_counter()
    table = run()
    seconds = time.perf_counter() - start
    if keep:
        np.save(keep, table)
    return {"seconds": seconds, "peak_mb": peak_mb()}


def in_child(
    way: str, count: int, options: argparse.Namespace, *, corners: int = 0, keep: Path | None = None
) -> dict[str, float]:
    """Measure in a process of its own."""
    command = [
        sys.executable, __file__, "--way", way, "--points", str(count), "--size", str(options.size),
        "--corners", str(corners or options.corners), "--folder", str(options.folder),
    ]  # fmt: skip
    command += ["--keep", str(keep)] if keep else []
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def compare(options: argparse.Namespace) -> None:
    """Print densite and its peers side by side, and how far their values are apart."""
    in_child("densite", 10_000, options)  # compiles, once in a machine's life
    count, few = options.points, min(options.points, options.peer_points)
    sizes = dict.fromkeys(WAYS, few) | {"densite": count}
    runs: dict[str, list[dict[str, float]]] = {way: [] for way in WAYS}
    for _ in range(options.rounds):
        for way in WAYS:
            runs[way].append(in_child(way, sizes[way], options))
    rows = []
    own = statistics.median(run["seconds"] for run in runs["densite"])
    for way in WAYS:
        seconds = statistics.median(run["seconds"] for run in runs[way]) * count / sizes[way]
        memory = statistics.median(run["peak_mb"] for run in runs[way])
        rows.append([way, sizes[way], round(seconds, 2), round(seconds / own, 1), round(memory)])
    heading = ["way", "points timed", f"s for {count} points", "times densite", "peak MB"]
    print(pd.DataFrame(rows, columns=heading).to_string(index=False))
    check(options)


def check(options: argparse.Namespace) -> None:
    """Print how far shares are apart where peers get circles of very many corners."""
    tables = {}
    for way in WAYS:
        keep = options.folder / "shares.npy"
        in_child(way, options.check_points, options, corners=CIRCLE_CORNERS, keep=keep)
        tables[way] = np.load(keep)
    for way in WAYS[1:]:
        apart = np.abs(tables["densite"] - tables[way]).max()
        print(f"largest difference of a share from {way}, {options.check_points} points: {apart:.1e}")


def growth(options: argparse.Namespace) -> None:
    """Print densite's cost against the number of points."""
    in_child("densite", 10_000, options)
    for count in (100, 1_000, 10_000, 100_000, 1_000_000):
        if count <= options.most:
            runs = [in_child("densite", count, options) for _ in range(options.rounds)]
            seconds = statistics.median(run["seconds"] for run in runs)
            memory = statistics.median(run["peak_mb"] for run in runs)
            print(f"{count:>9} points  {seconds:7.2f} s  {seconds / count * 1e6:8.1f} us a point  {memory:6.0f} MB")


def main() -> None:
    """Read the options and measure."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=10_000)
    parser.add_argument("--peer-points", type=int, default=1_000)
    parser.add_argument("--size", type=int, default=10_000, help="rows and columns of the land cover")
    parser.add_argument("--corners", type=int, default=256)
    parser.add_argument("--check-points", type=int, default=50)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--growth", action="store_true")
    parser.add_argument("--most", type=int, default=1_000_000, help="most points of --growth")
    parser.add_argument("--folder", type=Path, help="where the land cover is kept")
    parser.add_argument("--way", choices=WAYS, help=argparse.SUPPRESS)
    parser.add_argument("--keep", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.way:
        found = measure(options.way, options.folder, options.points, options.size, options.corners, options.keep)
        print(json.dumps(found))
        return
    with tempfile.TemporaryDirectory() as made:
        options.folder = options.folder or Path(made)
        options.folder.mkdir(exist_ok=True, parents=True)
        path = options.folder / f"cover{options.size}.tif"
        if not path.exists():
            write_cover(path, options.size)
        (growth if options.growth else compare)(options)


if __name__ == "__main__":
    main()
