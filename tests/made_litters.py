"""Invented litters with known truth: crew records, dens, and births as a calibration would give them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from densite.animals import frame_of

CLASSES = ("urban", "suburban", "rural")
TYPES = ("tree", "ground bed", "rock ledge", "brush")
MEAN_DAY = 21.0  # 22 January
SIZES = np.array([0.15, 0.45, 0.33, 0.07])  # chances of 1 to 4 cubs
MEAN_SIZE = float(SIZES @ np.arange(1, 5))
WAY = np.array([-15.0, 2.86])  # invented: age = -15 d + 2.86 d/mm x hair
LITTER_SD, CUB_SD = 2.0, 3.0  # of age at a hair length, between litters and within [d]


@dataclass
class Births:
    """What densite.cubs.litter_births returns."""

    frame: pd.DataFrame
    shared: np.ndarray


@dataclass
class Made:
    """A study's records."""

    cubs: pd.DataFrame
    handlings: pd.DataFrame
    dens: pd.DataFrame
    births: Births


def cub(den: str = "D-1", date: str = "2026-02-24", number: int = 1, **fields) -> dict:
    """One cub's row."""
    day = dt.date.fromisoformat(date)
    row = {"record_id": f"{den}/{date}/{number}/{fields.get('female')}", "den_label": den, "den_id": f"id-{den}"}
    return row | {"date": day, "cub_no": number, "sex": "unknown"} | fields


def handling(animal: str = "OB-001", den: str | None = "D-1", date: str = "2026-02-24", **fields) -> dict:
    """One handling's row."""
    row = {"record_id": f"h{animal}{date}", "animal": animal, "date": dt.date.fromisoformat(date), "den_label": den}
    return row | ({"den_id": f"id-{den}"} if den else {}) | fields


def dens(*labels: str) -> pd.DataFrame:
    """Dens as the study's frame gives them: classes and types in turn."""
    rows = [
        {"den_id": f"id-{label}", "label": label, "den_type": TYPES[i % 4], "landscape_class": CLASSES[i % 3],
         "gradient": float(3 - i % 3)}
        for i, label in enumerate(labels)
    ]  # fmt: skip
    return pd.DataFrame(rows).set_index("den_id")


def females(number: int, rng: np.random.Generator) -> np.ndarray:
    """Whose each litter is: 1 to 4 litters of each female."""
    return np.repeat(np.arange(number), rng.integers(1, 5, number))


def fitted(rng: np.random.Generator, *, litters: int = 25) -> tuple[np.ndarray, np.ndarray, float]:
    """A calibration from cubs of known age: coefficients, their covariance, and variance of a litter's age [d2]."""
    age = rng.uniform(20, 85, litters)
    hair = (age - WAY[0] + rng.normal(0, spread(rng.integers(2, 4, litters)))) / WAY[1]
    design = np.column_stack([np.ones(litters), hair])
    found = np.linalg.lstsq(design, age, rcond=None)[0]
    variance = float(np.sum((age - design @ found) ** 2) / (litters - 2))
    return found, variance * np.linalg.inv(design.T @ design), variance


def spread(cubs: np.ndarray) -> np.ndarray:
    """Error of a litter's age at the mean hair of so many cubs [d]."""
    return np.sqrt(LITTER_SD**2 + CUB_SD**2 / cubs)


@dataclass
class Sampled:
    """True and estimated birth days of litters, with the estimates' errors."""

    code: np.ndarray
    true: np.ndarray
    day: np.ndarray
    variance: np.ndarray
    shared: np.ndarray


def sampled(number: int, rng: np.random.Generator, *, sd: float = 10.0, alike: float = 0.3) -> Sampled:
    """Birth days of females alike over the years, estimated by a calibration made anew."""
    code = females(number, rng)
    true = MEAN_DAY + sd * (np.sqrt(alike) * rng.normal(size=number)[code]
                            + np.sqrt(1 - alike) * rng.normal(size=len(code)))  # fmt: skip
    visit = rng.uniform(62, 82, len(code))
    hair = (visit - true - WAY[0] + rng.normal(0, spread(rng.integers(1, 4, len(code))))) / WAY[1]
    found, covariance, variance = fitted(rng)
    design = np.column_stack([np.ones(len(code)), hair])
    shared = design @ covariance @ design.T
    return Sampled(code, true, visit - design @ found, variance + np.diag(shared), shared)


def made(number: int = 24, *, seed: int = 3) -> Made:
    """A whole study: cubs with mass, handlings with counts, dens, births."""
    rng = np.random.default_rng(seed)
    drawn = sampled(number, rng)
    cubs, handlings, labels, births = [], [], [], []
    winters = [2018 + (place % 5) for place in range(len(drawn.code))]
    for place, (code, winter) in enumerate(zip(drawn.code, winters, strict=True)):
        den, female = f"D-{winter}-{place:02d}", f"OB-{code:03d}"
        date = dt.date(winter, 1, 1) + dt.timedelta(days=int(rng.integers(50, 80)))
        age = (date - dt.date(winter, 1, 1)).days - drawn.day[place]
        size = int(rng.choice(4, p=SIZES)) + 1
        labels.append(den)
        handlings.append(handling(female, den, date.isoformat(), cubs_counted=size))
        litter = rng.normal(0, 0.1)
        for one in range(1, size + 1):
            mass = 440 * np.exp(0.0225 * age + litter + rng.normal(0, 0.1))
            cubs.append(cub(den, date.isoformat(), one, female=female, mass_g=round(mass),
                            sex=("male", "female")[rng.integers(2)]))  # fmt: skip
        se = float(np.sqrt(drawn.variance[place]))
        births.append({
            "den_label": den, "date": date, "den_id": f"id-{den}", "female": female, "cubs": size, "measured": size,
            "age_d": age, "se_d": se, "lower_d": age - 2 * se, "upper_d": age + 2 * se, "reason": "", "known": False,
        })  # fmt: skip
    return Made(frame_of("cub", cubs), frame_of("handling", handlings), dens(*labels),
                Births(pd.DataFrame(births), drawn.shared))  # fmt: skip
