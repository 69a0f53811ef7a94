"""The made relief of the Ondra Basin: uplift, running water, and a river plain.

Heights come from a landscape that is raised and worn down by streams (stream
power law, solved implicitly along the drainage tree as in Braun & Willett 2013,
doi:10.1016/j.geomorph.2012.10.008), first coarse and wide, then finer and
cropped, so that valleys branch as real ones do.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from scipy import interpolate, ndimage

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

NEIGHBOURS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
STEP = 1 / 8  # height step [m]: short mantissas, so that the file stays small
WIDE_MARGIN, FINE_MARGIN = 10_500.0, 2_000.0  # ground round the basin, cut off at the end [m]
ROUGHNESS = 1.2  # sd of the finest unevenness on a slope of 30 degrees [m]
RELIEF_P995 = 1000.0  # 99.5 % of the basin lies no higher than this above the river [m]
# Knots of the river and of the suburbs' valley: km east and north of the wide grid's corner.
RIVER_KM = (
    (62, 50),
    (54, 46.5),
    (47, 43.5),
    (41, 38),
    (34.5, 34.5),
    (28, 28.5),
    (25.5, 21),
    (18, 14.5),
    (11, 11),
    (-2, 3),
)
VALLEY_KM = ((34, 34), (30, 38), (25.5, 40), (22.5, 44), (17, 47.5), (14, 53), (7, 58))
AREA_EXPONENT = 0.5


@dataclass(frozen=True)
class Grid:
    """A north-up grid in EPSG:32611."""

    west: float
    north: float
    cell: float
    rows: int
    cols: int

    @property
    def transform(self) -> Affine:
        """Affine from column, row to easting, northing. [m]"""
        return Affine(self.cell, 0, self.west, 0, -self.cell, self.north)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.cols

    def centres(self) -> tuple[Floats, Floats]:
        """Easting of each column and northing of each row. [m]"""
        x = self.west + (np.arange(self.cols) + 0.5) * self.cell
        y = self.north - (np.arange(self.rows) + 0.5) * self.cell
        return x, y

    def mesh(self) -> tuple[Floats, Floats]:
        """Easting and northing of every cell. [m]"""
        x, y = np.meshgrid(*self.centres())
        return x, y

    def index(self, x: Floats, y: Floats) -> tuple[Ints, Ints]:
        """Row and column of points, held inside the grid."""
        row = np.floor((self.north - np.asarray(y)) / self.cell).astype(int)
        col = np.floor((np.asarray(x) - self.west) / self.cell).astype(int)
        return row.clip(0, self.rows - 1), col.clip(0, self.cols - 1)

    def at(self, *, cell: float, margin: float = 0.0) -> Grid:
        """The same ground in another cell size, widened by a margin. [m]"""
        rows = round((self.rows * self.cell + 2 * margin) / cell)
        cols = round((self.cols * self.cell + 2 * margin) / cell)
        return Grid(self.west - margin, self.north + margin, cell, rows, cols)


@dataclass(frozen=True)
class Relief:
    """What the other files need to know of the ground."""

    grid: Grid
    height: Floats
    river: Floats
    valley: Floats
    lake: Mask
    channel: Mask


@dataclass(frozen=True)
class Course:
    """The main river and the brook of the suburbs' valley, with their water levels [m]."""

    river: Floats
    river_level: Floats
    valley: Floats
    valley_level: Floats
    mouth: int


def noise(shape: tuple[int, int], *, power: float, shortest: float, rng: np.random.Generator) -> Floats:
    """Noise of mean 0 and sd 1 with spectrum 1/f^power, cut below a wavelength [cells]."""
    fy, fx = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    frequency = np.hypot(fx, fy)
    frequency[0, 0] = np.inf
    weight = frequency ** (-power / 2) * (frequency < 1 / shortest)
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal(shape)) * weight, s=shape)
    return np.asarray((field - field.mean()) / field.std())


def smooth_path(knots: Floats, *, spacing: float) -> Floats:
    """A curve through knots, one point about every `spacing`. [m]"""
    legs = np.hypot(*np.diff(knots, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(legs)])
    curve = interpolate.make_interp_spline(along, knots, k=3)
    return np.asarray(curve(np.linspace(0, along[-1], int(along[-1] / spacing))))


def nearest(grid: Grid, path: Floats) -> tuple[Floats, Ints]:
    """Distance [m] of every cell to a path, and the number of its nearest vertex."""
    row = np.floor((grid.north - path[:, 1]) / grid.cell).astype(int)
    col = np.floor((path[:, 0] - grid.west) / grid.cell).astype(int)
    inside = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    vertex = np.full(grid.shape, -1)
    vertex[row[inside], col[inside]] = np.flatnonzero(inside)
    _, (r, c) = ndimage.distance_transform_edt(vertex < 0, return_indices=True)
    number = vertex[r, c]
    x, y = grid.mesh()
    return np.hypot(x - path[number, 0], y - path[number, 1]), number


def receivers(height: Floats, cell: float, *, waver: Floats | None = None) -> tuple[Ints, Floats]:
    """For each cell the flat index of its steepest lower neighbour, and the way to it [m].

    A cell with no lower neighbour receives itself. `waver` (8, rows, cols) weights
    the directions, so that valleys do not lock on to the eight directions of the grid.
    """
    rows, cols = height.shape
    own = np.arange(rows * cols).reshape(rows, cols)
    best, target = np.zeros(height.shape), own.copy()
    length = np.full(height.shape, cell)
    padded = np.pad(height, 1, constant_values=np.inf)
    for number, (dr, dc) in enumerate(NEIGHBOURS):
        way = cell * np.hypot(dr, dc)
        drop = (height - padded[1 + dr : 1 + dr + rows, 1 + dc : 1 + dc + cols]) / way
        if waver is not None:
            drop = drop * waver[number]
        better = drop > best
        best[better], length[better] = drop[better], way
        target[better] = (own + dr * cols + dc)[better]
    return target.ravel(), length.ravel()


def accumulate(height: Floats, target: Ints, cell: float) -> Floats:
    """Area that drains through each cell. [m2]"""
    area = [cell * cell] * height.size
    to = target.tolist()
    for i in np.argsort(-height.ravel(), kind="stable").tolist():
        if to[i] != i:
            area[to[i]] += area[i]
    return np.asarray(area)


def wear(height: Floats, uplift: Floats, held: Mask, *, cell: float, strength: Floats, waver: Floats) -> Floats:
    """One implicit step of uplift and stream wear; `held` cells keep their height.

    The tree is that of the heights before uplift: uneven uplift would dam it.
    """
    target, way = receivers(height, cell, waver=waver)
    target = np.where(held.ravel(), np.arange(target.size), target)
    area = accumulate(height, target, cell)
    factor = (strength.ravel() * area**AREA_EXPONENT / way).tolist()
    new, to = (height + np.where(held, 0, uplift)).ravel().tolist(), target.tolist()
    for i in np.argsort(height.ravel(), kind="stable").tolist():
        if to[i] != i:
            new[i] = (new[i] + factor[i] * new[to[i]]) / (1 + factor[i])
    return np.asarray(new).reshape(height.shape)


def creep(height: Floats, held: Mask, *, amount: float) -> Floats:
    """Soil creep: one step of smoothing, in cells squared."""
    moved = ndimage.gaussian_filter(height, np.sqrt(2 * amount), mode="nearest")
    return np.where(held, height, moved)


def raise_and_wear(
    height: Floats,
    uplift: Floats,
    held: Mask,
    *,
    cell: float,
    strength: Floats,
    steps: int,
    soil: float,
    waver: Floats,
) -> Floats:
    """Uplift, wear and creep, `steps` times."""
    for _ in range(steps):
        height = wear(height, uplift, held, cell=cell, strength=strength, waver=waver)
        height = creep(height, held, amount=soil)
    return height


def filled(height: Floats) -> Floats:
    """Heights with every hollow filled to its spill (priority flood, Barnes et al. 2014).

    Source: doi:10.1016/j.cageo.2013.04.024. A tiny rise per cell keeps water moving.
    """
    rows, cols = height.shape
    level = np.pad(height, 1, constant_values=np.nan)
    width = cols + 2
    done = np.isnan(level).ravel().tolist()
    flat = level.ravel().tolist()
    edge = np.zeros((rows, cols), bool)
    edge[[0, -1]] = edge[:, [0, -1]] = True
    rim = np.flatnonzero(np.pad(edge, 1)).tolist()
    queue = [(flat[i], i) for i in rim]
    heapq.heapify(queue)
    for i in rim:
        done[i] = True
    offsets = [dr * width + dc for dr, dc in NEIGHBOURS]
    while queue:
        here, i = heapq.heappop(queue)
        for offset in offsets:
            j = i + offset
            if not done[j]:
                done[j] = True
                flat[j] = max(flat[j], here + 1e-4)
                heapq.heappush(queue, (flat[j], j))
    return np.asarray(flat).reshape(rows + 2, width)[1:-1, 1:-1]


def horn(height: Floats, cell: float) -> tuple[Floats, Floats]:
    """Slope [deg] and grid aspect [deg, downslope]; flat cells have no aspect. Source: Horn 1981."""
    kernel = np.array([[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]]) / (8 * cell)
    east = ndimage.correlate(height, kernel, mode="nearest")
    north = -ndimage.correlate(height, kernel.T, mode="nearest")
    slope = np.degrees(np.arctan(np.hypot(east, north)))
    aspect = np.degrees(np.arctan2(-east, -north)) % 360
    return slope, np.where(slope > 0, aspect, np.nan)


def resampled(field: Floats, source: Grid, wanted: Grid, *, shift: Floats | None = None) -> Floats:
    """A field on another grid, by cubic spline; `shift` (2, rows, cols) moves the places read. [m]"""
    x, y = wanted.mesh()
    if shift is not None:
        x, y = x + shift[0], y + shift[1]
    row, col = (source.north - y) / source.cell - 0.5, (x - source.west) / source.cell - 0.5
    return np.asarray(ndimage.map_coordinates(field, [row, col], order=3, mode="nearest"))


def bent(grid: Grid, *, by: float, shortest: float, rng: np.random.Generator) -> Floats:
    """Smooth shifts that bend the straight lines a square grid leaves in valleys. [m]"""
    cells = shortest / grid.cell
    return np.stack([by * noise(grid.shape, power=3, shortest=cells, rng=rng) for _ in range(2)])


def meandering(path: Floats, *, spacing: float, swing: float, length: float) -> Floats:
    """A path that swings to both sides by `swing`, once every `length`. [m]"""
    along = np.arange(len(path)) * spacing
    ahead = np.gradient(path, axis=0)
    left = np.c_[-ahead[:, 1], ahead[:, 0]] / np.hypot(*ahead.T)[:, None]
    phase = 2 * np.pi * along / length + 2.5 * np.sin(2 * np.pi * along / (4.3 * length))
    side = swing * np.sin(phase) * (0.6 + 0.4 * np.sin(2 * np.pi * along / (3.1 * length)))
    return np.asarray(path + left * side[:, None])


def course(wide: Grid) -> Course:
    """Where the two streams run that the whole basin drains to."""
    south = wide.north - wide.rows * wide.cell
    paths = [np.array(k) * 1000.0 + (wide.west, south) for k in (RIVER_KM, VALLEY_KM)]
    spacing = 20.0
    river = meandering(smooth_path(paths[0], spacing=spacing), spacing=spacing, swing=330, length=2100)
    valley = smooth_path(paths[1], spacing=spacing)
    mouth = int(np.argmin(np.hypot(*(river - valley[0]).T)))
    valley = np.concatenate([river[mouth : mouth + 1], valley[8:]])
    fall = 1000 - 1.6e-3 * spacing * np.arange(len(river))
    along = spacing * np.arange(len(valley))
    return Course(river, fall, valley, fall[mouth] + along * (4e-3 + 1.0e-7 * along), mouth)


@dataclass(frozen=True)
class Stage:
    """One grid's ground rules: what is held, at which height, and how fast the rest rises."""

    grid: Grid
    held: Mask
    base: Floats
    uplift: Floats
    from_river: Floats
    river_level: Floats


def stage(grid: Grid, ways: Course, *, wobble: Floats, swell: Floats) -> Stage:
    """Low ground along the river (widest at the town) and the valley, mountains elsewhere."""
    dr, nr = nearest(grid, ways.river)
    dv, nv = nearest(grid, ways.valley)
    at_town = np.exp(-(((nr - ways.mouth) * 20 / 7000) ** 2))
    half_width = 2300 + 2000 * at_town + 700 * wobble
    uplift = 1 / (1 + np.exp(-(dr - half_width) / 450))
    uplift *= 1 - 0.85 / (1 + np.exp((dv - 1000 - 250 * wobble) / 250))
    on_river, on_brook = dr < 1.2 * grid.cell, dv < grid.cell
    base = np.where(on_river, ways.river_level[nr], ways.valley_level[nv])
    rise = uplift * (1 + 0.3 * swell).clip(0.4, None)
    return Stage(grid, on_river | on_brook, base, rise, dr, ways.river_level[nr])


def rim(shape: tuple[int, int]) -> Mask:
    """The outermost cells, through which water leaves."""
    edge = np.ones(shape, bool)
    edge[1:-1, 1:-1] = False
    return edge


def coarse_relief(now: Stage, hardness: Floats, rng: np.random.Generator) -> Floats:
    """From a gentle rough slope to mountains, on the wide grid."""
    edge, shape = rim(now.grid.shape), now.grid.shape
    start = now.river_level + now.from_river * 0.01 + 8 * noise(shape, power=2, shortest=2, rng=rng)
    height = np.where(edge, now.river_level + 150, start)
    height = np.where(now.held, now.base, filled(np.where(now.held, now.base, height)))
    return raise_and_wear(
        height, 50 * now.uplift, now.held | edge, cell=now.grid.cell, strength=0.7 * hardness,
        steps=132, soil=0.12, waver=rng.uniform(0.7, 1.3, (8, *shape)),
    )  # fmt: skip


def fine_relief(height: Floats, now: Stage, hardness: Floats, rng: np.random.Generator) -> Floats:
    """The same wear goes on in smaller cells, where side valleys appear."""
    edge, shape = rim(now.grid.shape), now.grid.shape
    height = height + 4 * noise(shape, power=2, shortest=2, rng=rng)
    height = np.where(now.held, now.base, filled(np.where(now.held, now.base, height)))
    return raise_and_wear(
        height, 50 * now.uplift, now.held | edge, cell=now.grid.cell, strength=0.7 * hardness.clip(0.3, None),
        steps=12, soil=0.6, waver=rng.uniform(0.7, 1.3, (8, *shape)),
    )  # fmt: skip


def settled(height: Floats, now: Stage) -> Floats:
    """Heights brought to the wanted relief, with river sediment laid over the low ground."""
    above = ndimage.gaussian_filter(height, 1.1) - now.river_level
    above = np.where(above > 0, above * RELIEF_P995 / np.percentile(above, 99.5), above)
    plain = 1.5 + 0.004 * now.from_river
    return np.asarray(now.river_level + 4 * np.logaddexp(above / 4, plain / 4))


def upstream(target: Ints, height: Floats, outlet: int) -> Mask:
    """Cells whose water passes the outlet."""
    mark, to = [False] * target.size, target.tolist()
    mark[outlet] = True
    for i in np.argsort(height.ravel(), kind="stable").tolist():
        mark[i] = mark[i] or mark[to[i]]
    return np.asarray(mark).reshape(height.shape)


def dammed_lake(height: Floats, grid: Grid, now: Stage, *, depth: float) -> tuple[Mask, float]:
    """The catchment and level of the lake that a dam of `depth` [m] would hold nearest to 1.5 km2."""
    ground = filled(height)
    target, _ = receivers(ground, grid.cell)
    area = accumulate(ground, target, grid.cell).reshape(height.shape) / 1e6
    inner = ~ndimage.binary_dilation(rim(height.shape), iterations=120)
    spots = np.flatnonzero(
        (area > 15) & (area < 45) & inner & (height > now.river_level + 90) & (now.from_river < 14e3)
    )
    best: tuple[float, Mask, float] | None = None
    for spot in spots[:: max(1, len(spots) // 24)].tolist():
        above, level = upstream(target, ground, spot), float(height.flat[spot]) + depth
        size = float((above & (height < level)).sum() * grid.cell**2 / 1e6)
        if best is None or abs(size - 1.5) < best[0]:
            best = abs(size - 1.5), above, level
    if best is None:
        raise ValueError("no stream in the made relief is fit for a dam")
    return best[1], best[2]


def carved(height: Floats, grid: Grid, ways: Course) -> tuple[Floats, Mask]:
    """Heights with the river's bed cut in as level water, in steps of half a metre."""
    dr, nr = nearest(grid, ways.river)
    water = dr < 32
    level = np.floor(ways.river_level[nr] * 2) / 2 - 1
    bank = (dr >= 32) & (dr < 62)
    height = np.where(bank, np.minimum(height, level + (dr - 32) * 0.12 + 0.3), height)
    return np.where(water, level, height), water


def make_relief(grid: Grid, rng: np.random.Generator) -> Relief:
    """Heights [m] of the basin, its river and its lake."""
    wide, fine = grid.at(cell=120, margin=WIDE_MARGIN), grid.at(cell=40, margin=FINE_MARGIN)
    ways = course(wide)
    swell = noise(wide.shape, power=3.2, shortest=25, rng=rng)
    wobble = noise(wide.shape, power=3, shortest=12, rng=rng)
    hardness = np.exp(0.25 * noise(wide.shape, power=2.6, shortest=4, rng=rng))
    first = stage(wide, ways, wobble=wobble, swell=swell)
    coarse = coarse_relief(first, hardness, rng)
    second = stage(fine, ways, wobble=resampled(wobble, wide, fine), swell=resampled(swell, wide, fine))
    start = resampled(coarse, wide, fine, shift=bent(fine, by=110, shortest=700, rng=rng))
    height = settled(fine_relief(start, second, resampled(hardness, wide, fine), rng), second)
    catchment, level = dammed_lake(height, fine, second, depth=45)
    return finished(height, fine, grid, ways, catchment, level, rng)


def finished(
    height: Floats, fine: Grid, grid: Grid, ways: Course, catchment: Mask, level: float, rng: np.random.Generator
) -> Relief:
    """The last step to the wanted cell: roughness by slope, river, lake, height steps."""
    shift = bent(grid, by=55, shortest=260, rng=rng)
    ground = resampled(height, fine, grid, shift=shift)
    slope, _ = horn(ground, grid.cell)
    ground += ROUGHNESS * (slope / 30) * noise(grid.shape, power=3, shortest=4, rng=rng)
    ground, channel = carved(ground, grid, ways)
    x, y = grid.mesh()
    lake = catchment[fine.index(x + shift[0], y + shift[1])] & (ground < level) & ~channel
    ground = np.where(lake, level, ground)
    return Relief(grid, np.round(ground / STEP) * STEP, ways.river, ways.valley, lake, channel)
