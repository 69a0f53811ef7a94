"""Invented studies with known truth, for tests of a whole comparison."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from densite.compare.question import Covariate, Question, Variant
from densite.compare.sample import Sample

TYPES = ("tree", "ground bed", "rock ledge", "brush")
CLASSES = ("urban", "mixed", "rural")
SLOPES = np.array([0.0, 0.2, -1.2, 1.0])  # log odds per unit of the gradient
CONSTANTS = np.array([0.0, 0.2, 1.5, -1.5])


def question(*, females: int = 60, repeats: float = 0.5, effect: float = 1.0, seed: int = 3) -> Question:
    """A study whose types and slope follow the gradient; aspect, canopy and elevation do not."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 5, females)
    code = np.repeat(np.arange(females), sizes)
    home = rng.uniform(0, 3, females)
    x = np.clip(home[code] + rng.normal(0, 0.1, len(code)), 0, None)
    odds = np.exp(CONSTANTS + effect * SLOPES * x[:, None])
    steps = np.cumsum(odds / odds.sum(axis=1, keepdims=True), axis=1)
    kinds = (rng.random(len(x))[:, None] > steps).sum(axis=1)
    first = np.unique(code, return_index=True)[1][code]
    kinds = np.where(rng.random(len(x)) < repeats, kinds[first], kinds)
    derived_slope = np.clip(25 - 4 * effect * x + rng.normal(0, 4, females)[code] + rng.normal(0, 3, len(x)), 0, None)
    aspect = rng.uniform(0, 360, len(x))
    frame = pd.DataFrame({
        "den_id": [f"d{i}" for i in range(len(x))], "female": [f"OB-{c:03d}" for c in code],
        "winter": pd.array(2018 + rng.integers(0, 9, len(x)), dtype="Int64"), "den_type": np.array(TYPES)[kinds],
        "landscape_class": np.array(CLASSES)[np.digitize(-x, [-2, -1])], "class_certain": 1.0,
        "slope_deg": np.clip(derived_slope + rng.normal(0, 2, len(x)), 0, None), "derived_slope_deg": derived_slope,
        "aspect_deg": aspect, "derived_aspect_deg": (aspect + rng.normal(0, 10, len(x))) % 360,
        "aspect_error_deg": 2.0, "canopy_pct": rng.uniform(20, 90, len(x)), "elevation_m": rng.normal(900, 80, len(x)),
    })  # fmt: skip
    sample = Sample(frame, TYPES, (f"{len(x)} dens of {females} known females",))
    own = frame["landscape_class"].to_numpy(dtype=object)
    return Question(
        sample=sample, gradient=x, gradient_name="log10(1 + housing density)",
        gradient_unit="log10 of housing units per km2", urban_is_high=True, definition="Gradient: invented.",
        classes=CLASSES, contrast="tree",
        covariates=(Covariate(column="derived_slope_deg", heading="Slope of the DEM", unit="deg"),
                    Covariate(column="canopy_pct", heading="Canopy cover", unit="%", share=True)),
        available_deg=rng.uniform(0, 360, 2000), available="2000 random points",
        twice=pd.DataFrame({"first": ["tree"] * 5 + ["brush"] * 5, "second": ["tree"] * 4 + ["brush"] * 6,
                            "female": list("abcdefghij")}),
        variants=(Variant(label="gradient within 500 m", gradient=x + rng.normal(0, 0.05, len(x)),
                          landscape_class=own),),
        x_m=rng.uniform(0, 40_000, len(x)), y_m=rng.uniform(0, 40_000, len(x)),
    )  # fmt: skip


def only(asked: Question, chosen: np.ndarray) -> Question:
    """The same question of some of the dens."""
    frame = asked.sample.frame.loc[chosen].reset_index(drop=True)
    variants = tuple(
        replace(v, gradient=v.gradient[chosen], landscape_class=v.landscape_class[chosen]) for v in asked.variants
    )
    return replace(
        asked, sample=replace(asked.sample, frame=frame), gradient=asked.gradient[chosen], variants=variants,
        x_m=asked.x_m[chosen], y_m=asked.y_m[chosen],
    )  # fmt: skip
