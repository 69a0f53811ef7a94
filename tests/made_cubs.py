"""Invented litters that grow by a known law, for tests of cub ages."""

import datetime as dt
from collections import Counter

import numpy as np
import pandas as pd

from densite.animals import frame_of

HAIR, EAR = "top of skull", "tragus to tip"
DAY = dt.date(2026, 3, 1)


def cub(n: int = 1, **fields) -> dict:
    """Return the values of one cub's record; all invented."""
    return {
        "record_id": f"7e570000-0000-4000-8000-{n:012d}", "den_label": "D-2026-01", "date": DAY, "female": "OB-001",
        "cub_no": float(n), "sex": "female", "hair_mm": 20.0, "hair_landmark": HAIR, "ear_mm": 35.0,
        "ear_landmark": EAR, "source_file": "cubs.csv", "source_line": n + 1, "row_key": str(n),
    } | fields  # fmt: skip


def frame(*rows: dict) -> pd.DataFrame:
    """Return cubs as a computation takes them."""
    return frame_of("cub", rows)


def grown(rng, *, litters, visits=(1,), sizes=(1, 2, 3, 4), ages=(25, 75), shared=2.0, by_visit=0.5, own=1.0, bend=0.0):
    """Let litters grow: hair and ear are linear in age, plus effects of litter, visit and cub. [mm]

    Returns arrays: litter, visit, age [d], hair and ear [mm], one row a cub on a visit.
    """
    rows = []
    for litter in range(litters):
        size, number = int(rng.choice(sizes)), int(rng.choice(visits))
        litter_effect = rng.normal(0, [shared, 0.8 * shared])
        cubs = rng.normal(0, [0.7 * own, own], (size, 2))
        for visit, age in enumerate(np.floor(rng.uniform(*ages, number))):
            effects = litter_effect + rng.normal(0, by_visit, 2) + cubs + rng.normal(0, 0.7 * own, (size, 2))
            place = (age - ages[0]) / (ages[1] - ages[0])
            law = np.array([2 + 0.5 * age, 8 + 0.6 * age]) - bend * place**2
            rows += [(litter, visit, age, *one) for one in law + effects]
    return np.array(rows)


def known(rows) -> pd.DataFrame:
    """Return the records of litters that grew, with their birth dates; visits lie apart as the ages do."""
    born, count, records = {}, Counter(), []
    for n, (litter, visit, age, hair, ear) in enumerate(rows, start=1):
        birth = born.setdefault(litter, DAY - dt.timedelta(days=int(age)))
        count[litter, visit] += 1
        records.append(cub(
            n, den_label=f"D-{litter:03.0f}", female=f"OB-{litter:03.0f}", hair_mm=hair, ear_mm=ear, born_on=birth,
            date=birth + dt.timedelta(days=int(age)), born_known_by="camera", cub_no=float(count[litter, visit]),
        ))  # fmt: skip
    return frame(*records)
