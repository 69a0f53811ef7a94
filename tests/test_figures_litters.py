"""Figures of birth dates and growth: what is drawn are the tables' numbers, with words for it."""

from pathlib import Path

import numpy as np
import pytest
from made_litters import CLASSES, made

from densite.births import birth_dates, shown
from densite.compare.resample import Chance
from densite.figures.files import save
from densite.figures.litters import (
    births_by_class,
    growth_figure,
    told_births_figure,
    told_growth_figure,
)
from densite.figures.look import NothingToDraw
from densite.growth import growth, litter_ages
from densite.litters import litters_of


@pytest.fixture(scope="module")
def results() -> tuple:
    """Births and growth of a made study."""
    study = made()
    found = litters_of(study.cubs, study.handlings, study.dens)
    table = birth_dates(study.births, found, classes=CLASSES, chance=Chance(permutations=199))
    return table, growth(study.cubs, litter_ages(study.cubs, study.births.frame), found)


def lines(figure, gid: str) -> list:
    """The lines of a figure with an id."""
    return [line for axes in figure.axes for line in axes.get_lines() if line.get_gid() == gid]


def test_births_are_the_tables_numbers(results) -> None:
    """A dot for each litter, a mean and an interval for each class, classes in their order."""
    table, _ = results
    figure = births_by_class(table)
    assert sum(len(line.get_xdata()) for line in lines(figure, "litters")) == len(table.litters)
    rows = table.frame[table.frame["by"] == "landscape class"]
    assert [line.get_xdata()[0] for line in lines(figure, "mean")] == pytest.approx(list(rows["mean"]))
    ends = np.array([line.get_xdata() for line in lines(figure, "interval")])
    assert ends == pytest.approx(rows[["lower", "upper"]].to_numpy())
    alt = told_births_figure(table)
    assert all(f"mean {shown(mean)}" in alt for mean in rows["mean"])


def test_litters_are_joined(results) -> None:
    """A thin line for each litter, a dot for each cub, the curve."""
    _, found = results
    figure = growth_figure(found)
    assert len(lines(figure, "litter")) == found.frame["litter"].nunique()
    (dots,) = lines(figure, "dens")
    assert sorted(dots.get_ydata()) == sorted(found.frame["mass_g"])
    assert f"{found.rate_g_per_d:.0f} g a day" in told_growth_figure(found)


def test_the_same_bytes_every_time(results, tmp_path: Path) -> None:
    """SVG and PNG do not change from run to run, and say that the calibration is invented."""
    for name, make in (("births", births_by_class), ("growth", growth_figure)):
        numbers = results[0] if name == "births" else results[1]
        written = [
            [path.read_bytes() for path in save(make(numbers, about="Invented."), tmp_path / part, name=name,
                                                title=name, alt="Invented.")]
            for part in ("a", "b")
        ]  # fmt: skip
        assert written[0] == written[1]


def test_nothing_to_draw() -> None:
    """No classes; no model: the first says why, the second draws cubs without a curve."""
    study = made(3)
    found = litters_of(study.cubs, study.handlings, study.dens)
    bare = found.assign(landscape_class=None)
    with pytest.raises(NothingToDraw, match="landscape class"):
        births_by_class(birth_dates(study.births, bare, classes=(), chance=Chance(permutations=199)))
    few = found[found["female"] == "OB-000"]
    grown = growth(study.cubs, litter_ages(study.cubs, study.births.frame), few)
    assert grown.curve.empty
    assert lines(growth_figure(grown), "litter")
    assert "6 are needed" in told_growth_figure(grown)
    with pytest.raises(NothingToDraw, match="mass and an age"):
        growth_figure(growth(study.cubs.iloc[:0], litter_ages(study.cubs.iloc[:0], study.births.frame), found))
