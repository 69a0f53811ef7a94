"""Transponders one slip of the pen from another of the study's."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from densite.errors import TransponderError
from densite.marks.known import Finding, Found, Marks, placed
from densite.marks.near import near_pairs
from densite.marks.wearing import Wearing
from densite.transponder import DIGITS, Transponder

BOX_DIGITS = 2  # last digits in which the numbers of one box differ
SERIES, DENSITY = 6, 1e-3  # so many codes, and such a share of the numbers, in which a slip may be a neighbour
NAMED = 3


def slips(known: Marks) -> Found:
    """Find codes that look like a slip for another one.

    Parameters
    ----------
    known : Marks
        The study's marks.

    Yields
    ------
    Finding
        A code that was never put on beside any other; two codes of one animal; two that were put on two
        animals, unless they look like neighbours of one box or series.
    """
    worn = _by_code(known)
    codes = sorted(worn)
    beside: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for first, second, slip in _suspects([worn[code] for code in codes], codes):
        sound, doubtful = sorted((codes[first], codes[second]), key=lambda code: _doubt(worn[code]))
        beside[doubtful].append((sound, slip))
    for code, others in beside.items():
        yield _told(worn, code, others)


def _by_code(known: Marks) -> dict[str, list[Wearing]]:
    worn: dict[str, list[Wearing]] = defaultdict(list)
    for wearing in known.wearings:
        if wearing.kind == "transponder" and _is_code(wearing.first.code):
            worn[wearing.first.code].append(wearing)
    return worn


def _is_code(text: str) -> bool:
    try:
        return bool(Transponder(text))
    except TransponderError:
        return False


def _doubt(worn: Sequence[Wearing]) -> tuple[bool, str]:
    """Rank codes by how doubtful they are: never put on, then those that came later."""
    return not any(w.put_on for w in worn), min(str(w.on_from or "unknown") for w in worn)


def _suspects(worn: Sequence[Sequence[Wearing]], codes: Sequence[str]) -> Iterator[tuple[int, int, str]]:
    near = near_pairs(codes)
    first, second, place = (near[name].to_numpy() for name in ("first", "second", "place"))
    put_on = np.array([any(w.put_on for w in each) for each in worn], dtype=bool)
    animal = pd.factorize(np.array([each[0].first.key for each in worn], dtype=object))[0]
    boxed = (place >= DIGITS - BOX_DIGITS) | _in_series(codes, first, place)
    sound = put_on[first] & put_on[second] & (animal[first] != animal[second]) & boxed
    kept = near.loc[~sound]
    yield from zip(kept["first"], kept["second"], kept["slip"], strict=True)


def _in_series(codes: Sequence[str], which: NDArray[np.int64], place: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Say for which slips the codes round about, as far as a digit at that place reaches, are a series."""
    values = np.array([int(code) for code in codes], dtype=np.int64)  # in order, as equally long codes are
    reach = 10 ** (DIGITS - place)
    low, high = (np.searchsorted(values, values[which] + way * reach) for way in (-1, 1))
    crowd = high - low
    return np.asarray((crowd >= SERIES) & (crowd >= DENSITY * reach))


def _told(worn: dict[str, list[Wearing]], code: str, others: list[tuple[str, str]]) -> Finding:
    first = worn[code][0].first
    own = [pair for pair in others if any(w.first.key == first.key for w in worn[pair[0]])]
    named = (own or others)[:NAMED]
    said = ", ".join(f"{slip} from {Transponder(other)} of {_whose(worn[other])}" for other, slip in named)
    more = f" and {len(own or others) - NAMED} more" if len(own or others) > NAMED else ""
    how = "was put on" if any(w.put_on for w in worn[code]) else f"was {first.event}, but never put on"
    if own:
        hint = "one chip typed in two ways? Correct the record that is wrong, or say that both are in it"
    else:
        hint = "was the other one meant? Compare with the reader's own list or the packet"
    return placed(first, f"transponder {Transponder(code)} {how}; {said}{more}", hint=hint,
                  also=tuple(event for w in worn[code] for event in w.events))  # fmt: skip


def _whose(worn: Sequence[Wearing]) -> str:
    return " and ".join(dict.fromkeys(wearing.first.animal for wearing in worn))
