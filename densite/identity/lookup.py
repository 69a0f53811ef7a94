"""Whose mark this is: the animals that fit what was asked, each with its life."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from densite.identity.asked import TIERS, Asked, hits
from densite.identity.life import Identity, Records, life
from densite.marks.codes import animal_key, text_of
from densite.marks.events import events_of
from densite.marks.known import Marks


def look_up(
    query: str,
    *,
    animals: pd.DataFrame,
    marks: pd.DataFrame,
    cubs: pd.DataFrame,
    handlings: pd.DataFrame,
    dens: pd.DataFrame,
    visits: pd.DataFrame,
    today: dt.date | None = None,
) -> list[Identity]:
    """Say which animals a mark, a fragment of one, or an id may belong to.

    Parameters
    ----------
    query : str
        Transponder, ear tag (``red 14``, ``L14``), tattoo, collar serial, an animal's id in any spelling, or at
        least three letters or digits of one; what lies between known pieces may be written as ``*``.
    animals, marks, cubs, handlings : DataFrame
        Current records of the kinds ``animal``, ``mark``, ``cub`` and ``handling``.
    dens : DataFrame
        Dens indexed by den_id with label and den_type, and landscape_class where it was derived.
    visits : DataFrame
        Visits with den_id, observed_on and female.
    today : date, optional
        Day for which ages are told.

    Returns
    -------
    list of Identity
        Of the best of three tiers that anything fits: ``exact``, ``fragment``, ``one slip off`` (nobody was
        found, but these are one digit or one swap away). Marks that are still on come first.
    """
    known = Marks(animals, events_of(marks, cubs))
    records = Records(known, marks, cubs, handlings, dens, visits)
    names = _names(records)
    found: dict[str, list[str]] = {}
    tier = TIERS[0]
    for hit in hits(Asked(query), names, known.wearings):
        tier = hit.tier
        found.setdefault(hit.key, []).append(hit.why)
    day = today or dt.datetime.now().astimezone().date()
    return [life(key, names[key], match=tier, why=why, records=records, today=day) for key, why in found.items()]


def _names(records: Records) -> dict[str, str]:
    """Return every animal that any record names; the list of animals has the last word on its spelling."""
    met = [event.animal for event in records.known.events]
    columns = (
        (records.cubs, "cub_id"), (records.cubs, "female"), (records.visits, "female"), (records.handlings, "animal"),
        (records.known.animals, "dam"), (records.known.animals, "sire"), (records.known.animals, "animal"),
    )  # fmt: skip
    met += [text_of(name) for frame, column in columns for name in frame[column]]
    return {key: name for name in met if (key := animal_key(name))}
