"""What a person asked for, and which marks and ids it fits."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

from densite.errors import TransponderError
from densite.marks.codes import animal_key, mark_key, text_of
from densite.marks.near import one_slip
from densite.marks.wearing import Wearing
from densite.transponder import read_transponder

EXACT, FRAGMENT, SLIP = "exact", "fragment", "one slip off"
TIERS = (EXACT, FRAGMENT, SLIP)
SHORTEST_FRAGMENT = 3
SHORTEST_SLIP = 4

_KIND_WORD = re.compile(
    r"^\s*(?:transponder|microchip|chip|pit(?: tag)?|animal|bear|collar|(?:lip )?tattoo|ear tag)\b[\s:.]*",
    re.IGNORECASE,
)
_GAP = re.compile(r"\*+|…|\.{2,}|\?+")


@dataclass(frozen=True, slots=True)
class Hit:
    """An animal that fits what was asked: how well, by what, and whether that mark is still on."""

    key: str
    tier: str
    why: str
    now: bool = True


@dataclass(frozen=True)
class Asked:
    """What was asked, in the forms in which it is compared."""

    text: str

    @cached_property
    def bare(self) -> str:
        """Without a word for the kind of mark in front."""
        return _KIND_WORD.sub("", self.text).strip() or self.text

    @cached_property
    def transponder(self) -> tuple[str, bool]:
        """The code that was asked for, or that it may stand for, and whether it was read beyond doubt."""
        try:
            return read_transponder(self.bare).code, True
        except TransponderError as error:
            return error.meant, False

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """What a fragment looks like inside a code; gaps may be written as ``*``, ``?`` or ``...``."""
        return re.compile(".*".join(packed(part) for part in _GAP.split(self.bare)))

    @cached_property
    def letters(self) -> int:
        """How many letters and digits were asked for."""
        return len(packed(self.bare))


def packed(text: str) -> str:
    """Return letters and digits alone, in capitals.

    Parameters
    ----------
    text : str
        As written.

    Returns
    -------
    str
    """
    return "".join(re.findall(r"[^\W_]", unicodedata.normalize("NFKC", text).upper()))


def hits(asked: Asked, names: dict[str, str], worn: Iterable[Wearing]) -> list[Hit]:
    """Return the animals that fit, of the best tier that anything fits.

    Parameters
    ----------
    asked : Asked
        What was asked.
    names : dict of str to str
        Ids of all animals by their key.
    worn : iterable of Wearing
        All stretches of all marks.

    Returns
    -------
    list of Hit
        Marks that are still on first; an animal may be there by several marks.
    """
    marks = list(worn)
    for tier, fits in ((EXACT, _exact), (FRAGMENT, _fragment), (SLIP, _slip)):
        found = [*_by_id(asked, names, tier), *(h for w in marks if (h := _by_mark(asked, w, tier, fits)))]
        if found:
            return sorted(found, key=lambda hit: not hit.now)
    return []


def _by_id(asked: Asked, names: dict[str, str], tier: str) -> Iterator[Hit]:
    key = animal_key(asked.bare)
    if not key:
        return
    for other, name in names.items():
        if tier == EXACT:
            fits = other == key
        elif tier == FRAGMENT:
            fits = key in other.split("-") or _within(asked, other, name)  # 31 for OB-031
        else:
            fits = _near(asked, packed(other), packed(key))
        if fits:
            yield Hit(other, tier, f"id {name}")


def _by_mark(asked: Asked, wearing: Wearing, tier: str, fits: Callable[[Asked, Wearing], str]) -> Hit | None:
    said = fits(asked, wearing)
    if not said:
        return None
    ended = f", {wearing.end.event} {wearing.end.day}" if wearing.end else ""
    return Hit(wearing.first.key, tier, f"{said}{ended}", now=wearing.end is None)


def _exact(asked: Asked, wearing: Wearing) -> str:
    code = wearing.first.code
    if wearing.kind == "transponder":
        read, sure = asked.transponder
        return wearing.words if (sure and read == code) or packed(asked.bare) == code else ""
    key = mark_key(wearing.kind, asked.bare, side=wearing.side, colour=wearing.colour)
    short = re.fullmatch(rf"\s*{wearing.colour[:1] or '-'}[\s-]*(.+)", asked.bare, re.IGNORECASE)
    if key == code or (short and wearing.kind == "ear tag" and mark_key(wearing.kind, short[1]) == code):
        return wearing.words
    return ""


def _fragment(asked: Asked, wearing: Wearing) -> str:
    written = [event.written for event in wearing.events]
    return wearing.words if _within(asked, wearing.first.code, *written) else ""


def _within(asked: Asked, *texts: str) -> bool:
    if asked.letters < SHORTEST_FRAGMENT:
        return False
    return any(asked.pattern.search(packed(text_of(text))) for text in texts)


def _slip(asked: Asked, wearing: Wearing) -> str:
    code = wearing.first.code
    if wearing.kind == "transponder" and asked.transponder[0] == code:
        return f"{wearing.words}, if '{asked.bare}' was meant so"
    read = asked.transponder[0] if asked.transponder[1] else mark_key(wearing.kind, asked.bare)
    slip = one_slip(code, read)
    return f"{wearing.words}: {slip}" if slip and _near(asked, code, read) else ""


def _near(asked: Asked, one: str, other: str) -> bool:
    return asked.letters >= SHORTEST_SLIP and bool(one_slip(one, other))
