"""The made land of the Ondra Basin: streams, roads, houses, people, cover.

Houses are drawn first, as points; the housing and population grids, the
impervious share and the developed cover classes are then counted from them, so
that all layers tell the same story.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from relief import Floats, Grid, Ints, Mask, Relief, accumulate, filled, horn, noise, receivers
from scipy import ndimage, sparse
from scipy.sparse import csgraph
from shapely import LineString, MultiPolygon, Polygon, box, unary_union
from shapely.geometry.base import BaseGeometry

CRS = "EPSG:32611"
PEOPLE_PER_UNIT = 2.4
BLOCK_UNITS = 10  # housing units that one point stands for in the dense centre
DENSE = 550.0  # density from which houses are drawn as blocks [units/km2]
STREAM_AREA = 0.8e6  # area that feeds a mapped stream [m2]
ROAD_CELL = 100.0
# Usual tree canopy of a cover class [%]; classes not named have none.
CANOPY = {
    21: 28, 22: 20, 23: 10, 24: 3, 31: 2, 41: 68, 42: 62, 43: 66, 52: 12, 71: 4, 81: 3, 82: 1, 90: 55, 95: 6,
}  # fmt: skip


@dataclass(frozen=True)
class Land:
    """All made layers but the relief."""

    streams: gpd.GeoDataFrame
    roads: gpd.GeoDataFrame
    buildings: gpd.GeoDataFrame
    urban: gpd.GeoDataFrame
    boundary: gpd.GeoDataFrame
    housing: Floats
    population: Floats
    cover: Ints
    canopy: Ints
    impervious: Ints


def coarsened(field: Floats, factor: int) -> Floats:
    """Means of blocks of factor x factor cells."""
    rows, cols = field.shape
    return np.asarray(field.reshape(rows // factor, factor, cols // factor, factor).mean((1, 3)))


def smoothed(line: Floats, *, rounds: int) -> Floats:
    """Corners cut off a line (Chaikin), ends kept."""
    for _ in range(rounds):
        cut = np.empty((2 * len(line) - 2, 2))
        cut[0::2], cut[1::2] = 0.75 * line[:-1] + 0.25 * line[1:], 0.25 * line[:-1] + 0.75 * line[1:]
        line = np.concatenate([line[:1], cut, line[-1:]])
    return line


def drawn(cells: list[list[int]], grid: Grid, *, tolerance: float) -> list[BaseGeometry]:
    """Lines through the centres of chains of cells, smoothed, then thinned. [m]"""
    x, y = (a.ravel() for a in grid.mesh())
    lines = [LineString(smoothed(np.c_[x[c], y[c]], rounds=2)) for c in cells if len(c) > 1]
    return [line.simplify(tolerance) for line in lines]


def chains(to: Ints, used: Mask) -> list[list[int]]:
    """A forest of cells cut into chains that end where branches meet."""
    cells = np.flatnonzero(used)
    cells = cells[to[cells] != cells]
    feeders = np.bincount(to[cells], minlength=to.size)
    starts = [c for c in cells.tolist() if feeders[c] != 1]
    found = []
    for cell in starts:
        chain = [cell]
        while to[chain[-1]] != chain[-1] and used[chain[-1]]:
            chain.append(int(to[chain[-1]]))
            if feeders[chain[-1]] != 1:
                break
        found.append(chain)
    return found


def make_streams(relief: Relief) -> gpd.GeoDataFrame:
    """Streams where the filled relief gathers enough area; `order_km2` is what feeds their end."""
    grid = relief.grid.at(cell=30)
    ground = filled(coarsened(relief.height, 3))
    to, _ = receivers(ground, grid.cell)
    area = accumulate(ground, to, grid.cell)
    found = [c for c in chains(to, area >= STREAM_AREA) if len(c) > 1]
    fed = [round(float(area[c[-2]]) / 1e6, 2) for c in found]
    return gpd.GeoDataFrame({"fed_km2": fed}, geometry=drawn(found, grid, tolerance=8), crs=CRS)


def path_distance(grid: Grid, path: Floats) -> tuple[Floats, Floats]:
    """Distance of every cell to a path and the way along it from its start. [m]"""
    step = np.hypot(*np.diff(path, axis=0).T)
    along = np.concatenate([[0], np.cumsum(step)])
    row, col = grid.index(path[:, 0], path[:, 1])
    number = np.full(grid.shape, -1)
    number[row, col] = np.arange(len(path))
    away, (r, c) = ndimage.distance_transform_edt(number < 0, return_indices=True)
    return away * grid.cell, along[number[r, c]]


def inside(path: Floats, grid: Grid) -> Floats:
    """The part of a path on the grid."""
    south, east = grid.north - grid.rows * grid.cell, grid.west + grid.cols * grid.cell
    keep = (path[:, 0] > grid.west) & (path[:, 0] < east) & (path[:, 1] > south) & (path[:, 1] < grid.north)
    return path[keep]


def town_place(relief: Relief) -> Floats:
    """The town's middle: on the plain, north-west of where the brook meets the river. [m]"""
    return np.asarray(relief.valley[0] + np.array([-500.0, 1500.0]))


def road_costs(relief: Relief) -> tuple[Grid, sparse.csr_matrix]:
    """A graph of 100 m cells whose edges cost more on slopes and over water."""
    factor = round(ROAD_CELL / relief.grid.cell)
    grid, height = relief.grid.at(cell=ROAD_CELL), coarsened(relief.height, factor)
    lake = coarsened(relief.lake.astype(float), factor) > 0.1
    river = coarsened(relief.channel.astype(float), factor) > 0.1
    own, parts = np.arange(grid.rows * grid.cols).reshape(grid.shape), []
    for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1)):
        a = (slice(0, grid.rows - dr), slice(max(0, -dc), grid.cols - max(0, dc)))
        b = (slice(dr, grid.rows), slice(max(0, dc), grid.cols - max(0, -dc)))
        way = ROAD_CELL * np.hypot(dr, dc)
        grade = np.abs(height[a] - height[b]) / way
        cost = way * (1 + (grade / 0.05) ** 2) * (1 + 200.0 * (lake[a] | lake[b]) + 8.0 * (river[a] | river[b]))
        parts.append((own[a].ravel(), own[b].ravel(), cost.ravel()))
    i, j, c = (np.concatenate(p) for p in zip(*parts, strict=True))
    return grid, sparse.csr_matrix((c, (i, j)), shape=(own.size, own.size))


def road_targets(relief: Relief, grid: Grid, rng: np.random.Generator) -> dict[str, Ints]:
    """Cells that each kind of road must reach."""
    slope, _ = horn(coarsened(relief.height, 10), grid.cell)
    river, valley = inside(relief.river, grid), inside(relief.valley, grid)
    off, along = path_distance(grid, valley)
    town = town_place(relief)
    x, y = grid.mesh()
    far = np.hypot(x - town[0], y - town[1])
    near = np.exp(-far / 9000) + 3 * np.exp(-off / 600 - along / 15000)
    settle = (near * (slope < 9) * ~(coarsened(relief.lake.astype(float), 10) > 0)).ravel()
    woods = ((slope > 3) & (slope < 22) & (far > 5000)).astype(float).ravel()
    row, col = grid.index(*np.array([river[0], river[-1], valley[-1]]).T)
    return {
        "highway": (row * grid.cols + col)[:2],
        "secondary": (row * grid.cols + col)[2:],
        "local": rng.choice(settle.size, 420, replace=False, p=settle / settle.sum()),
        "track": rng.choice(woods.size, 130, replace=False, p=woods / woods.sum()),
    }


def cheaper_on(graph: sparse.csr_matrix, kind: Ints) -> sparse.csr_matrix:
    """The graph with travel at a quarter of the cost along roads already there."""
    road = sparse.diags(np.where(kind > 0, 1.0, 0.0))
    return (graph - 0.75 * (road @ graph @ road)).tocsr()


def make_roads(relief: Relief, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Cheapest ways from the town to everywhere; lesser roads lean on the greater ones."""
    grid, graph = road_costs(relief)
    graph.data *= rng.uniform(0.6, 1.4, graph.data.size)
    row, col = grid.index(*town_place(relief)[:, None])
    start = int(row[0] * grid.cols + col[0])
    kind = np.zeros(grid.rows * grid.cols, int)
    lines: list[BaseGeometry] = []
    kinds: list[str] = []
    for name, targets in road_targets(relief, grid, rng).items():
        here, ways = cheaper_on(graph, kind), np.array_split(targets, 1 + len(targets) // 60)
        for some in ways:
            _, back = csgraph.dijkstra(here, directed=False, indices=start, return_predecessors=True)
            back = np.where(back < 0, np.arange(back.size), back)
            new = np.zeros(kind.size, bool)
            for cell in some.tolist():
                while kind[cell] == 0 and not new[cell] and back[cell] != cell:
                    new[cell], cell = True, int(back[cell])
            found = drawn(chains(np.where(new, back, np.arange(back.size)), new), grid, tolerance=12)
            lines, kinds = lines + found, kinds + [name] * len(found)
            kind[new] = 1
            here = cheaper_on(graph, kind)
    return gpd.GeoDataFrame({"kind": kinds}, geometry=lines, crs=CRS)


def wanted_density(relief: Relief, grid: Grid, roads: gpd.GeoDataFrame, rng: np.random.Generator) -> Floats:
    """Housing units per km2 that the draw of houses aims at."""
    x, y = grid.mesh()
    town, (off, along) = town_place(relief), path_distance(grid, inside(relief.valley, grid))
    turned = np.array([[0.80, 0.60], [-0.60, 0.80]]) @ np.stack([x.ravel() - town[0], y.ravel() - town[1]])
    reach = np.hypot(turned[0] / 1.35, turned[1]).reshape(grid.shape) * np.exp(
        0.12 * noise(grid.shape, power=3, shortest=6, rng=rng)
    )
    centre = 2400 / (1 + np.exp((reach - 1650) / 300)) + 420 / (1 + np.exp((reach - 2800) / 350))
    suburbs = 520 * np.exp(-((off / 620) ** 2)) * np.exp(-((along / 10500) ** 2))
    lines = roads[roads.kind != "track"].geometry
    by_road = np.exp(-line_distance(lines, grid) / 260)
    exurbs = 75 * by_road * np.exp(-reach / 6500)
    cabins = 3.5 * np.exp(-line_distance(roads.geometry, grid) / 350)
    slope, _ = horn(coarsened(relief.height, round(grid.cell / 10)), grid.cell)
    fit = 1 / (1 + np.exp((slope - 11) / 2)) * np.exp(0.3 * noise(grid.shape, power=1, shortest=3, rng=rng))
    wet = coarsened((relief.lake | relief.channel).astype(float), round(grid.cell / 10))
    return np.asarray((centre + suburbs + exurbs + cabins) * fit * (1 - wet))


def line_distance(lines: gpd.GeoSeries, grid: Grid) -> Floats:
    """Distance of every cell's centre to the nearest line, to within half a cell. [m]"""
    points = np.concatenate([np.array(g.segmentize(grid.cell / 2).coords) for g in lines])
    empty = np.ones(grid.shape, bool)
    empty[grid.index(points[:, 0], points[:, 1])] = False
    return np.asarray(ndimage.distance_transform_edt(empty)) * grid.cell


def make_buildings(relief: Relief, wanted: Floats, grid: Grid, rng: np.random.Generator) -> gpd.GeoDataFrame:
    """Points with their housing units: single houses, or blocks in the dense centre."""
    dense = wanted > DENSE
    area, each = grid.cell**2 / 1e6, np.where(dense, BLOCK_UNITS, 1)
    count = rng.poisson(wanted * area / each).ravel()
    cell = np.repeat(np.arange(count.size), count)
    x, y = (a.ravel()[cell] for a in grid.mesh())
    shift = rng.uniform(-0.5, 0.5, (2, cell.size)) * grid.cell
    x, y = np.round(x + shift[0]), np.round(y + shift[1])
    wet = (relief.lake | relief.channel)[relief.grid.index(x, y)]
    units = each.ravel()[cell]
    kind = np.where(units > 1, "block", np.where(wanted.ravel()[cell] > 12, "house", "cabin"))
    points = gpd.points_from_xy(x[~wet], y[~wet], crs=CRS)
    return gpd.GeoDataFrame({"kind": kind[~wet], "units": units[~wet].astype("int16")}, geometry=points)


def counted(buildings: gpd.GeoDataFrame, grid: Grid, weight: Floats) -> Floats:
    """Sum of a weight over the buildings in each cell."""
    row, col = grid.index(buildings.geometry.x.to_numpy(), buildings.geometry.y.to_numpy())
    sums = np.bincount(row * grid.cols + col, weights=weight, minlength=grid.rows * grid.cols)
    return sums.astype(float).reshape(grid.shape)


def people(buildings: gpd.GeoDataFrame) -> Floats:
    """People at each building: cabins stand empty half of the year."""
    lived_in = np.where(buildings.kind == "cabin", 0.5, 0.95)
    return np.asarray(buildings.units * PEOPLE_PER_UNIT * lived_in)


def make_urban(housing: Floats, grid: Grid) -> gpd.GeoDataFrame:
    """The built-up edge: more than 150 units per km2 after smoothing, pieces over half a km2."""
    smooth = ndimage.gaussian_filter(housing / (grid.cell**2 / 1e6), 1.0)
    half = grid.cell / 2
    x, y = grid.mesh()
    cells = [box(a - half, b - half, a + half, b + half) for a, b in zip(x[smooth > 150], y[smooth > 150], strict=True)]
    merged = unary_union(cells).buffer(150).buffer(-150)
    pieces = merged.geoms if isinstance(merged, MultiPolygon) else [merged]
    kept = [Polygon(smoothed(np.array(p.exterior.coords), rounds=2)).buffer(0) for p in pieces if p.area > 5e5]
    return gpd.GeoDataFrame({"name": [f"built-up {i + 1}" for i in range(len(kept))]}, geometry=kept, crs=CRS)


def make_boundary(grid: Grid) -> gpd.GeoDataFrame:
    """The study boundary: a rounded, uneven outline that stays a kilometre inside the relief."""
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    half = grid.rows * grid.cell / 2
    centre = np.array([grid.west + half, grid.north - half])
    round_square = (np.abs(np.cos(angle)) ** 4 + np.abs(np.sin(angle)) ** 4) ** -0.25
    reach = (half - 1000) * round_square * (0.965 + 0.02 * np.sin(5 * angle + 1) + 0.015 * np.sin(9 * angle))
    ring = centre + np.c_[np.cos(angle), np.sin(angle)] * reach[:, None]
    return gpd.GeoDataFrame({"name": ["Ondra Basin"]}, geometry=[Polygon(np.round(ring))], crs=CRS)


def make_impervious(density: Floats, roads: gpd.GeoDataFrame, grid: Grid, wet: Mask, rng: np.random.Generator) -> Ints:
    """Impervious share. [%] From smoothed housing density and the roads that cross a cell."""
    built = 92 * (1 - np.exp(-density / 1500)) * np.exp(0.30 * noise(grid.shape, power=1.2, shortest=3, rng=rng))
    sealed = {"highway": 45.0, "secondary": 30.0, "local": 18.0}
    road = np.zeros(grid.shape)
    for kind, percent in sealed.items():
        near = line_distance(roads[roads.kind == kind].geometry, grid) < grid.cell
        road = np.maximum(road, np.where(near, percent, 0))
    share = np.where(density < 25, 0, built) + road * (1 - built.clip(0, 100) / 100)
    return np.where(wet, 0, np.round(share.clip(0, 100))).astype("uint8")


@dataclass(frozen=True)
class Site:
    """What decides on cover in each 30 m cell."""

    above: Floats
    slope: Floats
    north: Floats
    from_water: Floats
    wet: Mask
    farm: Mask


def sites(relief: Relief, grid: Grid) -> Site:
    """The ground's side of land cover."""
    height = coarsened(relief.height, 3)
    slope, aspect = horn(height, grid.cell)
    wet = coarsened((relief.lake | relief.channel).astype(float), 3) >= 0.5
    plain = height.min() + np.linspace(0, 60, grid.cols)  # the river comes from the east, 60 m higher
    above = height - plain
    north = np.where(np.isnan(aspect), 0, np.cos(np.radians(aspect - 20)))
    low = ndimage.uniform_filter(slope, 15)
    return Site(above, slope, north, ndimage.distance_transform_edt(~wet) * grid.cell, wet, (low < 2.2) & (above < 260))


def patches(grid: Grid, shortest: int, rng: np.random.Generator) -> Floats:
    """Patchy noise with few lone cells."""
    return np.asarray(ndimage.median_filter(noise(grid.shape, power=2.2, shortest=shortest, rng=rng), 3))


def make_cover(site: Site, impervious: Ints, density: Floats, grid: Grid, rng: np.random.Generator) -> Ints:
    """Classes of the US National Land Cover legend; later rules win over earlier ones."""
    moist = site.north * np.minimum(site.slope / 15, 1) + 0.8 * patches(grid, 4, rng)
    kind, wild = patches(grid, 6, rng), patches(grid, 5, rng)
    cover = np.full(grid.shape, 52)
    cover[moist > -0.75] = 42
    cover[(moist > -0.3) & (kind > 0.7) & (site.above < 700)] = 43
    cover[(moist > 0.0) & (kind > 1.25) & (site.above < 600)] = 41
    cover[(moist < -1.35) | ((wild > 1.9) & (site.above > 150))] = 71
    cover[(site.slope > 33) | ((site.above > 1050) & (wild > 0.2))] = 31
    cover[site.farm] = np.where(fields(grid, rng) > 0.45, 82, 81)[site.farm]
    cover[site.farm & (wild > 1.3)] = 71
    bank = site.from_water < 160 + 120 * kind
    cover[bank & (site.slope < 4)] = np.where(wild > 0.3, 95, 90)[bank & (site.slope < 4)]
    built = (density > 90) | (impervious >= 15)
    cover[built] = (21 + np.digitize(impervious, [20, 50, 80]))[built]
    cover[site.wet] = 11
    return cover.astype("uint8")


def fields(grid: Grid, rng: np.random.Generator) -> Floats:
    """One number per farm field; fields are blocks of about 20 hectares."""
    size = 15
    shape = (grid.rows // size + 1, grid.cols // size + 1)
    return np.kron(rng.random(shape), np.ones((size, size)))[: grid.rows, : grid.cols]


def make_canopy(cover: Ints, impervious: Ints, grid: Grid, rng: np.random.Generator) -> Ints:
    """Tree canopy [%] by class, uneven within it, never above what sealing leaves."""
    table = np.zeros(256)
    table[list(CANOPY)] = list(CANOPY.values())
    middle = table[cover]
    share = middle + np.minimum(middle, 100 - middle) * 0.35 * noise(grid.shape, power=1.6, shortest=3, rng=rng)
    share = np.minimum(share.clip(0, 98), 100 - impervious.astype(float))
    return np.where(middle > 0, np.round(share), 0).astype("uint8")


def make_land(relief: Relief, rng: np.random.Generator) -> Land:
    """Everything on the ground, from the relief."""
    fine, block, km = (relief.grid.at(cell=c) for c in (30.0, 250.0, 1000.0))
    hectare = relief.grid.at(cell=100.0)
    roads = make_roads(relief, rng)
    wanted = wanted_density(relief, hectare, roads, rng)
    buildings = make_buildings(relief, wanted, hectare, rng)
    housing = counted(buildings, block, buildings.units.to_numpy(float))
    density = density_near(buildings, fine)
    site = sites(relief, fine)
    impervious = make_impervious(density, roads, fine, site.wet, rng)
    cover = make_cover(site, impervious, density, fine, rng)
    return Land(
        streams=make_streams(relief),
        roads=roads,
        buildings=buildings,
        urban=make_urban(housing, block),
        boundary=make_boundary(relief.grid),
        housing=housing,
        population=np.round(counted(buildings, km, people(buildings))),
        cover=cover,
        canopy=make_canopy(cover, impervious, fine, rng),
        impervious=impervious,
    )


def density_near(buildings: gpd.GeoDataFrame, grid: Grid) -> Floats:
    """Housing units per km2, smoothed over about 100 m."""
    units = counted(buildings, grid, buildings.units.to_numpy(float))
    return np.asarray(ndimage.gaussian_filter(units, 100 / grid.cell) / (grid.cell**2 / 1e6))
