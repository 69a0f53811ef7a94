"""A campaign: derived values at very many points, cut into tasks whose parts are kept when a run ends early."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import time
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError

from densite import cover
from densite.covariates import Covariates, Layers, covariates
from densite.errors import CampaignError, DensiteError, LayerError
from densite.layers import Features, Raster, cells_at, fingerprint, lon_lat, open_layers
from densite.pointfile import arrow
from densite.register.store import Provenance
from densite.settings import Settings
from densite.terms import by_name

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAN = "campaign.json"
FORMAT = 1  # raised when parts of an older version must not be kept
TASK_POINTS = 20_000
TILE_CELLS = 1024  # points of one tile of the elevation layer stay together
TILE_DEG = 0.1  # the same where there is no raster
OBSERVED = ("uncertainty_m", "slope_deg", "aspect_deg")
USED = ("layers", "terrain", "sun", "cover", "gradient")  # parts of study.toml on which values depend
FAILURES = (DensiteError, OSError, RasterioError, MemoryError)


@dataclass(frozen=True, slots=True)
class Job:
    """What all tasks share: settings as JSON, study folder, fingerprints of layers and software, output folder."""

    settings: str
    folder: Path
    layers: tuple[tuple[str, str], ...]
    software: tuple[tuple[str, str], ...]
    out: Path
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Task:
    """Some points of a campaign: their rows in the points file, WGS 84 position [deg] and observed values."""

    job: Job
    number: int
    rows: Ints
    lon: Floats
    lat: Floats
    observed: Mapping[str, Floats]
    fingerprint: str

    @property
    def part(self) -> Path:
        """The file into which the task's values go."""
        return self.job.out / f"part-{self.number:06d}.parquet"


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a task ended: after how many tries, and with which last error, '' where it has its part."""

    number: int
    tries: int
    error: str = ""


def plan(
    points: gpd.GeoDataFrame, *, settings: Settings, layers: Layers, folder: Path, out: Path,
    task_points: int = TASK_POINTS,
) -> list[Task]:  # fmt: skip
    """Cut points into tasks of neighbours and write the plan into the output folder.

    The cut depends on the points, the elevation layer's grid and ``task_points`` only, never on who
    will do the work.

    Parameters
    ----------
    points : GeoDataFrame
        Points in any CRS; ``uncertainty_m`` [m], ``slope_deg`` and ``aspect_deg`` [deg] are used where
        they are there.
    settings : Settings
        The study's settings.
    layers : mapping of str to Raster or Features
        From :func:`densite.layers.open_layers`.
    folder : Path
        Study folder; workers on other machines must see it under the same path.
    out : Path
        Folder for plan and parts, made if it is missing; the same holds for it.
    task_points : int
        About how many points a task has, twice as many at most.

    Returns
    -------
    list of Task

    Raises
    ------
    CampaignError
        The folder holds another campaign, or there are no layers or points.
    PointsError
        pyarrow is not installed.
    """
    arrow("a campaign")
    if not layers:
        raise CampaignError(f"{folder / 'study.toml'} names no layers: fill in [layers.elevation] and others")
    if points.empty:
        raise CampaignError("no points: nothing to derive")
    job = _job(settings, layers, folder.resolve(), out.resolve())
    lon, lat = lon_lat(points)
    observed = {
        name: pd.to_numeric(points[name], errors="coerce").to_numpy(np.float64, na_value=np.nan)
        for name in OBSERVED if name in points
    }  # fmt: skip
    tasks = [
        _task(job, number, rows, lon[rows], lat[rows], {name: column[rows] for name, column in observed.items()})
        for number, rows in enumerate(_cut(points, lon, lat, layers, task_points))
    ]
    _write_plan(job, tasks, len(points))
    return tasks


def done(task: Task) -> bool:
    """Tell whether a task's part is there, whole and made of the same inputs.

    Parameters
    ----------
    task : Task
        From :func:`plan`.

    Returns
    -------
    bool
    """
    pa = arrow("a campaign")
    try:
        told = pa.parquet.read_schema(task.part).metadata or {}
    except (OSError, pa.ArrowInvalid):  # missing, or cut off: the footer is written last
        return False
    return bool(told.get(b"densite_task") == task.fingerprint.encode())


def work(task: Task, *, tries: int = 3, pause_s: float = 1.0) -> Outcome:
    """Make a task's part, again where reading or writing fails.

    Parameters
    ----------
    task : Task
        From :func:`plan`.
    tries : int
        How often to try.
    pause_s : float
        Rest after a failure; longer after each. [s]

    Returns
    -------
    Outcome
    """
    for tried in range(1, tries + 1):
        try:
            make_part(task)
            return Outcome(task.number, tried)
        except FAILURES as error:
            told = f"{type(error).__name__}: {error}"
        if tried < tries:
            time.sleep(pause_s * tried)
    return Outcome(task.number, tries, told)


def make_part(task: Task) -> Path:
    """Derive the values of a task and write its part whole or not at all.

    Parameters
    ----------
    task : Task
        From :func:`plan`.

    Returns
    -------
    Path
        A Parquet file: ``row`` of the points file, ``longitude``, ``latitude`` [deg], a column for each
        value and after them ``why_`` columns that say why a value is missing.

    Raises
    ------
    CampaignError
        This machine's software or the layers are not those of the plan.
    LayerError
        A layer cannot be read.
    """
    job = task.job
    if software() != job.software:
        differing = ", ".join(f"{name} {found}" for name, found in sorted(set(software()) - set(job.software)))
        raise CampaignError(
            f"a worker has other software than the plan ({differing}): results could differ. Make them equal"
        )
    if importlib.util.find_spec("numba"):
        import numba  # noqa: F401  # which code is used depends on whether it is loaded: always, then
    settings = Settings.model_validate_json(job.settings)
    found = covariates(
        _frame(task), settings=settings, layers=_layers(job.settings, job.folder, job.layers), folder=job.folder
    )
    return _write_part(task, _fixed(found, task, settings))


def collect(out: Path) -> gpd.GeoDataFrame:
    """Read a finished campaign, in the order of its points file.

    Parameters
    ----------
    out : Path
        Folder with plan and parts.

    Returns
    -------
    GeoDataFrame
        Points in EPSG:4326 with the columns of the parts, indexed by row.

    Raises
    ------
    CampaignError
        There is no plan, or parts are missing or belong to another campaign.
    """
    pa = arrow("a campaign")
    told = _read_plan(out)
    if told is None:
        raise CampaignError(f"no {PLAN} in {out}: not the folder of a campaign")
    paths = [out / f"part-{number:06d}.parquet" for number in range(len(told["tasks"]))]
    missing = [path.name for path in paths if not path.is_file()]
    if missing:
        raise CampaignError(f"{out}: {len(missing)} of {len(paths)} parts are missing ({missing[0]} ...): run it again")
    tables = [pa.parquet.read_table(path) for path in paths]
    for path, table, expected in zip(paths, tables, told["tasks"], strict=True):
        if (table.schema.metadata or {}).get(b"densite_task") != expected.encode():
            raise CampaignError(f"{path} belongs to another campaign: run it again")
    whole = pa.concat_tables(tables).to_pandas().set_index("row").sort_index()
    places = gpd.points_from_xy(whole["longitude"], whole["latitude"])
    return gpd.GeoDataFrame(whole, geometry=places, crs=4326)


def software() -> tuple[tuple[str, str], ...]:
    """Return names and versions of what the values and the bytes of a part depend on.

    Returns
    -------
    tuple of (str, str)
    """
    names = ("densite", "numpy", "pandas", "scipy", "shapely", "pyarrow", "pyerfa")
    numba = version("numba") if importlib.util.find_spec("numba") else "none"
    own = {"gdal": rasterio.__gdal_version__, "proj": pyproj.proj_version_str, "numba": numba}
    return tuple(sorted((own | {name: version(name) for name in names}).items()))


def _job(settings: Settings, layers: Layers, folder: Path, out: Path) -> Job:
    text = settings.model_dump_json(by_alias=True)
    prints = tuple((name, layer.fingerprint) for name, layer in layers.items())
    legends = [folder / layer.legend for layer in settings.layers.values() if layer.legend]
    told = {
        "format": FORMAT, "settings": {part: json.loads(text)[part] for part in USED}, "layers": prints,
        "legends": [fingerprint(path) for path in legends if path.is_file()], "software": software(),
    }  # fmt: skip
    digest = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()
    return Job(text, folder, prints, software(), out, digest)


def _task(job: Job, number: int, rows: Ints, lon: Floats, lat: Floats, observed: Mapping[str, Floats]) -> Task:
    digest = hashlib.sha256(job.fingerprint.encode())
    for array in (rows, lon, lat):
        digest.update(array.tobytes())
    for name, column in sorted(observed.items()):
        digest.update(name.encode() + column.tobytes())
    return Task(job, number, rows, lon, lat, observed, digest.hexdigest())


def _cut(points: gpd.GeoDataFrame, lon: Floats, lat: Floats, layers: Layers, size: int) -> Iterator[Ints]:
    """Yield the rows of each task: whole tiles along a space-filling curve, big tiles cut up."""
    raster = layers.get("elevation") or next((layer for layer in layers.values() if isinstance(layer, Raster)), None)
    if isinstance(raster, Raster):
        down, across = (axis / TILE_CELLS for axis in cells_at(points, raster))
    else:
        down, across = (90 - lat) / TILE_DEG, (lon + 180) / TILE_DEG
    tile = _curve(down, across)
    order = np.argsort(tile, kind="stable")
    changes = np.flatnonzero(np.diff(tile[order])) + 1
    starts = np.repeat(np.append(0, changes), np.diff(np.concatenate([[0], changes, [len(order)]])))
    lot = starts // size  # a tile goes to the lot in which it begins
    within = np.arange(len(order)) - np.searchsorted(lot, lot)
    key = np.stack([lot, within // (2 * size)])
    for rows in np.split(order, np.flatnonzero(np.diff(key, axis=1).any(axis=0)) + 1):
        yield np.sort(rows)


def _curve(down: Floats, across: Floats) -> NDArray[np.uint64]:
    """Return places on a Z-order curve (Morton 1966, from memory); tiles without a place come last."""
    found = np.zeros(len(down), dtype=np.uint64)
    for shift, axis in enumerate((across, down)):
        whole = np.clip(np.nan_to_num(axis), 0, 2**20 - 1).astype(np.uint64)
        for bit in range(20):
            found |= ((whole >> np.uint64(bit)) & np.uint64(1)) << np.uint64(2 * bit + shift)
    found[~(np.isfinite(down) & np.isfinite(across))] = np.uint64(2**40)
    return found


def _write_plan(job: Job, tasks: list[Task], points: int) -> None:
    """Write what is to be done; refuse a folder in which something else was done."""
    told = {
        "densite_campaign": FORMAT, "inputs": job.fingerprint, "points": points,
        "layers": dict(job.layers), "software": dict(job.software), "tasks": [task.fingerprint for task in tasks],
    }  # fmt: skip
    job.out.mkdir(parents=True, exist_ok=True)
    known = _read_plan(job.out)
    if known is not None and known != json.loads(json.dumps(told)):
        differing = ", ".join(name for name in told if known.get(name) != json.loads(json.dumps(told[name])))
        raise CampaignError(
            f"{job.out} holds a campaign with other {differing}: choose another folder, or delete this one"
        )
    if known is None and any(job.out.glob("part-*.parquet")):
        raise CampaignError(f"{job.out} holds parts but no {PLAN}: choose another folder")
    for left in job.out.glob(".unfinished-*"):
        left.unlink(missing_ok=True)
    _replace(job.out / PLAN, (json.dumps(told, indent=1) + "\n").encode())


def _read_plan(out: Path) -> dict[str, Any] | None:
    path = out / PLAN
    if not path.is_file():
        return None
    try:
        told: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        raise CampaignError(f"{path} is damaged: delete the folder {out} and run it again") from None
    return told


def _replace(path: Path, content: bytes) -> None:
    """Write a file under another name first, so that a half-written one never passes for whole."""
    unfinished = path.with_name(f".unfinished-{uuid.uuid4().hex}")
    try:
        unfinished.write_bytes(content)
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


@lru_cache(maxsize=2)
def _layers(settings: str, folder: Path, prints: tuple[tuple[str, str], ...]) -> dict[str, Raster | Features]:
    """Open layers once in each process; they must be those of the plan."""
    opened = open_layers(Settings.model_validate_json(settings), folder=folder)
    for name, expected in prints:
        if opened[name].fingerprint != expected:
            raise LayerError(f"layer '{name}': {opened[name].path} was changed since the campaign was planned")
    return opened


def _frame(task: Task) -> gpd.GeoDataFrame:
    points = gpd.points_from_xy(task.lon, task.lat)
    points[np.isnan(task.lon)] = None
    return gpd.GeoDataFrame(dict(task.observed), geometry=points, crs=4326, index=pd.Index(task.rows))


@dataclass(frozen=True, slots=True)
class _Column:
    """A column of a part."""

    source: Provenance
    values: pd.Series[Any]
    reasons: pd.Series[Any]


def _fixed(found: Covariates, task: Task, settings: Settings) -> list[_Column]:
    """Return the columns that every part has, also where a class of cover occurs in none of its discs."""
    unseen = [f"{kind}_{what}" for kind in ("slope", "aspect") if f"{kind}_deg" not in task.observed
              for what in ("difference_deg", "disagrees")]  # fmt: skip
    columns = []
    for source in found.sources:
        if source.covariate.startswith("cover_share_") or source.covariate in unseen:
            continue
        columns.append(_Column(source, found.values[source.column], found.reasons[source.column]))
        if source.covariate == "cover_missing_share":
            columns += _shares(found, source, settings, task.job.folder)
    return columns


def _shares(found: Covariates, missing: Provenance, settings: Settings, folder: Path) -> Iterator[_Column]:
    """Yield the share of every class of the legend in one disc, 0 for those that occur nowhere in the part."""
    legend = cover.read_legend(settings.layers["land_cover"].legend or "nlcd", folder=folder)
    sources = [
        replace(missing, covariate=f"cover_share_{code}", method="share of the disc's valid area, cut cells by area",
                parameters=dict(missing.parameters or {}) | {"class": name})
        for code, name in legend.classes.items()
    ]  # fmt: skip
    seen = next((source.column for source in sources if source.column in found.values), None)
    empty = pd.Series(np.nan, index=found.values.index)
    none = empty if seen is None else (found.values[seen] * 0.0)
    why = pd.Series("no valid cell in the disc", index=empty.index) if seen is None else found.reasons[seen]
    for source in sources:
        there = source.column in found.values
        yield _Column(
            source, found.values[source.column] if there else none, found.reasons[source.column] if there else why
        )


def _write_part(task: Task, columns: list[_Column]) -> Path:
    pa = arrow("a campaign")
    terms = by_name()
    arrays: dict[str, Any] = {"row": pa.array(task.rows, pa.int64())}
    arrays |= {"longitude": pa.array(task.lon, pa.float64()), "latitude": pa.array(task.lat, pa.float64())}
    for column in columns:
        term = terms.get(column.source.covariate)
        kind = pa.string() if term is not None and term.kind == "text" else pa.float64()
        values = column.values.tolist() if kind == pa.string() else column.values.astype(np.float64)
        arrays[column.source.column] = pa.array(values, kind, from_pandas=True)
    for column in columns:
        arrays[f"why_{column.source.column}"] = pa.array(column.reasons.tolist(), pa.string())
    told = {
        "densite_task": task.fingerprint,
        "densite_sources": json.dumps([asdict(column.source) for column in columns], sort_keys=True),
    }
    sink = pa.BufferOutputStream()
    pa.parquet.write_table(pa.table(arrays).replace_schema_metadata(told), sink, compression="zstd")
    _replace(task.part, sink.getvalue().to_pybytes())
    return task.part
