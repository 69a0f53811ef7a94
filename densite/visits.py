"""Visits by the names that people give them: a den, or a den and a day."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from densite.errors import RegisterError
from densite.records import folded_label


@dataclass(frozen=True, slots=True)
class VisitRef:
    """A visit: its den, its day, and the females that were recorded with it."""

    den_id: str
    den_label: str
    date: dt.date
    females: tuple[str, ...]

    def __str__(self) -> str:
        """Write it as people type it."""
        return f"{self.den_label}/{self.date.isoformat()}"


def find_visit(text: str, dens: gpd.GeoDataFrame, visits: pd.DataFrame) -> VisitRef:
    """Find a visit by den and, where it is not the last, by day.

    Parameters
    ----------
    text : str
        ``D-2026-14`` or ``D-2026-14/2026-02-24``; case and runs of spaces in the label do not count.
    dens : GeoDataFrame
        Den sites with ``label``, indexed by den_id.
    visits : DataFrame
        With ``den_id``, ``observed_on``, ``female``, in order of day.

    Returns
    -------
    VisitRef

    Raises
    ------
    RegisterError
        No such den or visit; the message lists what there is.
    """
    den_id, label, day = _parts(text, dens)
    there = visits.loc[visits["den_id"] == den_id]
    days = sorted(set(there["observed_on"]))
    if not days:
        raise RegisterError(f"den {label} has no visit")
    if day is not None and day not in days:
        raise RegisterError(f"den {label} has no visit on {day}; visits: {', '.join(map(str, days))}")
    chosen = day or days[-1]
    females = there.loc[there["observed_on"] == chosen, "female"].dropna()
    return VisitRef(den_id, label, chosen, tuple(dict.fromkeys(females)))


def _parts(text: str, dens: gpd.GeoDataFrame) -> tuple[str, str, dt.date | None]:
    """Split what was typed into den and day; a label may hold a slash of its own."""
    labels = {folded_label(label): (str(den_id), str(label)) for den_id, label in dens["label"].items()}
    if folded_label(text) in labels:
        return *labels[folded_label(text)], None
    label, _, day = text.rpartition("/")
    if folded_label(label) in labels:
        return *labels[folded_label(label)], _day(day, text)
    near = difflib.get_close_matches(label or text, list(dens["label"]), n=3)
    hint = f"did you mean {' or '.join(near)}?" if near else "`densite check` and the map list the dens"
    raise RegisterError(f"no den '{label or text}' in the register; write DEN or DEN/2026-02-24 ({hint})")


def _day(text: str, typed: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise RegisterError(f"'{typed}': '{text}' is no day; write DEN/2026-02-24") from None


def visit_summaries(
    handlings: pd.DataFrame, cubs: pd.DataFrame, checks: pd.DataFrame, births: pd.DataFrame, *, how_born: str = ""
) -> pd.DataFrame:
    """Sum up in words what the visits to each den found of mother and cubs.

    Parameters
    ----------
    handlings, cubs, checks : DataFrame
        Current records, from :func:`densite.animals.frame_of`.
    births : DataFrame
        One row a litter on a visit: den_id, date, born_on, born_from, born_to (days), known; may be empty.
    how_born : str
        What must be said about the calibration, such as that it is invented.

    Returns
    -------
    DataFrame
        Indexed by den_id: ``handled``, ``litter``, ``born``, ``stayed``; None where nothing is known.
    """
    parts = {
        "handled": _by_den(handlings, _handled),
        "litter": _by_den(cubs, _litter, by=["den_id", "date"]),
        "born": _by_den(births, lambda row: _born(row, how_born)),
        "stayed": _by_den(checks, _stayed),
    }
    return pd.DataFrame({name: pd.Series(told, dtype=object) for name, told in parts.items()}).rename_axis("den_id")


def _by_den(frame: pd.DataFrame, told: Any, *, by: Sequence[str] = ()) -> dict[str, str]:
    """Join what is told of each row, or of each group of rows, of a den."""
    lines: dict[str, list[str]] = {}
    known = frame.loc[frame["den_id"].notna()].sort_values("date", kind="stable")
    items = (group for _, group in known.groupby(list(by))) if by else (row for _, row in known.iterrows())
    for item in items:
        den_id = str(item["den_id"].iloc[0] if by else item["den_id"])
        if words := told(item):
            lines.setdefault(den_id, []).append(words)
    return {den_id: "; ".join(dict.fromkeys(words)) for den_id, words in lines.items()}


def _handled(row: pd.Series[Any]) -> str:
    mass = "" if pd.isna(row["mass_kg"]) else f", {row['mass_kg']:g} kg"
    return f"{row['animal']} on {row['date']}{mass}"


def _litter(cubs: pd.DataFrame) -> str:
    counted = cubs["sex"].value_counts()
    sexes = ", ".join(f"{counted[sex]} {sex}" for sex in ("female", "male", "unknown") if counted.get(sex))
    dead = int((cubs["dead"] == "yes").sum())
    noun = "cub" if len(cubs) == 1 else "cubs"
    return f"{cubs['date'].iloc[0]}: {len(cubs)} {noun} ({sexes})" + (f", {dead} dead" if dead else "")


def _born(row: pd.Series[Any], how: str) -> str:
    if pd.isna(row["born_on"]):
        return ""
    if row["known"]:
        return f"{row['born_on']}, known"
    between = "" if pd.isna(row["born_from"]) else f" ({row['born_from']} to {row['born_to']})"
    return f"about {row['born_on']}{between}, estimated{f', {how}' if how else ''}"


def _stayed(row: pd.Series[Any]) -> str:
    where = {"yes": "at the den", "no": "not at the den"}.get(str(row["at_den"]), "not known whether at the den")
    moved = "" if pd.isna(row["moved_m"]) or not row["moved_m"] else f", moved {row['moved_m']:g} m"
    return f"{row['checked_on']}: {where}{moved}"


def with_animals(visits: pd.DataFrame, records: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Join to each visit what was recorded of mother and cubs on it.

    Parameters
    ----------
    visits : DataFrame
        With ``den_id``, ``observed_on`` and ``female``.
    records : mapping of str to DataFrame
        Current records of the kinds handling, reading, cub, sample and check.

    Returns
    -------
    DataFrame
        The visits with ``mass_kg`` of the female [kg], ``handled`` (yes or no), and the numbers of
        ``readings``, ``cubs``, ``samples`` and ``checks``.
    """
    at_den = pd.MultiIndex.from_frame(visits[["den_id", "observed_on"]])
    of_female = pd.MultiIndex.from_frame(visits[["female", "observed_on"]])
    handled = records["handling"].groupby(["animal", "date"])["mass_kg"].first()
    counts = {
        "readings": _counted(records["reading"], ["animal", "date"], of_female),
        "cubs": _counted(records["cub"], ["den_id", "date"], at_den),
        "samples": _counted(records["sample"], ["den_id", "date"], at_den),
        "checks": _counted(records["check"], ["den_id", "date"], at_den),
    }
    known = ["yes" if event in handled.index else "no" for event in of_female]
    return visits.assign(handled=known, mass_kg=handled.reindex(of_female).to_numpy(), **counts)


def _counted(frame: pd.DataFrame, by: list[str], wanted: pd.MultiIndex) -> list[int]:
    sizes = frame.groupby(by).size().to_dict()
    return [int(sizes.get(event, 0)) for event in wanted]
