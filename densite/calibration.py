"""A cub-age calibration: coefficients, what they rest on and how far they carry, as a file and as numbers."""

from __future__ import annotations

import datetime as dt
import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator, model_validator
from scipy import stats

from densite.errors import SettingsError, StatisticsError
from densite.records import folded

Floats = NDArray[np.float64]

# Measurements that a calibration may rest on, and the column that names their landmark.
LANDMARK_COLUMNS: Mapping[str, str | None] = MappingProxyType(
    {"hair_mm": "hair_landmark", "ear_mm": "ear_landmark", "zygomatic_mm": None}
)
_ROUNDING = 1e-8  # relative; written numbers may miss symmetry and zero by so much

PositiveDays = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Number = Annotated[float, Field(allow_inf_nan=False)]


class _Part(BaseModel):
    """A frozen part of a calibration that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class Measurement(_Part):
    """One measurement: its column and landmark, the range in which it counts, and its coefficient.

    ``low_mm`` and ``high_mm`` in mm; ``coefficient`` in days per mm.
    """

    column: str
    landmark: str | None = None
    low_mm: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    high_mm: Number
    coefficient: Number

    @field_validator("column")
    @classmethod
    def _known(cls, column: str) -> str:
        if column not in LANDMARK_COLUMNS:
            raise ValueError(f"is no measurement of a calibration; known: {', '.join(LANDMARK_COLUMNS)}")
        return column

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if LANDMARK_COLUMNS[self.column] and not self.landmark:
            raise ValueError(f"{self.column} needs its landmark: from where to where, or where on the body")
        if self.low_mm >= self.high_mm:
            raise ValueError(f"{self.column}: low_mm {self.low_mm:g} must lie below high_mm {self.high_mm:g}")
        return self

    @property
    def named(self) -> str:
        """The column with its landmark."""
        return f"{self.column} ({self.landmark})" if self.landmark else self.column


class Residual(_Part):
    """What measurements leave unsaid about age: standard deviations [d], with their degrees of freedom.

    ``between_sd``: what all cubs of a litter share on a visit, beyond the measurements. ``within_sd``: how
    littermates, who are of one age, scatter about their litter's mean.
    """

    between_sd: PositiveDays
    within_sd: PositiveDays
    degrees_of_freedom: Annotated[float, Field(ge=1, allow_inf_nan=False)]

    @model_validator(mode="after")
    def _some(self) -> Self:
        if self.between_sd == 0 == self.within_sd:
            raise ValueError("between_sd and within_sd are both 0: no measurement tells an age without error")
        return self


class Support(_Part):
    """How much a calibration rests on."""

    litters: Annotated[int, Field(ge=1)]
    visits: Annotated[int, Field(ge=1)]
    cubs: Annotated[int, Field(ge=1)]


class Validation(_Part):
    """How well litters were foretold that had been left out, one at a time.

    ``rmse`` and ``bias`` (foretold minus known) in days, each litter weighing the same; ``coverage`` is the
    share of visits whose known age lay in the interval of level ``confidence``. [1]
    """

    litters: Annotated[int, Field(ge=1)]
    rmse: PositiveDays
    bias: Number
    coverage: Annotated[float, Field(ge=0, le=1)] | None = None
    confidence: Annotated[float, Field(gt=0, lt=1)] | None = None


class AgeRange(_Part):
    """Ages of the cubs from which a calibration was made. [d]"""

    low: PositiveDays
    high: Number

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if self.low >= self.high:
            raise ValueError(f"low {self.low:g} must lie below high {self.high:g}")
        return self


class Calibration(_Part):
    """Age in days as ``intercept`` plus coefficients times measurements, and how sure that is.

    ``covariance`` is that of intercept and coefficients, in the order of ``measurements`` (d^2, d^2/mm,
    d^2/mm^2); without it, or without ``residual``, there is a point but no interval.
    ``widest_fit_sd`` is the largest standard deviation of the fitted line among the visits from which it
    was made [d]: combinations of measurements beyond it are unlike any of them.
    """

    name: Annotated[str, Field(min_length=1)]
    species: Annotated[str, Field(min_length=1)]
    source: Annotated[str, Field(min_length=1)]
    invented: bool
    made_on: dt.date | None = None
    made_with: str = ""
    method: str = ""
    notes: str = ""
    age_d: AgeRange
    intercept: Number
    measurements: tuple[Measurement, ...]
    covariance: tuple[tuple[Number, ...], ...] | None = None
    residual: Residual | None = None
    widest_fit_sd: PositiveDays | None = None
    support: Support | None = None
    validation: Validation | None = None

    @field_validator("measurements")
    @classmethod
    def _distinct(cls, measurements: tuple[Measurement, ...]) -> tuple[Measurement, ...]:
        names = [one.column for one in measurements]
        if not names:
            raise ValueError("needs at least one measurement")
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"each measurement once; more than once: {', '.join(twice)}")
        return measurements

    @field_validator("covariance")
    @classmethod
    def _is_covariance(cls, rows: tuple[Floats, ...] | None, info: ValidationInfo) -> Any:
        sizes = [len(row) for row in rows or ()]
        order = 1 + len(info.data["measurements"]) if "measurements" in info.data else len(sizes)
        if rows is not None and sizes != [order] * order:
            shape = f"{len(sizes)} rows of {', '.join(map(str, sorted(set(sizes)))) or 'no'} numbers"
            raise ValueError(f"has {shape}; intercept and {order - 1} coefficients need {order} rows of {order}")
        if rows is not None:
            _check_covariance(np.asarray(rows, float))
        return rows

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of the measurements, in the order of the coefficients."""
        return tuple(one.column for one in self.measurements)

    @property
    def label(self) -> str:
        """The name, with the word 'invented' before it where it is."""
        return f"invented calibration '{self.name}'" if self.invented else f"calibration '{self.name}'"

    @property
    def no_interval(self) -> str:
        """Why ages have no interval; empty where they have one."""
        lacking = [name for name in ("covariance", "residual") if getattr(self, name) is None]
        return f"no interval: the calibration has no {' and no '.join(lacking)}" if lacking else ""


def _check_covariance(matrix: Floats) -> None:
    """Refuse what no covariance matrix can be; rows and columns are first scaled to a diagonal of 1."""
    variance = np.diag(matrix)
    if (variance < 0).any():
        raise ValueError("has a variance below 0 on its diagonal")
    size = np.sqrt(np.where(variance > 0, variance, 1.0))
    scaled = matrix / np.outer(size, size)
    if np.abs(scaled - scaled.T).max() > _ROUNDING:
        raise ValueError("is not symmetric")
    if np.linalg.eigvalsh((scaled + scaled.T) / 2).min() < -_ROUNDING:
        raise ValueError("is not positive semidefinite: no coefficients can vary together like that")


@dataclass(frozen=True, slots=True)
class Foretold:
    """Ages from measurements, each of shape (n,), in days; ``fit_sd`` is the part of ``se`` that the line brings."""

    age: Floats
    se: Floats
    lower: Floats
    upper: Floats
    fit_sd: Floats


def foretell(calibration: Calibration, means: ArrayLike, cubs: ArrayLike, *, confidence: float = 0.95) -> Foretold:
    """Return the age of litters from the means of their cubs' measurements.

    A litter's cubs are of one age, so they are one observation of it. The variance of a new litter's age
    about the line, measured on n of its cubs, is x'Vx + between^2 + within^2 / n: what is unsure of the
    line, what littermates share, and what averages out among them. A single cub is a litter of one.

    Parameters
    ----------
    calibration : Calibration
        Coefficients with their covariance V.
    means : array_like, shape (n, m)
        Mean of each measurement over the cubs, in the order of ``calibration.measurements``. [mm]
    cubs : array_like, shape (n,)
        Cubs in each mean, at least 1.
    confidence : float
        Level of the prediction interval. [1]

    Returns
    -------
    Foretold
        All in days; ``se`` (of the prediction) and limits are NaN where the calibration has no
        covariance or no residual. The quantile is Student's t with the calibration's degrees of freedom.

    Raises
    ------
    StatisticsError
        ``confidence`` is not between 0 and 1.

    Notes
    -----
    The calibration regresses age on measurements. Its intervals hold over visits at ages spread like those
    from which it was made; at either end of its range they cover less, for it draws the youngest and the
    oldest towards the middle (inverse calibration: Krutchkoff 1967, Technometrics 9: 425-439, from memory). In our
    simulations with 20 litters 95 % intervals cover .95 over the range, .96 and .92 in its youngest and oldest fifth,
    .88 in the oldest where litters also grow at rates of their own; with 8 to 10 litters .95.
    """
    if not 0 < confidence < 1:
        raise StatisticsError(f"confidence {confidence} must lie between 0 and 1, such as 0.95")
    x = design(np.asarray(means, float).reshape(-1, len(calibration.measurements)))
    age = x @ coefficients(calibration)
    missing = np.full(len(age), math.nan)
    fit = missing if calibration.covariance is None else np.sqrt(np.diag(shared_error(calibration, x[:, 1:])))
    if calibration.covariance is None or calibration.residual is None:
        return Foretold(age=age, se=missing, lower=missing, upper=missing, fit_sd=fit)
    left = calibration.residual
    se = np.sqrt(fit**2 + left.between_sd**2 + left.within_sd**2 / np.asarray(cubs, float))
    half = float(stats.t.ppf(0.5 + confidence / 2, left.degrees_of_freedom)) * se
    return Foretold(age=age, se=se, lower=age - half, upper=age + half, fit_sd=fit)


def design(means: Floats) -> Floats:
    """Return measurements (n, m) [mm] with a column of ones before them."""
    return np.column_stack([np.ones(len(means)), means])


def coefficients(calibration: Calibration) -> Floats:
    """Return the intercept [d] and the coefficients [d/mm]."""
    return np.array([calibration.intercept, *(one.coefficient for one in calibration.measurements)])


def shared_error(calibration: Calibration, means: Floats) -> Floats:
    """Return how the errors of several litters' ages go together, since all rest on the same coefficients.

    Parameters
    ----------
    calibration : Calibration
        Coefficients with their covariance.
    means : ndarray, shape (n, m)
        Mean measurements of each litter. [mm]

    Returns
    -------
    ndarray, shape (n, n)
        XVX', in d^2; zeros where the calibration has no covariance.
    """
    x = design(means)
    if calibration.covariance is None:
        return np.zeros((len(x), len(x)))
    shared = x @ np.asarray(calibration.covariance) @ x.T
    np.fill_diagonal(shared, np.maximum(np.diag(shared), 0))  # rounding of a singular matrix
    return np.asarray(shared, np.float64)


def same_landmark(one: Any, other: Any) -> bool:
    """Whether two landmarks are the same: case, spaces, dashes and underscores do not count."""
    return bool(folded(one) == folded(other))


def read(path: Path) -> Calibration:
    """Read a calibration file.

    Parameters
    ----------
    path : Path
        TOML, as :func:`write` makes it.

    Returns
    -------
    Calibration

    Raises
    ------
    SettingsError
        The file is missing, is no TOML, or holds what no calibration can hold; all of it is listed.
    """
    try:
        return Calibration.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except FileNotFoundError:
        raise SettingsError(f"no calibration {path}; make one with `densite cubs fit`") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} cannot be read: it is not UTF-8 ({error.reason}). Save it as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror or error}") from None
    except ValidationError as error:
        raise SettingsError(f"{path}:\n  " + "\n  ".join(_told(item) for item in error.errors())) from None
    except (ValueError, RecursionError) as error:
        raise SettingsError(f"{path} is not valid TOML: {error}") from None


def _told(item: Any) -> str:
    """Turn one pydantic finding into a sentence that names the key."""
    places = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in item["loc"]]
    key = "".join(places).removeprefix(".")
    if item["type"] == "extra_forbidden":
        return f"unknown key '{key}'"
    if item["type"] == "missing":
        return f"'{key}' is missing"
    shown = "" if isinstance(item["input"], dict | list | tuple) else f" = {item['input']!r}"
    return f"'{key}'{shown}: {item['msg'].removeprefix('Value error, ')}"


def write(calibration: Calibration, path: Path) -> None:
    """Write a calibration file with its units in comments.

    Parameters
    ----------
    calibration : Calibration
        What is to be kept.
    path : Path
        File to write; one that is there is replaced.
    """
    path.write_text(as_toml(calibration), encoding="utf-8", newline="\n")


_HEAD = {
    True: "# INVENTED: made for a demonstration. No age of a real cub may be taken from it.",
    False: "# Ages taken from it are estimates: each has its interval.",
}
_NOTES = {
    "age_d": "# ages from which it was made [d]; none beyond is given unless asked for",
    "measurements": "# ranges in mm, coefficients in days per mm, in the order of the covariance matrix",
    "residual": "# standard deviations in days: shared by a litter on a visit, and between littermates",
    "validation": "# each litter left out once; rmse and bias in days",
}


def as_toml(calibration: Calibration) -> str:
    """Return the text of a calibration file, which reads back as the same numbers."""
    fields = calibration.model_dump(mode="json", exclude_none=True)
    fields |= {"made_on": calibration.made_on} if calibration.made_on else {}
    flat = [f"{key} = {_value(value)}" for key, value in fields.items() if not _is_table(value)]
    tables = [_table(key, value) for key, value in fields.items() if _is_table(value)]
    head = (
        "# Cub age: age [d] = intercept [d] + sum of coefficient [d/mm] x measurement [mm].",
        _HEAD[fields["invented"]],
    )
    return "\n".join([*head, *flat, *tables]) + "\n"


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and isinstance(value[0], dict))


def _table(key: str, value: Any) -> str:
    """Return a table, or one for each entry of a list of tables, with its comment above."""
    named = f"[[{key}]]" if isinstance(value, list) else f"[{key}]"
    parts = ["\n".join([named, *(f"{k} = {_value(v)}" for k, v in one.items())])
             for one in (value if isinstance(value, list) else [value])]  # fmt: skip
    return "\n" + "\n".join([*([_NOTES[key]] if key in _NOTES else []), "\n\n".join(parts)])


def _value(value: Any) -> str:
    """Write a value of TOML; a matrix with a row a line."""
    if isinstance(value, list):
        inner = [_value(one) for one in value]
        return (
            "[\n  " + ",\n  ".join(inner) + ",\n]" if value and isinstance(value[0], list) else f"[{', '.join(inner)}]"
        )
    if isinstance(value, dt.date):
        return value.isoformat()
    # numbers, true, false and text are written alike in JSON and TOML, but for one control character
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def ages_from(calibration: Calibration | None) -> str:
    """Say from which calibration ages come, and whether it is invented.

    Parameters
    ----------
    calibration : Calibration or None
        The study's.

    Returns
    -------
    str
    """
    if calibration is None:
        return "There is no calibration yet ([animals] calibration in study.toml): only known birth dates are used."
    told = f"Ages come from the calibration '{calibration.name}' ({calibration.species}; {calibration.source})."
    return (
        f"THE CALIBRATION IS INVENTED: no date or age from it means anything. {told}" if calibration.invented else told
    )
