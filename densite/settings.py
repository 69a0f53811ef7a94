"""study.toml read into frozen settings, which are passed along and never global."""

from __future__ import annotations

import datetime as dt
import difflib
import os
import re
import tomllib
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    ValidationError,
    field_validator,
    model_validator,
)
from pyproj import CRS
from pyproj.exceptions import CRSError

from densite.animalterms import KINDS
from densite.errors import SettingsError
from densite.terms import DEN_TERMS, VISIT_TERMS

FILE_NAME = "study.toml"
OUT = "out"  # folder for what densite writes beside the register

RASTER_LAYERS = ("elevation", "land_cover", "canopy", "impervious", "housing", "population")
VECTOR_LAYERS = ("roads", "buildings", "streams", "boundary", "urban", "landscape")


PositiveMetres = Annotated[float, Field(gt=0, le=100_000)]


def _inside(path: str) -> str:
    """Refuse a path that leaves the study folder: what densite writes, and what it trusts, lies within."""
    ways = (PurePosixPath(path), PureWindowsPath(path))
    if not path or "\0" in path or any(way.anchor or ".." in way.parts for way in ways):
        raise ValueError(
            "leads out of the study folder: write a path inside it, without '..' (only layers may lie elsewhere)"
        )
    return path


Inside = Annotated[str, AfterValidator(_inside)]


def _tz_database(zone: str) -> str:
    """Refuse a time zone that the tz database does not know."""
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        raise ValueError("is no time zone of the tz database; write America/Boise, UTC ...") from None
    return zone


def fixed_offset(text: str) -> dt.timezone | None:
    """Read an offset from UTC, as a camera keeps whose clock is never set forward.

    Parameters
    ----------
    text : str
        ``-07:00``, ``+05:30`` or ``Z``.

    Returns
    -------
    timezone or None
        None where the text is no offset of a zone.
    """
    match = re.fullmatch(r"([+-])(\d{2}):(\d{2})", text)
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return dt.UTC if text == "Z" else None
    span = dt.timedelta(hours=int(match[2]), minutes=int(match[3]))
    return dt.timezone(span if match[1] == "+" else -span)


class _Part(BaseModel):
    """A frozen part of the settings that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class StudySettings(_Part):
    """The study's name, the id from which its record ids are made, and its working CRS."""

    name: str = Field(min_length=1)
    id: str = Field(min_length=8)
    crs: str
    time_zone: str = "UTC"

    @field_validator("crs")
    @classmethod
    def _known_crs(cls, text: str) -> str:
        try:
            CRS.from_user_input(text)
        except CRSError:
            raise ValueError("is no CRS that PROJ knows; write EPSG:32611, for example") from None
        return text

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return _tz_database(zone)


class RegisterSettings(_Part):
    """Where the records are kept: a file of the study folder, or a database by its URL, which may hold a password."""

    path: Inside = "register.gpkg"
    url: SecretStr | None = None


class LayerSettings(_Part):
    """One map layer: its file and what the file does not say about itself."""

    path: str
    layer: str | None = None
    unit: str | None = None
    legend: str | None = None
    nodata: float | None = None
    crs: str | None = None
    field: str | None = None
    year: int | None = Field(default=None, ge=1900, le=2200)
    source: str | None = None


class TerrainSettings(_Part):
    """How slope, aspect and topographic position are computed and compared with the field's."""

    method: Literal["horn", "zevenbergen-thorne"] = "horn"
    position_radius_m: PositiveMetres = 300.0
    slope_tolerance_deg: float = Field(default=10.0, gt=0, le=90)
    aspect_tolerance_deg: float = Field(default=45.0, gt=0, le=180)


class SunSettings(_Part):
    """The dates and parts of the day in which direct sun counts, and how far the horizon is looked for."""

    start: dt.date = dt.date(2026, 2, 1)
    end: dt.date = dt.date(2026, 3, 31)
    part_of_day: tuple[Literal["day", "morning", "afternoon"], ...] = Field(
        default=("day", "morning", "afternoon"), min_length=1
    )
    reach_m: PositiveMetres = 10_000.0

    @model_validator(mode="after")
    def _ends_after_start(self) -> Self:
        if self.end < self.start:
            raise ValueError(f"sun ends on {self.end}, before it starts on {self.start}: give the later year")
        return self


class CoverSettings(_Part):
    """Radii of the discs in which cover is measured."""

    radii_m: tuple[PositiveMetres, ...] = (30.0, 100.0, 500.0, 1000.0)

    @field_validator("radii_m")
    @classmethod
    def _some_and_distinct(cls, radii: tuple[float, ...]) -> tuple[float, ...]:
        if not radii or len(set(radii)) != len(radii):
            raise ValueError("needs at least one radius, each given once")
        return tuple(sorted(radii))


Measure = Literal["housing", "impervious", "population", "urban_edge"]
Scheme = Literal[
    "housing_density", "imperviousness", "degree_of_urbanisation", "housing_beside_wildland",
    "breaks", "polygons",
]  # fmt: skip


class GradientSettings(_Part):
    """The urban-to-rural measure and the landscape classes, chosen before looking at den types."""

    measure: Measure = "housing"
    radius_m: PositiveMetres = 1000.0
    scheme: Scheme = "housing_density"
    breaks: tuple[float, ...] = ()
    names: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _breaks_fit_names(self) -> Self:
        if self.scheme == "breaks":
            if not self.breaks or list(self.breaks) != sorted(set(self.breaks)):
                raise ValueError("scheme 'breaks' needs breaks in rising order, each once")
            if len(self.names) != len(self.breaks) + 1 or len(set(self.names)) != len(self.names):
                raise ValueError(f"{len(self.breaks)} breaks make {len(self.breaks) + 1} classes: name each")
        elif self.breaks or self.names:
            raise ValueError("breaks and names are only used with scheme = 'breaks'")
        return self


DateOrder = Literal["day first", "month first"]


class OffsetErrors(_Part):
    """Standard errors of the study's own sightings, by its own trials, for rows that give none."""

    bearing_deg: float | None = Field(default=None, gt=0, le=90)
    laser_m: PositiveMetres | None = None
    tape_m: PositiveMetres | None = None
    estimate_pct: float | None = Field(default=None, gt=0, le=100)


class IntakeSettings(_Part):
    """How to read crew files that do not say everything themselves."""

    datum: str | None = None
    aspect_reference: Literal["true", "magnetic"] | None = None
    encoding: str | None = None
    decimal: Literal[".", ","] = "."
    date_order: DateOrder | None = None
    camera_time_zone: str | None = None
    assumed_uncertainty_m: PositiveMetres = 10.0
    offset_errors: OffsetErrors = OffsetErrors()
    columns: dict[str, str] = Field(default_factory=dict)

    @field_validator("camera_time_zone")
    @classmethod
    def _known_camera_zone(cls, zone: str | None) -> str | None:
        return zone if zone is None or fixed_offset(zone) is not None else _tz_database(zone)


class CompareSettings(_Part):
    """What is compared and how, chosen before looking at the results."""

    seed: int = Field(default=1, ge=0)
    permutations: int = Field(default=9999, ge=999, le=1_000_000)
    bootstraps: int = Field(default=1999, ge=199, le=100_000)
    confidence: float = Field(default=0.95, gt=0.5, lt=1)
    reuse: Literal["once", "each winter"] = "once"
    moved: Literal["all", "first"] = "all"
    no_female: Literal["own", "leave out"] = "own"
    winter_month: int = Field(default=8, ge=1, le=12)
    contrast: str = "tree"
    scale: Literal["log", "as measured"] | None = None
    covariates: tuple[str, ...] = ()
    available: int = Field(default=10_000, ge=100, le=1_000_000)
    radii_m: tuple[PositiveMetres, ...] = (500.0, 1000.0, 2000.0)
    lump: dict[str, tuple[str, ...]] = Field(default_factory=dict)


_DAY = re.compile(r"(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


class CheckSettings(_Part):
    """What `densite check` asks about beyond what the records themselves show; nothing of it is known by itself."""

    season: tuple[str, str] | None = None
    expected: tuple[str, ...] | None = None
    same_day_m: PositiveMetres | None = None
    water_codes: tuple[int, ...] = ()

    @field_validator("season")
    @classmethod
    def _days_of_a_year(cls, season: tuple[str, str] | None) -> tuple[str, str] | None:
        if odd := [day for day in season or () if not _DAY.fullmatch(day)]:
            raise ValueError(f'\'{odd[0]}\' is no day of a year; write month and day, as in ["11-01", "05-15"]')
        return season

    @field_validator("expected")
    @classmethod
    def _known_columns(cls, names: tuple[str, ...] | None) -> tuple[str, ...] | None:
        allowed = [term.name for term in (*DEN_TERMS, *VISIT_TERMS)]
        allowed += [f"{kind.name}.{term.name}" for kind in KINDS.values() for term in kind.terms]
        for name in names or ():
            if name not in allowed:
                raise ValueError(f"unknown column '{name}'{_closest(name, allowed)}; `densite columns` lists them")
        return names


class AnimalsSettings(_Part):
    """Files of the animals' side that the study fills in itself, relative to the study folder."""

    protocol: Inside = "protocol.toml"
    calibration: Inside = "calibration.toml"


class MapSettings(_Part):
    """Choices for the rendered map."""

    title: str | None = None
    overlay_px: int = Field(default=1100, ge=200, le=4000)


class FormSettings(_Part):
    """Names that the phone form offers instead of those on file."""

    crew: tuple[str, ...] = ()
    observers: tuple[str, ...] = ()
    females: tuple[str, ...] = ()


class Settings(_Part):
    """Everything study.toml says, with paths still relative to the study folder."""

    study: StudySettings
    register_: RegisterSettings = Field(default_factory=RegisterSettings, alias="register")
    layers: dict[str, LayerSettings] = Field(default_factory=dict)
    terrain: TerrainSettings = Field(default_factory=TerrainSettings)
    sun: SunSettings = Field(default_factory=SunSettings)
    cover: CoverSettings = Field(default_factory=CoverSettings)
    gradient: GradientSettings = Field(default_factory=GradientSettings)
    intake: IntakeSettings = Field(default_factory=IntakeSettings)
    map: MapSettings = Field(default_factory=MapSettings)
    compare: CompareSettings = Field(default_factory=CompareSettings)
    animals: AnimalsSettings = Field(default_factory=AnimalsSettings)
    form: FormSettings = Field(default_factory=FormSettings)
    check: CheckSettings = Field(default_factory=CheckSettings)

    @field_validator("layers")
    @classmethod
    def _known_layers(cls, layers: dict[str, LayerSettings]) -> dict[str, LayerSettings]:
        allowed = (*RASTER_LAYERS, *VECTOR_LAYERS)
        for name in layers:
            if name not in allowed:
                raise ValueError(f"unknown layer '{name}'{_closest(name, allowed)}; known: {', '.join(allowed)}")
        return layers


def load(folder: Path) -> Settings:
    """Read ``study.toml`` of a study folder.

    Parameters
    ----------
    folder : Path
        The study folder.

    Returns
    -------
    Settings
        Checked settings; paths in them are relative to ``folder``.

    Raises
    ------
    SettingsError
        The file is missing, is no TOML, or holds unknown keys or impossible values; all of them
        are listed at once.
    """
    path = folder / FILE_NAME
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(
            f"no {FILE_NAME} in {folder}: not a study folder. Make one with `densite new {folder}`"
        ) from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} cannot be read: it is not UTF-8 ({error.reason}). Save it as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error}") from None
    chosen = parse(text, where=str(path))
    _refuse_links_out(folder, chosen)
    return chosen


def _refuse_links_out(folder: Path, chosen: Settings) -> None:
    """Refuse files of the study, and its folder for output, that a symbolic link takes out of its folder."""
    home = _real(folder)
    named = {"register.path": chosen.register_.path, "animals.protocol": chosen.animals.protocol,
             "animals.calibration": chosen.animals.calibration}  # fmt: skip
    for key, name in named.items():
        if not (real := _real(folder / name)).is_relative_to(home):
            raise SettingsError(
                f"{folder / FILE_NAME}: '{key}' = {name!r} is a link that leads out of the study folder, to {real}: "
                "put the file itself into the folder"
            )
    if not (real := _real(folder / OUT)).is_relative_to(home):
        raise SettingsError(
            f"{folder / OUT} is a link that leads out of the study folder, to {real}: what is written there holds "
            "exact den places. Make it a folder; to keep all of it elsewhere, move the whole study folder"
        )


def _real(path: Path) -> Path:
    """Follow all links; ``Path.resolve`` raises where they go round in a circle."""
    return Path(os.path.realpath(path))


def parse(text: str, *, where: str = FILE_NAME) -> Settings:
    """Read settings from TOML text.

    Parameters
    ----------
    text : str
        The text of a study.toml.
    where : str
        How error messages name the text.

    Returns
    -------
    Settings
        Checked settings.

    Raises
    ------
    SettingsError
        As for :func:`load`.
    """
    try:
        told = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOML that is none, a number of thousands of digits, deep brackets
        raise SettingsError(f"{where} is not valid TOML: {error}") from None
    try:
        return Settings.model_validate(told)
    except ValidationError as error:
        lines = [_told(item) for item in error.errors()]
        raise SettingsError(f"{where}:\n  " + "\n  ".join(lines)) from None


def _told(item: Any) -> str:
    """Turn one pydantic finding into a sentence that names the key."""
    key = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        known = _known_keys(item["loc"][:-1])
        return f"unknown key '{key}'{_closest(str(item['loc'][-1]), known)}; known here: {', '.join(known)}"
    if item["type"] == "missing":
        return f"'{key}' is missing"
    if key == "register.url":
        return f"'{key}' must be one text in quotes (what stands there is not shown: it may hold a password)"
    return f"'{key}' = {item['input']!r}: {item['msg'].removeprefix('Value error, ')}"


def _known_keys(path: tuple[str | int, ...]) -> list[str]:
    """List the keys that the table at ``path`` may hold."""
    model: type[BaseModel] = Settings
    for part in path:
        if model is Settings and part == "layers":
            model = LayerSettings
            break
        field = next((f for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        if field is None or not isinstance(field.annotation, type):
            return []
        model = field.annotation
    return [field.alias or name for name, field in model.model_fields.items()]


def _closest(word: str, allowed: list[str] | tuple[str, ...]) -> str:
    """Suggest the allowed word that the given one most resembles."""
    near = difflib.get_close_matches(word, allowed, n=1)
    return f" (did you mean '{near[0]}'?)" if near else ""
