"""What a cub's eyes and teeth and the season say about an age, as plausibility only."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from densite.animals import read_teeth

EYES_OPEN_D = 44  # about; ears and eyes of 129 captive cubs
TEETH_THROUGH_D = 54  # about 10 d after the eyes
SIGNS_SOURCE = "captive cubs, Mesa-Cruz et al. 2020"
CANINE_WEEKS = (8, 9)
CANINE_SOURCE = "common practice, no source"
SEASON = ((1, 1), (2, 22))
SEASON_SOURCE = "1 January to 22 February in a thesis, Virginia 1995-96; elsewhere the season may differ"

Sign = tuple[str, str]  # the field that speaks, and what it says


def signs(cub: Mapping[str, Any], lower: float, upper: float) -> Iterator[Sign]:
    """Say where eyes or teeth speak against the whole interval of an age.

    Parameters
    ----------
    cub : mapping
        A row of the cubs' frame: ``eyes`` and ``teeth``.
    lower, upper : float
        Limits of the cub's age; NaN where there are none: then nothing is said. [d]

    Yields
    ------
    tuple of str
        Field and words. The days are means of other cubs, so a sign is no proof.

    Notes
    -----
    Source: Mesa-Cruz et al. 2020 (abstract): eyes and ears at about 44 d, deciduous teeth about 10 d
    later, captive cubs. Canine through the gum at about 8 to 9 weeks: common practice, no source.
    """
    span = f"{lower:.0f} to {upper:.0f} d"
    if cub.get("eyes") == "closed" and lower > EYES_OPEN_D:
        yield "eyes", f"eyes closed at {span}, though they open at about {EYES_OPEN_D} d ({SIGNS_SOURCE})"
    if cub.get("eyes") == "open" and upper < EYES_OPEN_D:
        yield "eyes", f"eyes open at {span}, though they open at about {EYES_OPEN_D} d ({SIGNS_SOURCE})"
    teeth = _teeth(cub.get("teeth"))
    canine = {tooth: state for tooth, state in teeth.items() if tooth[1] == "c"}
    yield from _against(canine, "canine", 7 * CANINE_WEEKS[0], 7 * CANINE_WEEKS[1], lower, upper, CANINE_SOURCE)
    if not canine:  # the canine says it more closely
        yield from _against(teeth, "tooth", TEETH_THROUGH_D, TEETH_THROUGH_D, lower, upper, SIGNS_SOURCE)


def _against(
    teeth: Mapping[str, str], name: str, early: float, late: float, lower: float, upper: float, source: str
) -> Iterator[Sign]:
    """Say where teeth are through before ``early`` or none that was looked at is through after ``late``. [d]"""
    expected = f"{early:.0f} d" if early == late else f"{early:.0f} to {late:.0f} d"
    told = f"at {lower:.0f} to {upper:.0f} d, expected through the gum at about {expected} ({source})"
    through = [tooth for tooth, state in teeth.items() if state == "through"]
    if through and upper < early:
        yield "teeth", f"{name} through ({', '.join(through)}) {told}"
    # first teeth are incisors: that a cheek tooth is not there says nothing
    looked_at = [tooth for tooth in teeth if tooth[1] in "ic"]
    if looked_at and not through and lower > late:
        yield "teeth", f"no {name} through ({', '.join(looked_at)} looked at) {told}"


def _teeth(text: Any) -> dict[str, str]:
    try:
        return read_teeth(None if pd.isna(text) else text)
    except ValueError:  # told where the row was taken in
        return {}


def out_of_season(born_from: dt.date, born_to: dt.date) -> str:
    """Say that a birth lies wholly outside the season that was published; empty where it does not.

    Parameters
    ----------
    born_from, born_to : date
        First and last day on which it may have been.

    Returns
    -------
    str
    """
    days = (born_from + dt.timedelta(days=n) for n in range((born_to - born_from).days + 1))
    if any(SEASON[0] <= (day.month, day.day) <= SEASON[1] for day in days):
        return ""
    span = f"on {born_from}" if born_from == born_to else f"between {born_from} and {born_to}"
    return f"born {span}: outside the births of {SEASON_SOURCE}"
