"""The figure of a calibration: its numbers are the fit's, its words say what it is."""

import numpy as np
import pytest
from made_cubs import grown, known
from matplotlib.collections import LineCollection

from densite.figures.calibrating import calibrating, title, told_calibrating
from densite.figures.files import save
from densite.knownage import Fit, fit


def fitted(**growth) -> Fit:
    """Return a validated fit of invented litters."""
    cubs = known(grown(np.random.default_rng(1), litters=20, **growth))
    return fit(cubs, name="Ondra", invented=True)


def marked(axes, gid: str):
    """Return what was drawn under a name."""
    return next(one for one in axes.get_children() if one.get_gid() == gid)


def test_dots_are_the_visits() -> None:
    """Foretold against known, residuals against fitted, residuals in order."""
    found = fitted()
    left, middle, right = calibrating(found).axes
    visits = found.visits
    assert np.array(marked(left, "visits").get_data()) == pytest.approx(visits[["age_d", "foretold_d"]].to_numpy().T)
    assert np.array(marked(middle, "visits").get_data()) == pytest.approx(
        visits[["fitted_d", "residual_d"]].to_numpy().T
    )
    assert marked(right, "visits").get_ydata() == pytest.approx(np.sort(visits["residual_d"]))
    bars = [one for one in left.get_children() if isinstance(one, LineCollection)]
    assert sum(len(one.get_segments()) for one in bars) == len(visits)
    missed = (visits["age_d"] < visits["lower_d"]) | (visits["age_d"] > visits["upper_d"])
    assert len(marked(left, "missed").get_segments()) == missed.sum()


def test_everything_lies_on_the_sheet() -> None:
    """No panel or word beyond the edges."""
    figure = calibrating(fitted(bend=10))
    figure.canvas.draw()
    box = figure.bbox
    for axes in figure.axes:
        reach = axes.get_tightbbox()
        assert reach.x0 >= 0
        assert reach.x1 <= box.x1
        assert reach.y0 >= 0


def test_words(tmp_path) -> None:
    """Invented in title and alternative text; a bend is called so; two files."""
    found = fitted(bend=12, shared=0.5)
    figure = calibrating(found)
    assert title(found).startswith("Invented calibration 'Ondra'")
    assert any("bends" in text.get_text() for text in figure.texts)
    assert "of 20 known ages lie in the 95 % interval" in told_calibrating(found)
    paths = save(figure, tmp_path, name="calibration", title=title(found), alt=told_calibrating(found))
    assert all(path.stat().st_size > 1000 for path in paths)
