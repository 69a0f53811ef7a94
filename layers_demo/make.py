"""Makes the invented Ondra Basin: rasters, vectors, truth and crew files.

Run as `python layers_demo/make.py`. The same seed gives the same values.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from bear_files import write_bears
from crew_files import NOISE, write_crew_files, write_mapping
from dens import (
    ASPECT_KAPPA,
    ASPECT_MEAN,
    COEFFICIENTS,
    GRADIENT_RADIUS,
    HOME_GRADIENT,
    HOMES,
    LEAST_SLOPE,
    REPEAT_TYPE,
    REUSE_DEN,
    SLOPE,
    UNKNOWN,
    Visit,
    make_ground,
    make_visits,
)  # fmt: skip
from land import CRS, Land, make_land
from pyproj import Proj
from relief import Grid, Relief, make_relief
from slips import write_slips

SEED = 7
BASIN = Grid(west=530_000.0, north=4_700_000.0, cell=10.0, rows=3900, cols=3900)


def write_raster(
    path: Path, values: np.ndarray, grid: Grid, *, nodata: float, predictor: str, about: dict[str, str]
) -> None:
    """A cloud-optimised GeoTIFF, deflated as hard as possible, without overviews."""
    profile = {
        "driver": "COG", "height": grid.rows, "width": grid.cols, "count": 1, "dtype": values.dtype.name,
        "crs": CRS, "transform": grid.transform, "nodata": nodata, "compress": "DEFLATE", "level": 9,
        "predictor": predictor, "overviews": "NONE", "blocksize": 512,
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(values, 1)
        raster.update_tags(**about)
        raster.set_band_unit(1, about["UNIT"])


def write_rasters(folder: Path, relief: Relief, land: Land) -> None:
    """All six rasters."""
    fine, block, km = (relief.grid.at(cell=c) for c in (30.0, 250.0, 1000.0))
    for name, values, grid, nodata, predictor, unit in (
        ("elevation", relief.height.astype("float32"), relief.grid, -9999, "STANDARD", "metre"),
        ("land_cover", land.cover, fine, 0, "NO", "class code"),
        ("canopy", land.canopy, fine, 255, "STANDARD", "percent"),
        ("impervious", land.impervious, fine, 255, "NO", "percent"),
        ("housing", land.housing.astype("float32"), block, -9999, "NO", "housing units per cell"),
        ("population", land.population.astype("float32"), km, -9999, "NO", "people per cell"),
    ):
        about = {"UNIT": unit, "ORIGIN": "invented, made by layers_demo/make.py"}
        write_raster(folder / f"{name}.tif", values, grid, nodata=nodata, predictor=predictor, about=about)


def write_vectors(path: Path, land: Land) -> None:
    """One GeoPackage; the points go without a spatial index, which would double them."""
    path.unlink(missing_ok=True)
    os.environ["OGR_CURRENT_DATE"] = "2026-04-01T00:00:00.000Z"  # else two runs differ in a time stamp
    version = {"VERSION": "1.2"}  # one that older programs read without a warning
    layers: dict[str, gpd.GeoDataFrame] = {
        "boundary": land.boundary, "roads": land.roads, "streams": land.streams, "urban": land.urban,
    }  # fmt: skip
    for name, frame in layers.items():
        frame.to_file(path, layer=name, driver="GPKG", **version)
    land.buildings.to_file(path, layer="buildings", driver="GPKG", SPATIAL_INDEX="NO", **version)


def convergence(grid: Grid) -> float:
    """Grid convergence at the middle of the basin: what turns a grid bearing into a true one. [deg]"""
    utm, half = Proj(CRS), grid.rows * grid.cell / 2
    lon, lat = utm(grid.west + half, grid.north - half, inverse=True)
    return float(utm.get_factors(lon, lat).meridian_convergence)


def truth(visits: list[Visit], unknown: set[str], turn: float) -> dict[str, object]:
    """All numbers that were put in, for the analysis to find again."""
    dens = {v.den.label: v.den for v in visits}
    return {
        "seed": SEED,
        "den_type_model": {
            "form": "multinomial logit, reference tree: log odds = constant + slope * g",
            "g": "log10(1 + housing units per km2 within the radius)",
            "radius_m": GRADIENT_RADIUS,
            "coefficients": {k: {"constant": a, "slope": b} for k, (a, b) in COEFFICIENTS.items()},
        },
        "repeat_own_type_probability": REPEAT_TYPE,
        "reuse_den_probability": REUSE_DEN,
        "type_recorded_unknown_probability": UNKNOWN,
        "aspect_preference": {
            "form": "von Mises weight on available true aspects",
            "mean_deg": ASPECT_MEAN,
            "kappa": ASPECT_KAPPA,
        },
        "slope_preference_deg": {k: {"mean": m, "sd": s} for k, (m, s) in SLOPE.items()},
        "least_slope_at_den_deg": LEAST_SLOPE,
        "widest_gradient_step_from_home": HOME_GRADIENT,
        "homes": [
            {"from_units_per_km2": a, "to_units_per_km2": min(b, 1e6), "females": n, "spread_m": r}
            for a, b, n, r in HOMES
        ],
        "noise": NOISE | {"position": "normal per axis, sd = uncertainty_m / 2.448"},
        "grid_convergence_used_deg": round(turn, 4),
        "females": len({d.female for d in dens.values()}),
        "den_sites": len(dens),
        "true_type_of_unknown": {label: dens[label].kind for label in sorted(unknown)},
    }


def write_records(folder: Path, relief: Relief, land: Land) -> None:
    """Crew files, slips, mapping and truth."""
    rng = np.random.default_rng(SEED + 2)
    turn = convergence(relief.grid)
    visits = make_visits(make_ground(relief, land, turn), rng)
    labels = sorted({v.den.label for v in visits})
    unknown = {label for label in labels if rng.random() < UNKNOWN}
    (folder / "crew").mkdir(exist_ok=True)
    slips = write_crew_files(folder / "crew", visits, unknown, rng)
    about, more = write_bears(folder / "bears", visits, SEED + 3)  # a stream of its own: the dens stay as they are
    write_slips(folder / "slips.csv", [*slips, *more])
    write_mapping(folder / "mapping.toml")
    told = truth(visits, unknown, turn) | {"bears": about}
    (folder / "truth.json").write_text(json.dumps(told, indent=2) + "\n", encoding="utf-8")


def main() -> None:
    """Make all files in the folder of this script, or in another one."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent, help="where to write")
    folder = parser.parse_args().folder
    relief = make_relief(BASIN, np.random.default_rng(SEED))
    land = make_land(relief, np.random.default_rng(SEED + 1))
    write_rasters(folder, relief, land)
    write_vectors(folder / "basin.gpkg", land)
    write_records(folder, relief, land)


if __name__ == "__main__":
    main()
