"""The made females of the Ondra Basin as animals: captures, handlings, litters and cubs, after a known truth."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from dens import Visit

OBSERVERS = ("Q.V.", "X.O.", "Y.Z.", "U.I.", "J.Q.", "Z.E.")
LITTER_SIZE = {1: 0.15, 2: 0.45, 3: 0.32, 4: 0.08}  # does not depend on the gradient
BIRTH_DAY, BIRTH_SLOPE, BIRTH_SD = 28.0, -4.0, 10.0  # day of January at g = 0, days per unit of g, days
MALE = 0.5
KNOWN_EVERY = 3  # of every three litters one has a birth date known from a camera
EYES_OPEN, EYES_SD, EYES_OPENING = 44.0, 2.0, 2.0  # age [d], spread between litters [d], half width of "opening" [d]
CANINE, CANINE_SD, TOOTH_FELT = 54.0, 2.5, 5.0  # age [d], spread between litters [d], felt so long before [d]
TEETH = {"ui3": -2.0, "li3": -1.0, "uc": 0.0, "lc": 1.0}  # days after the upper canine
TRAGUS_EXTRA = 6.0  # the ear is longer by so much when it is measured from the tragus [mm]
TRAGUS_LITTERS = (9, 33)  # litters in order of visit whose crew measured from the tragus
OUT_OF_REACH = 24  # litter whose cubs were counted but not taken out


@dataclass(frozen=True)
class Line:
    """A size as a straight line of age, with a shift shared by the litter and one of the cub's own."""

    at_birth: float
    per_day: float
    litter_sd: float
    cub_sd: float
    step: float  # crews read to this


LINES = {
    "hair_mm": Line(2.0, 0.40, 1.2, 1.0, 0.5),
    "ear_mm": Line(7.0, 0.55, 1.5, 1.2, 0.5),
    "zygomatic_mm": Line(28.0, 0.45, 1.0, 0.8, 0.1),
    "mass_g": Line(250.0, 40.0, 0.10, 0.07, 10.0),  # shifts of mass are shares: exp(litter + cub)
}


@dataclass(frozen=True)
class Cub:
    """One cub as it truly is on the day of the visit."""

    number: int
    name: str
    male: bool
    sizes: dict[str, float]
    dead: bool


@dataclass(frozen=True)
class Litter:
    """The cubs of one winter, all born on one day."""

    cubs: tuple[Cub, ...]
    born: dt.date
    known: bool
    eyes_at: float
    canine_at: float
    ear_landmark: str
    reached: bool


@dataclass(frozen=True)
class Event:
    """One female immobilised on one day: in a trap before her first winter, or in her den in March."""

    female: str
    day: dt.date
    den: str = ""
    winter: int = 0
    gradient: float = 0.0
    litter: Litter | None = None
    yearlings: bool = False

    @property
    def in_den(self) -> bool:
        """Whether it was a den visit."""
        return bool(self.den)


@dataclass
class Bear:
    """One female with all that was done with her."""

    name: str
    first_winter: int
    last_winter: int
    mass: float
    tooth_age: int | None
    events: list[Event] = field(default_factory=list)


def make_bears(visits: Iterable[Visit], rng: np.random.Generator) -> list[Bear]:
    """All females by name, with a capture before the first winter and a handling at each visit in March."""
    bears = {}
    for name in sorted({v.den.female for v in visits}):
        winters = [v.winter for v in visits if v.den.female == name]
        tooth = int(rng.integers(3, 18)) if rng.random() < 0.45 else None
        bear = Bear(name, min(winters), max(winters), float(rng.normal(76, 10)), tooth)
        day = dt.date(bear.first_winter - 1, 6, 8) + dt.timedelta(days=int(rng.integers(0, 110)))
        bear.events.append(Event(name, day))
        bears[name] = bear
    number = 0
    for visit in sorted((v for v in visits if v.day.month == 3), key=lambda v: (v.day, v.den.label)):
        bear = bears[visit.den.female]
        last = bear.events[-1]
        about = (visit.den.female, visit.day, visit.den.label, visit.winter, visit.den.gradient)
        if last.litter and last.winter == visit.winter - 1:  # who had cubs last winter has yearlings in this one
            bear.events.append(Event(*about, yearlings=True))
            continue
        bear.events.append(Event(*about, litter=make_litter(visit, number, rng)))
        number += 1
    return list(bears.values())


def make_litter(visit: Visit, number: int, rng: np.random.Generator) -> Litter:
    """A litter: its birth date follows the gradient, its size does not."""
    size = int(rng.choice(list(LITTER_SIZE), p=list(LITTER_SIZE.values())))
    day = round(float(rng.normal(BIRTH_DAY + BIRTH_SLOPE * visit.den.gradient, BIRTH_SD)))
    born = dt.date(visit.winter, 1, 1) + dt.timedelta(days=day - 1)
    shared = {name: float(rng.normal(0, line.litter_sd)) for name, line in LINES.items()}
    stem = f"{visit.den.female}-{visit.winter % 100:02d}"
    age = (visit.day - born).days
    cubs = [make_cub(i + 1, f"{stem}{'abcd'[i]}", age, shared, rng) for i in range(size)]
    eyes, canine = float(rng.normal(EYES_OPEN, EYES_SD)), float(rng.normal(CANINE, CANINE_SD))
    landmark = "tragus to tip" if number in TRAGUS_LITTERS else "notch to tip"
    return Litter(
        tuple(cubs), born, number % KNOWN_EVERY == 1, eyes, canine, landmark, reached=number != OUT_OF_REACH
    )  # fmt: skip


def make_cub(number: int, name: str, age: int, shared: dict[str, float], rng: np.random.Generator) -> Cub:
    """A cub: sizes on the lines of age, moved by the litter's shift and its own."""
    sizes = {}
    for what, line in LINES.items():
        grown, shift = line.at_birth + line.per_day * age, shared[what] + float(rng.normal(0, line.cub_sd))
        sizes[what] = grown * float(np.exp(shift)) if what == "mass_g" else grown + shift
    return Cub(number, name, bool(rng.random() < MALE), sizes, dead=bool(rng.random() < 0.01))


def eyes_of(litter: Litter, age: int) -> str:
    """Closed, opening or open, by the litter's own age of opening."""
    since = age - litter.eyes_at
    return "closed" if since < -EYES_OPENING else "opening" if since <= EYES_OPENING else "open"


def teeth_of(litter: Litter, age: int) -> str:
    """Each tooth looked at with its state, as the cubs' file wants it."""
    words = []
    for tooth, later in TEETH.items():
        since = age - litter.canine_at - later
        words.append(tooth if since >= 0 else f"{tooth}={'felt' if since >= -TOOTH_FELT else 'absent'}")
    return " ".join(words)


def truth(bears: Iterable[Bear]) -> dict[str, object]:
    """All numbers that were put in on the animals' side."""
    events = sorted((e for b in bears for e in b.events if e.litter), key=lambda e: (e.day, e.den))
    return {
        "litter_size_probability": {str(size): p for size, p in LITTER_SIZE.items()},
        "litter_size_mean": round(sum(size * p for size, p in LITTER_SIZE.items()), 6),
        "litter_size_slope_on_g": 0.0,
        "male_probability": MALE,
        "birth_date": {
            "form": "normal: day of January = day_at_g_0 + days_per_g * g, g of the den; rounded to a day",
            "day_at_g_0": BIRTH_DAY,
            "days_per_g": BIRTH_SLOPE,
            "sd_days": BIRTH_SD,
        },
        "growth": {
            "form": "at_birth + per_day * age in days + litter + cub; mass: (at_birth + per_day * age) * "
            "exp(litter + cub); shifts normal with these sd; crews read to the step",
            "ear_landmark": "notch to tip",
            "ear_mm_more_from_tragus": TRAGUS_EXTRA,
            "hair_landmark": "top of skull",
        }
        | {name: vars(line) for name, line in LINES.items()},
        "eyes_open_age_d": {"mean": EYES_OPEN, "litter_sd": EYES_SD, "opening_within": EYES_OPENING},
        "upper_canine_through_age_d": {"mean": CANINE, "litter_sd": CANINE_SD, "felt_before": TOOTH_FELT},
        "teeth_days_after_upper_canine": TEETH,
        "litters": {
            f"{e.den}/{e.day.isoformat()}": {
                "born_on": e.litter.born.isoformat(), "g": round(e.gradient, 4), "cubs": len(e.litter.cubs),
                "known_from_camera": e.litter.known,
            }
            for e in events if e.litter
        },
    }  # fmt: skip
