"""Diagnostics of a cub-age calibration: foretold against known age, residuals, their quantiles."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import stats

from densite.calibration import Floats
from densite.figures import look
from densite.knownage import Fit

_PANEL_MM, _GAP_MM, _LEFT_MM = 38.5, 14.0, 11.5
_BELOW_MM = 14.0
_DOT_PT = 4.2


def calibrating(fit: Fit) -> Figure:
    """Draw how well a calibration tells the ages from which it was made.

    Parameters
    ----------
    fit : Fit
        From :func:`densite.knownage.fit`, validated.

    Returns
    -------
    Figure
        Left: age foretold with the litter left out, with its interval, against known age. Middle: residuals
        against fitted age, with a parabola through them: where it bends, a straight line is poor. Right:
        residuals against normal quantiles. A dot is a litter's visit. Ages in days.
    """
    words = _words(fit)
    with look.calm():
        sheet = look.sheet(_PANEL_MM + _BELOW_MM, title=title(fit), words=words)
        top = look.head_mm(words) + 5
        panels = [sheet.panel(_LEFT_MM + n * (_PANEL_MM + _GAP_MM), top, _PANEL_MM, _PANEL_MM) for n in range(3)]
        for axes in panels:
            look.bare(axes)
            axes.spines["left"].set_visible(True)
            axes.locator_params(nbins=5)
        _foretold(panels[0], fit)
        _residuals(panels[1], fit)
        _quantiles(panels[2], fit.visits["residual_d"].to_numpy(float))
        for axes, (x, y) in zip(panels, _AXES, strict=True):
            axes.set_xlabel(x, labelpad=2)
            axes.set_title(y, loc="left", fontsize=look.WORDS_PT, pad=4)
    return sheet.figure


_AXES = (
    ("known age [d]", "Age foretold, litter left out [d]"),
    ("fitted age [d]", "Known less fitted age [d]"),
    ("normal quantile [d]", "Known less fitted, in order [d]"),
)


def title(fit: Fit) -> str:
    """Return the figure's title: it says so where the calibration is invented."""
    return look.sentence_case(f"{fit.calibration.label}: how well it tells age")


def _words(fit: Fit) -> str:
    made = fit.calibration
    support = f"{made.support.litters} litters, {made.support.cubs} cubs. " if made.support else ""
    bend = "bends" if fit.bend_p < 0.05 else "no bend found"
    return (
        f"{support}A dot is a litter on one visit. Left: foretold from all other litters, with {look.LEVEL} intervals "
        f"(darker: known age outside); on the line the two agree. Middle: the curve is the best parabola ({bend}, p "
        f"{fit.bend_p:.2g}). Right: on the line residuals are normal. Ages are estimates."
    )


def _dots(axes: Axes, x: Floats, y: Floats) -> None:
    axes.plot(x, y, linestyle="none", marker="o", markersize=_DOT_PT, markerfacecolor=look.DOT, markeredgecolor="white",
              markeredgewidth=0.4, gid="visits")  # fmt: skip


def _foretold(axes: Axes, fit: Fit) -> None:
    """Draw foretold against known ages with the line on which they agree."""
    known, told, lower, upper = (
        fit.visits[name].to_numpy(float) for name in ("age_d", "foretold_d", "lower_d", "upper_d")
    )
    ends = _ends(np.concatenate([known, told, lower, upper]))
    axes.plot(ends, ends, color=look.QUIET, linewidth=0.7)
    missed = (known < lower) | (known > upper)
    axes.vlines(known[~missed], lower[~missed], upper[~missed], color=look.BAND, linewidth=1.1)
    axes.vlines(known[missed], lower[missed], upper[missed], color=look.INK, linewidth=1.1, gid="missed")
    _dots(axes, known, told)
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)


def _residuals(axes: Axes, fit: Fit) -> None:
    """Draw residuals with the best parabola through them."""
    x, y = (fit.visits[name].to_numpy(float) for name in ("fitted_d", "residual_d"))
    along = np.linspace(x.min(), x.max(), 60)
    axes.axhline(0, color=look.QUIET, linewidth=0.7)
    axes.plot(along, np.polynomial.Polynomial.fit(x, y, 2)(along), color=look.INK, linewidth=1.2, gid="parabola")
    _dots(axes, x, y)
    axes.set_ylim(*_even(y))


def _quantiles(axes: Axes, residual: Floats) -> None:
    """Draw residuals in order against those of a normal distribution of the same spread."""
    rank = (np.arange(1, len(residual) + 1) - 0.375) / (len(residual) + 0.25)  # Blom 1958, from memory
    expected = stats.norm.ppf(rank) * residual.std(ddof=1)
    ends = _even(np.concatenate([residual, expected]))
    axes.plot(ends, ends, color=look.QUIET, linewidth=0.7)
    _dots(axes, expected, np.sort(residual))
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)


def _ends(values: Floats) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.04 * (high - low)
    return low - room, high + room


def _even(values: Floats) -> tuple[float, float]:
    """Return limits that lie as far below zero as above."""
    most = 1.12 * float(np.abs(values).max())
    return -most, most


def told_calibrating(fit: Fit) -> str:
    """Return the alternative text of :func:`calibrating`, from the same numbers."""
    made, visits = fit.calibration, fit.visits
    inside = int(((visits["lower_d"] <= visits["age_d"]) & (visits["age_d"] <= visits["upper_d"])).sum())
    said = [f"{title(fit)}.", f"{inside} of {len(visits)} known ages lie in the {look.LEVEL} interval of all others."]
    if check := made.validation:
        said.append(f"Left out, litters are off by {check.rmse:.1f} d (RMSE), on average {check.bias:+.1f} d.")
    said.append(f"A parabola through the residuals has p {fit.bend_p:.2g}.")
    return " ".join(said)
