"""Distance to the nearest of many lines: densite beside geopandas and shapely, run by hand.

    python tests/bench/bench_distance.py                      # a million points, a million segments
    python tests/bench/bench_distance.py --points 10000 --segments 10000 --rounds 1

Each measurement is a process of its own, so that its peak memory is its own; the data are made anew in
it from the same seed and are not timed. densite gets points in degrees and a layer in UTM, as a study
has them; its peers get both in UTM already, and give distances on the map.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely
from pyproj import Proj

from densite.distance import distance_to
from densite.layers import Features

UTM = 32611
SIDE_M = 100_000
PER_LINE = 20


def data(kind: str, points: int, segments: int) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Points and lines, both in UTM."""
    rng = np.random.default_rng(11)
    per_line = 1 if kind == "scattered" else PER_LINE
    count = max(1, segments // per_line)
    start = rng.uniform(0, SIDE_M, (count, 1, 2)) + np.array((450_000, 5_400_000))
    bearing = rng.uniform(0, 2 * np.pi, (count, 1)) + rng.normal(0, 0.4, (count, per_line)).cumsum(axis=1)
    length = rng.uniform(20, 200, (count, per_line))
    steps = length[..., None] * np.stack([np.sin(bearing), np.cos(bearing)], axis=-1)
    corners = np.concatenate([start, start + steps.cumsum(axis=1)], axis=1)
    spots = rng.uniform(0, SIDE_M, (points, 2)) + np.array((450_000, 5_400_000))
    lines = gpd.GeoDataFrame(geometry=shapely.linestrings(corners), crs=UTM)
    return gpd.GeoDataFrame(geometry=shapely.points(spots), crs=UTM), lines


def by_densite(points: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> Callable[[], np.ndarray]:
    """Geodesic distances."""
    layer = Features("roads", Path("roads.gpkg"), None, lines, "", None, None)
    places = points.to_crs(4326)
    return lambda: distance_to(places, layer)["distance_m"].to_numpy()


def by_sjoin(points: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> Callable[[], np.ndarray]:
    """Map distances by geopandas."""

    def run() -> np.ndarray:
        found = gpd.sjoin_nearest(points, lines, distance_col="away")["away"]
        return found[~found.index.duplicated()].to_numpy()

    return run


def by_tree(points: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> Callable[[], np.ndarray]:
    """Map distances by shapely."""
    spots, shapes = points.geometry.to_numpy(), lines.geometry.to_numpy()
    return lambda: shapely.STRtree(shapes).query_nearest(spots, return_distance=True, all_matches=False)[1]


WAYS = {"densite": by_densite, "geopandas.sjoin_nearest": by_sjoin, "shapely STRtree.query_nearest": by_tree}


def measure(way: str, kind: str, points: int, segments: int) -> dict[str, float]:
    """Run one way once, in this process."""
    run = WAYS[way](*data(kind, points, segments))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, cpu = time.perf_counter(), time.process_time()
    found = run()
    took, cpu = time.perf_counter() - start, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    told = {"seconds": took, "cpu": cpu, "peak_mb": peak / 1024, "before_mb": before / 1024}
    return {**told, "mean_m": float(found.mean())}


def apart(kind: str, points: int, segments: int) -> float:
    """Return the largest difference of densite from shapely's distances over the map's scale. [m]"""
    places, lines = data(kind, points, segments)
    degrees = places.to_crs(4326).geometry
    scale = Proj(UTM).get_factors(degrees.x, degrees.y).meridional_scale
    return float(np.abs(by_densite(places, lines)() - by_tree(places, lines)() / scale).max())


def in_own_process(way: str, options: argparse.Namespace) -> dict[str, float]:
    """Run one way once, in a process of its own."""
    numbers = ["--points", str(options.points), "--segments", str(options.segments), "--layer", options.layer]
    done = subprocess.run(
        [sys.executable, __file__, "--way", way, *numbers], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout)


def main() -> None:
    """Read the options; measure all ways alternately and print their medians, or one way for that."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--segments", type=int, default=1_000_000)
    parser.add_argument("--layer", choices=("scattered", "lines"), default="scattered")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--way", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.way:
        print(json.dumps(measure(options.way, options.layer, options.points, options.segments)))
        return
    runs = {way: [] for way in WAYS}
    for _ in range(options.rounds):
        for way, results in runs.items():
            results.append(in_own_process(way, options))
    print(f"{options.points} points, {options.segments} segments, {options.layer}; medians of {options.rounds}")
    own = np.median([r["seconds"] for r in runs["densite"]])
    for way, results in runs.items():
        seconds, cpu, peak, before = (
            np.median([r[key] for r in results]) for key in ("seconds", "cpu", "peak_mb", "before_mb")
        )
        print(
            f"{way:32s} {seconds:8.3f} s (processor {cpu:7.3f} s) {seconds / own:5.1f} x"
            f"  peak {peak:6.0f} MB, data alone {before:6.0f} MB"
        )
    print(f"largest difference from shapely: {apart(options.layer, options.points, options.segments):.2e} m")


if __name__ == "__main__":
    main()
