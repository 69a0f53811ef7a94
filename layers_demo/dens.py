"""The made females of the Ondra Basin and their dens, after a known truth."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import shapely
from land import Land, counted
from relief import Floats, Grid, Ints, Mask, Relief, horn
from scipy import signal

WINTERS = range(2018, 2027)
TYPES = ("tree", "ground bed", "rock ledge", "brush")
# Log odds against "tree": constant, and slope on log10(1 + housing units per km2 within 1 km).
COEFFICIENTS = {"tree": (0.0, 0.0), "ground bed": (-0.4, 0.1), "rock ledge": (0.5, -0.9), "brush": (-1.6, 1.0)}
GRADIENT_RADIUS = 1000.0
REPEAT_TYPE = 0.6
REUSE_DEN = 0.1
UNKNOWN = 0.04
ASPECT_MEAN, ASPECT_KAPPA = 20.0, 0.9
SLOPE = {"tree": (18.0, 8.0), "ground bed": (14.0, 7.0), "rock ledge": (30.0, 7.0), "brush": (12.0, 6.0)}
LEAST_SLOPE = 2.0
APART = 100.0  # two dens are no nearer than this, so that the planted duplicate stands out [m]
HOME_GRADIENT = 0.25  # a female's dens differ from her home by no more than this on the gradient
# Homes by gradient level: lowest and highest units per km2, females, spread of dens about the home [m].
HOMES = (
    (0.0, 1.0, 14, 900.0),
    (1.0, 6.18, 18, 900.0),
    (6.18, 147.0, 28, 900.0),
    (147.0, 1000.0, 18, 700.0),
    (1000.0, 9e9, 12, 450.0),
)


@dataclass(frozen=True)
class Den:
    """One den site as it truly is."""

    label: str
    female: str
    easting: float
    northing: float
    kind: str
    aspect: float
    slope: float
    canopy: float
    cover: int
    gradient: float


@dataclass(frozen=True)
class Visit:
    """One crew at one den on one day."""

    den: Den
    winter: int
    day: dt.date
    first: bool


@dataclass(frozen=True)
class Ground:
    """What a female chooses from: values per 10 m cell, and the gradient per 100 m cell."""

    grid: Grid
    slope: Floats
    aspect: Floats
    open_to_bears: Mask
    canopy: Ints
    cover: Ints
    coarse: Grid
    gradient: Floats


@dataclass
class Life:
    """A female while her winters are drawn."""

    name: str
    home: Floats
    spread: float
    dens: list[Den] = field(default_factory=list)


def gradient_field(buildings: gpd.GeoDataFrame, grid: Grid) -> Floats:
    """log10(1 + housing units per km2 within 1 km), units counted in cells of the grid."""
    reach = int(GRADIENT_RADIUS / grid.cell)
    steps = np.arange(-reach, reach + 1)
    disc = (np.hypot(steps[:, None], steps) <= reach).astype(float)
    units = counted(buildings, grid, buildings.units.to_numpy(float))
    near = signal.fftconvolve(units, disc, mode="same").clip(0).round()
    return np.asarray(np.log10(1 + near / (disc.sum() * grid.cell**2 / 1e6)))


def make_ground(relief: Relief, land: Land, convergence: float) -> Ground:
    """Slope, true aspect, and where a den can be: off water, off dense building, inside the boundary."""
    grid, fine, coarse = relief.grid, relief.grid.at(cell=30), relief.grid.at(cell=100)
    slope, aspect = horn(relief.height, grid.cell)
    x, y = grid.mesh()
    row, col = fine.index(x, y)
    cover = land.cover[row, col]
    outline = land.boundary.geometry.iloc[0].buffer(-400)
    shapely.prepare(outline)
    cx, cy = coarse.mesh()
    within = shapely.contains_xy(outline, cx, cy)[coarse.index(x, y)]
    free = within & ~np.isin(cover, (11, 24)) & (slope >= LEAST_SLOPE) & ~relief.channel & ~relief.lake
    return Ground(
        grid, slope, (aspect + convergence) % 360, free, land.canopy[row, col], cover,
        coarse, gradient_field(land.buildings, coarse),
    )  # fmt: skip


def make_homes(ground: Ground, rng: np.random.Generator) -> list[Life]:
    """Home centres spread over the gradient, so that every landscape class has females."""
    row, col = ground.coarse.index(*ground.grid.mesh())
    usable = np.zeros(ground.coarse.shape, int)
    np.add.at(usable, (row, col), ground.open_to_bears & (ground.slope > 4))
    density = 10**ground.gradient - 1
    x, y = ground.coarse.mesh()
    homes = []
    for low, high, count, spread in HOMES:
        fit = np.flatnonzero((density >= low) & (density < high) & (usable > 8))
        homes += [(np.array([x.flat[i], y.flat[i]]), spread) for i in rng.choice(fit, count, replace=False)]
    order = rng.permutation(len(homes))
    return [Life(f"OB-{n + 1:03d}", *homes[i]) for n, i in enumerate(order)]


def type_odds(gradient: float) -> Floats:
    """Probability of each den type at a gradient value."""
    odds = np.exp([COEFFICIENTS[t][0] + COEFFICIENTS[t][1] * gradient for t in TYPES])
    return np.asarray(odds / odds.sum())


def draw_type(life: Life, gradient: float, rng: np.random.Generator) -> str:
    """Her previous type, or one drawn by the gradient."""
    if life.dens and rng.random() < REPEAT_TYPE:
        return life.dens[-1].kind
    return str(rng.choice(TYPES, p=type_odds(gradient)))


def candidates(life: Life, ground: Ground, rng: np.random.Generator) -> tuple[Floats, Floats, Ints, Ints]:
    """Places in her home that she could use: easting, northing, row, column."""
    place = life.home + rng.normal(0, life.spread, (6000, 2))
    row, col = ground.grid.index(place[:, 0], place[:, 1])
    gradient = ground.gradient[ground.coarse.index(place[:, 0], place[:, 1])]
    at_home = ground.gradient[ground.coarse.index(life.home[:1], life.home[1:])]
    keep = ground.open_to_bears[row, col] & (np.abs(gradient - at_home) < HOME_GRADIENT)
    return place[keep, 0], place[keep, 1], row[keep], col[keep]


def draw_den(life: Life, label: str, taken: Floats, ground: Ground, rng: np.random.Generator) -> Den:
    """A den: first a gradient level from her home, then the type, then the very place, away from those taken."""
    x, y, row, col = candidates(life, ground, rng)
    gradient = ground.gradient[ground.coarse.index(x, y)]
    anchor = float(gradient[rng.integers(len(x))])
    kind = draw_type(life, anchor, rng)
    slope, aspect = ground.slope[row, col], ground.aspect[row, col]
    middle, spread = SLOPE[kind]
    weight = np.exp(ASPECT_KAPPA * np.cos(np.radians(aspect - ASPECT_MEAN)) - ((slope - middle) / spread) ** 2 / 2)
    weight[np.abs(gradient - anchor) > 0.1] = 0
    weight[(np.hypot(x - taken[:, :1], y - taken[:, 1:]) < APART).any(axis=0)] = 0
    i = int(rng.choice(len(x), p=weight / weight.sum()))
    at = row[i], col[i]
    return Den(
        label, life.name, float(x[i]), float(y[i]), kind, float(aspect[i]), float(slope[i]),
        float(ground.canopy[at]), int(ground.cover[at]), float(gradient[i]),
    )  # fmt: skip


def present(rng: np.random.Generator) -> list[int]:
    """The winters in which a female wears a collar and is found."""
    length = int(rng.choice([1, 2, 3, 4, 5], p=[0.08, 0.19, 0.28, 0.25, 0.2]))
    start = int(rng.integers(WINTERS.start - 1, WINTERS.stop - 1))
    return [w for w in range(start, start + length) if w in WINTERS and rng.random() < 0.95] or [
        max(start, WINTERS.start)
    ]


def make_visits(ground: Ground, rng: np.random.Generator) -> list[Visit]:
    """All visits, winter by winter; labels count up by day of the first visit."""
    lives = make_homes(ground, rng)
    times = {life.name: present(rng) for life in lives}
    visits: list[Visit] = []
    for winter in WINTERS:
        here = [life for life in lives if winter in times[life.name]]
        days = sorted(dt.date(winter, 1, 6) + dt.timedelta(days=int(d)) for d in rng.integers(-18, 82, len(here)))
        rng.shuffle(here)
        number = 0
        for life, day in zip(here, days, strict=True):
            reused = bool(life.dens) and rng.random() < REUSE_DEN
            if not reused:
                number += 1
                taken = np.array([(d.easting, d.northing) for other in lives for d in other.dens]).reshape(-1, 2)
                life.dens.append(draw_den(life, f"D-{winter}-{number:02d}", taken, ground, rng))
            den = life.dens[-1]
            visits.append(Visit(den, winter, day, not reused))
    return visits
