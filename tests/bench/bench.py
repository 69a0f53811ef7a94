"""All benchmarks in one run: makes the data, prints one table after the other, draws cost against size.

    python tests/bench/bench.py                 # the full sizes, about an hour
    python tests/bench/bench.py --small         # a minute or two, to see that all of it works

Peers are extras: pip install -e ".[bench]". Times are medians of processes of their own, densite and
its peers in turn; quote ratios from one run, since machines differ.
"""

from __future__ import annotations

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
from argparse import Namespace
from pathlib import Path

import bench_terrain
import geopandas as gpd
import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from bench_terrain import in_child, write_dem

HERE = Path(__file__).parent


def script(name: str, *options: str) -> None:
    """Run one of the scripts; one that fails is said and does not stop the others."""
    print(f"\n## {name} {' '.join(options)}", flush=True)
    if subprocess.run([sys.executable, str(HERE / name), *options], check=False).returncode:
        print(f"{name} did not finish")


def start_up() -> None:
    """Compare the start of the command line with importing geopandas."""
    print("\n## start of the command line")
    for words in (["-m", "densite", "--help"], ["-c", "import geopandas"]):
        seconds = []
        for _ in range(5):
            begin = time.perf_counter()
            subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
            seconds.append(time.perf_counter() - begin)
        print(f"| python {' '.join(words)} | {sorted(seconds)[2]:.2f} s |")


def horizons(folder: Path, dens: int) -> None:
    """Time the horizon of many dens on the demo's own DEM, or a made one."""
    from densite.layers import open_raster
    from densite.settings import LayerSettings
    from densite.sun import horizon_at

    size = max(int(path.stem.removeprefix("dem")) for path in folder.glob("dem*.tif"))
    dem = open_raster("elevation", LayerSettings(path=f"dem{size}.tif"), folder=folder)
    spots = bench_terrain.spots(dens, size)
    points = gpd.GeoSeries.from_xy(spots.x, spots.y, crs=spots.crs).to_crs(4326).to_frame("geometry")
    seconds = []
    for _ in range(3):
        begin = time.perf_counter()
        horizon_at(points, dem, reach_m=min(10_000.0, size))
        seconds.append(time.perf_counter() - begin)
    print(f"\n## horizon, 72 directions\n| {dens} dens on {size} x {size} cells | {sorted(seconds)[1]:.2f} s |")


def growth(folder: Path, sizes: list[int], most: int, target: Path) -> None:
    """Draw the cost of slope and aspect against the number of points and the size of the raster."""
    counts = [10**k for k in range(2, 7) if 10**k <= most]
    figure, axes = plt.subplots(figsize=(6, 4), layout="constrained")
    print("\n## cost against size: slope and aspect")
    for size in sizes:
        options = [Namespace(folder=folder, points=count, size=size) for count in counts]
        found = [in_child("densite", option) for option in options]
        for count, one in zip(counts, found, strict=True):
            print(f"| {size} x {size} | {count} points | {one['seconds']:.2f} s | {one['peak_mb']:.0f} MB |")
        axes.loglog(counts, [one["seconds"] for one in found], marker="o", label=f"{size} x {size} cells")
    axes.set(xlabel="points", ylabel="seconds", title="Elevation, slope and aspect")
    axes.legend()
    figure.savefig(target)
    print(f"drawn: {target}")


def main() -> None:
    """Read the options and run everything."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true")
    parser.add_argument("--folder", type=Path, help="where data and the drawing are kept")
    options = parser.parse_args()
    print(f"{platform.platform()}, {os.cpu_count()} processors, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as made:
        folder = options.folder or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        sizes = [1000, 2000] if options.small else [10_000, 20_000]
        for size in sizes:
            if not (folder / f"dem{size}.tif").exists():
                write_dem(folder / f"dem{size}.tif", size)
        for size in sizes:
            count = "20000" if options.small else "1000000"
            # peers that hold the whole raster several times need more than 24 GB at the larger size
            ways = ["--ways", "limit;densite;numpy;gdaldem"] if size > 10_000 else []
            script("bench_terrain.py", "--points", count, "--size", str(size), "--folder", str(folder), *ways)
        few = ["--points", "500", "--peer-points", "50", "--size", "2000", "--rounds", "1"] if options.small else []
        script("bench_discs.py", *few)
        script(
            "bench_distance.py", *(["--points", "5000", "--segments", "5000", "--rounds", "1"] if options.small else [])
        )
        script("bench_compare.py", *(["--small"] if options.small else []))
        script("bench_register.py", *(["--small"] if options.small else []))
        horizons(folder, 50 if options.small else 1000)
        start_up()
        growth(folder, sizes, 10**4 if options.small else 10**6, (options.folder or Path()) / "growth.png")


if __name__ == "__main__":
    main()
