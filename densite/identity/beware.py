"""What may lead a crew to the wrong animal: the same code on two, or a transponder a slip away."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence

from densite.marks.known import FOR_LIFE, Marks
from densite.marks.near import one_slip
from densite.marks.slips import BOX_DIGITS, DENSITY, SERIES
from densite.marks.wearing import Wearing
from densite.transponder import DIGITS

NAMED = 3
_SHORTEST = 10  # digits of a transponder that was written down in part; shorter pieces resemble by chance


def beware(own: Sequence[Wearing], known: Marks, *, by_transponder: bool) -> tuple[str, ...]:
    """Say with whom an animal may be confused by its marks.

    Parameters
    ----------
    own : sequence of Wearing
        Its marks.
    known : Marks
        The study's marks.
    by_transponder : bool
        Whether a transponder of it was asked for, whole or in part.

    Returns
    -------
    tuple of str
        Marks that another animal carries too; transponders of others that are one slip off, a few of many.

    Notes
    -----
    Numbers issued in a series are always one digit apart. So tattoos, tags and collars are only told where they
    are the same, and neighbours of one box or series (as :func:`densite.marks.findings` has them) only to a crew
    that asked for the transponder and may have mistyped it.
    """
    others = [wearing for wearing in known.wearings if own and wearing.first.key != own[0].first.key]
    pairs = [(mine, other) for mine in own for other in others if other.kind == mine.kind]
    codes = sorted(int(w.first.code) for w in known.wearings if _whole(w))
    near = list(dict.fromkeys(_near(pairs, codes, by_transponder=by_transponder)))
    more = [f"and {len(near) - NAMED} more transponders as near as these"] if len(near) > NAMED else []
    return (*dict.fromkeys(_same(pairs)), *near[:NAMED], *more)


def _same(pairs: Sequence[tuple[Wearing, Wearing]]) -> Iterator[str]:
    for mine, other in pairs:
        unlike = mine.first.code != other.first.code or (mine.colour and other.colour and mine.colour != other.colour)
        if not unlike and (mine.kind in FOR_LIFE or mine.overlaps(other)):
            yield f"{other.words} of {other.first.animal} is the same"


def _near(pairs: Sequence[tuple[Wearing, Wearing]], codes: Sequence[int], *, by_transponder: bool) -> Iterator[str]:
    for mine, other in pairs:
        one, two = mine.first.code, other.first.code
        if mine.kind != "transponder" or min(len(one), len(two)) < _SHORTEST:
            continue
        slip = one_slip(one, two)
        if slip and (by_transponder or not (_whole(mine) and _whole(other) and _neighbours(one, two, codes))):
            yield f"{other.words} of {other.first.animal} is {slip}"


def _whole(wearing: Wearing) -> bool:
    code = wearing.first.code
    return wearing.kind == "transponder" and len(code) == DIGITS and code.isascii() and code.isdigit()


def _neighbours(one: str, other: str, codes: Sequence[int]) -> bool:
    """Tell whether two codes differ as those of one box do, or stand in a dense series; ``codes`` are in order."""
    place = next(at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b)
    reach = 10 ** (DIGITS - place)
    low = int(min(one, other))
    crowd = bisect_left(codes, low + reach) - bisect_left(codes, low - reach)
    return place >= DIGITS - BOX_DIGITS or (crowd >= SERIES and crowd >= DENSITY * reach)
