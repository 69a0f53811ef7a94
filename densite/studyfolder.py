"""A new study folder: a complete commented study.toml, an empty register, folders for layers and output."""

from __future__ import annotations

import contextlib
import json
import os
import uuid
from collections.abc import Iterator
from pathlib import Path

from pyproj import CRS
from pyproj.exceptions import CRSError

from densite import settings
from densite.errors import RegisterError, SettingsError
from densite.protocol import template
from densite.register import create_register
from densite.register.databaseurl import ENVIRONMENT, read_url, target_of

PRIVATE = 0o700
PRIVATE_FILE = 0o600

_TEMPLATE = """\
# Settings of a den study. densite reads this file; it adds to it only what you accept in `densite intake --learn`.
# Lines that start with # are switched off; what stands behind them shows the default or an example.

[study]
name = {name}
id = {id}  # record ids are made from it: leave it as it is
crs = {crs}  # projected CRS in metres for the study area
time_zone = {time_zone}  # name of the tz database, in which times with an offset (GPX: UTC) become days

[register]
{register}

# Map layers. Leave out what you do not have: what needs it is then not computed.
# Each may also say: crs (only if the file has none), nodata, year, source.
{layers}
[terrain]
# method = "horn"               # slope and aspect after Horn 1981; or "zevenbergen-thorne"
# position_radius_m = 300.0     # disc for topographic position [m]
# slope_tolerance_deg = 10.0    # field slope and DEM slope further apart are listed [deg]; your choice, no source
# aspect_tolerance_deg = 45.0   # the same for aspects [deg]; your choice, no source

[sun]
# start = 2026-02-01            # first and last day on which direct sun counts; your choice, no source. The sun's
# end = 2026-03-31              # path is the same every year, so one winter's dates serve for all
# part_of_day = ["day", "morning", "afternoon"]  # before and after true solar noon
# reach_m = 10000.0             # how far to look for the horizon [m]; the DEM must reach as far beyond the dens

[cover]
# radii_m = [30.0, 100.0, 500.0, 1000.0]  # discs for class shares and means [m]

# Choose the gradient before looking at den types.
[gradient]
# measure = "housing"           # housing, impervious, population (layers of that name), urban_edge (layer urban)
# radius_m = 1000.0             # disc in which the measure is taken [m]
# scheme = "housing_density"    # housing_density, imperviousness, degree_of_urbanisation,
#                               # housing_beside_wildland, breaks, polygons (layer landscape with field = "...")
# breaks = [6.0, 60.0]          # for scheme "breaks", in the measure's unit, rising; a break belongs to the class above
# names = ["rural", "mixed", "town"]  # one name more than breaks

# Choose before looking at the results; `densite compare` prints what was chosen.
[compare]
# reuse = "once"                # a den site used in several winters counts "once", or "each winter"
# moved = "all"                 # of a female's dens in one winter "all" count, or the "first"
# no_female = "own"             # a den without a known female: a female of its "own", or "leave out"
# winter_month = 8              # first month that belongs to the next year's winter
# contrast = "tree"             # the type that is set against all others
# scale = "log"                 # gradient as log10(1 + measure) or "as measured"; default: log for densities
# covariates = ["derived_slope_deg", "canopy_mean_pct_100m"]  # values to compare; default: all the usual ones
# available = 10000             # points with which the dens' aspects are compared
# radii_m = [500.0, 1000.0, 2000.0]  # discs of the gradient for which the comparison is made again [m]
# seed = 1                      # where chance begins: the same seed gives the same numbers
# permutations = 9999
# bootstraps = 1999
# confidence = 0.95
# [compare.lump]
# "ground or brush" = ["ground bed", "brush"]  # types counted as one; its fingerprint is printed

[intake]
# datum = "WGS84"               # datum of coordinates whose file does not say: WGS84, NAD83, NAD27. Never guessed
# aspect_reference = "magnetic" # north of bearings whose file does not say: true or magnetic
# decimal = ","                 # decimal mark in crew files, "." by default
# date_order = "day first"      # how days in figures are written: day first or month first. Never guessed
# encoding = "cp1252"           # only if a file's encoding is not found by itself
# camera_time_zone = "-07:00"   # zone of the clocks of cameras whose pictures do not say: an offset, or a name
# assumed_uncertainty_m = 10.0  # to find duplicates where a crew gave no uncertainty [m]; your choice, no source

[intake.offset_errors]
# standard errors of dens seen from a distance, by your own trials; for rows that give none. Never guessed
# bearing_deg = 2.0
# laser_m = 0.5
# tape_m = 0.5
# estimate_pct = 20.0

[intake.columns]
# headings of your own files, and the column of densite that each means; `densite columns` lists them
{columns}
[animals]
# protocol = "protocol.toml"        # limits of vitals, filled in and signed by the study's veterinarian
# calibration = "calibration.toml"  # cub ages from measurements; `densite cubs fit` makes it from known-age cubs

[form]
# crew = ["A", "B"]             # what the phone form offers; default: who is on file for the last two winters
# observers = ["Q.V."]
# females = ["OB-031"]          # females expected this winter; default: those with a collar on

[check]
# What `densite check` asks about. Where a line is switched off, nothing is said of it.
# season = ["11-01", "05-15"]   # first and last day of visits, month and day; yours, no source: nothing is assumed
# same_day_m = 2000.0           # two dens of a female on one day farther apart are asked about [m]; yours, no source
# expected = ["uncertainty_m", "aspect", "slope_deg", "female", "crew", "cub.mass_g"]  # what a crew should fill in;
#                               # by default what `densite check --missing` lists
# water_codes = [11]            # classes of land cover that are open water; known for nlcd and worldcover

[map]
# title = "Winter dens"
# overlay_px = 1100             # longest side of the pictures in the map [pixels]
"""

_FILE = """\
path = "register.gpkg"          # the store of records, a GeoPackage
# url = "postgresql+psycopg://crew@server/studies?search_path=basin"  # or PostgreSQL, see `densite new --register`
#                               # Write no password here: DENSITE_REGISTER in the environment, PGPASSWORD, ~/.pgpass"""

_DATABASE = """\
# The store of records, a schema in PostgreSQL. Write no password here: DENSITE_REGISTER in the environment, the whole
# URL with its password, goes before this one; PGPASSWORD and ~/.pgpass serve as well.
url = {url}"""

_EXAMPLES = """\
# [layers.elevation]
# path = "layers/elevation.tif"
# unit = "m"                    # vertical unit: m, ft, us-ft
# [layers.land_cover]
# path = "layers/land_cover.tif"
# legend = "nlcd"               # nlcd, worldcover, or a CSV with the columns code,name
# nodata = 0
# [layers.canopy]               # percent
# path = "layers/canopy.tif"
# [layers.impervious]           # percent
# path = "layers/impervious.tif"
# [layers.housing]              # housing units per cell
# path = "layers/housing.tif"
# [layers.population]           # people per cell
# path = "layers/population.tif"
# [layers.roads]
# path = "layers/lines.gpkg"
# layer = "roads"
# [layers.buildings]
# path = "layers/buildings.gpkg"
# [layers.streams]
# path = "layers/streams.gpkg"
# [layers.boundary]             # the study area: points outside are asked about
# path = "layers/boundary.gpkg"
# [layers.urban]                # polygons of the urban area, for measure "urban_edge"
# path = "layers/urban.gpkg"
# [layers.landscape]            # polygons of your own classes, for scheme "polygons"
# path = "layers/landscape.gpkg"
# field = "class"
"""


def study_text(
    *,
    name: str,
    crs: str,
    time_zone: str = "UTC",
    study_id: str = "",
    layers: str = _EXAMPLES,
    columns: str = "",
    register: str = "",
) -> str:
    """Write the text of a complete commented study.toml.

    Parameters
    ----------
    name : str
        Name of the study.
    crs : str
        Projected CRS in metres.
    time_zone : str
        Name of the tz database.
    study_id : str
        Lasting id; made when left blank.
    layers, columns : str
        TOML text of the layers and of the mapping of headings.
    register : str
        URL of a database, whose password is left out; a GeoPackage in the folder when left blank.

    Returns
    -------
    str
    """
    quoted = {"name": name, "crs": crs, "time_zone": time_zone, "id": study_id or str(uuid.uuid4())}
    return _TEMPLATE.format(
        **{key: json.dumps(value, ensure_ascii=False) for key, value in quoted.items()},
        layers=layers, columns=columns, register=_register_text(register),
    )  # fmt: skip


def _register_text(url: str) -> str:
    return _DATABASE.format(url=json.dumps(read_url(url).shown)) if url else _FILE


def new_study(
    folder: str | Path, *, name: str, crs: str, time_zone: str = "UTC", study_id: str = "", register: str = ""
) -> Path:
    """Make a study folder.

    Parameters
    ----------
    folder : path
        Folder to make; it may exist if it holds no study.toml.
    name : str
        Name of the study.
    crs : str
        Projected CRS in metres, for example ``EPSG:32611``.
    time_zone : str
        Name of the tz database.
    study_id : str
        Id of the study whose export is to be taken in; a new one is made when left blank.
    register : str
        URL of a database with PostGIS in which the register is made; a GeoPackage in the folder when left blank.
        Its password is used and not written down.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    SettingsError
        There is a study already, the CRS is not projected in metres, or the folder cannot be made.
    RegisterError
        The database cannot hold the register, or DENSITE_REGISTER names another one.
    """
    _check_crs(crs)
    text = study_text(name=name, crs=crs, time_zone=time_zone, study_id=study_id, register=register)
    return lay_out(Path(folder), text, register=_connecting(register))


def _connecting(url: str) -> str:
    """Return the URL to connect by: that of the environment, which may know the password, or the one given."""
    known = os.environ.get(ENVIRONMENT, "").strip()
    if not url or not known:
        return url
    if read_url(known).place != read_url(url).place:
        raise RegisterError(
            f"{ENVIRONMENT} names another register ({read_url(known).where}) than {read_url(url).where}: "
            "unset it, or name the same. Nothing was made"
        )
    return known


def lay_out(folder: Path, text: str, *, register: str = "") -> Path:
    """Write study.toml and an empty register into a folder.

    Parameters
    ----------
    folder : Path
        Study folder.
    text : str
        Text of study.toml.
    register : str
        URL by which to connect to the register's database; a file is made as the text says when left blank.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    SettingsError
        The text is no valid study.toml, a study is there already, or the folder cannot be written.
    RegisterError
        There is a register already, or it cannot be made. In both cases nothing is left behind.
    """
    chosen = settings.parse(text)
    target = folder / settings.FILE_NAME
    if target.exists():
        raise SettingsError(f"{folder} is a study already: nothing was changed. Choose another folder")
    try:
        with _whole_or_not() as made:
            for part in (folder, folder / "layers", folder / "out"):  # register and out hold exact den places
                _make_folder(part, made)
            if not (protocol := folder / chosen.animals.protocol).exists():
                _write_private(protocol, template(), made)  # no limit in it yet: for the study's veterinarian
            _write_private(target, text, made)
            create_register(register or target_of(chosen.register_, folder), study_id=chosen.study.id).close()
    except OSError as error:
        said = f"{error.filename or folder}: {error.strerror or error}"
        raise SettingsError(f"{folder} cannot be made a study folder ({said}). Name another place") from None
    return folder


@contextlib.contextmanager
def _whole_or_not() -> Iterator[list[Path]]:
    """Take away what was made where a later step fails: a study is there whole, or not at all."""
    made: list[Path] = []
    try:
        yield made
    except BaseException:
        for path in reversed(made):
            with contextlib.suppress(OSError):  # somebody else put something into the folder
                path.rmdir() if path.is_dir() else path.unlink()
        raise


def _make_folder(path: Path, made: list[Path]) -> None:
    if not path.is_dir():
        path.mkdir(mode=PRIVATE, parents=True)
        made.append(path)


def _write_private(path: Path, text: str, made: list[Path]) -> None:
    """Write a new file that only its owner can read, whatever the umask; never over a file or through a link."""
    number = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE_FILE)
    made.append(path)
    with os.fdopen(number, "w", encoding="utf-8") as file:
        file.write(text)


def _check_crs(text: str) -> None:
    try:
        crs = CRS.from_user_input(text)
    except CRSError:
        raise SettingsError(f"crs '{text}' is no CRS that PROJ knows; write EPSG:32611, for example") from None
    if not crs.is_projected or crs.axis_info[0].unit_name != "metre":
        raise SettingsError(f"crs '{text}' ({crs.name}) is not projected in metres; choose a UTM zone, for example")
