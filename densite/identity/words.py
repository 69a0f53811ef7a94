"""An identity written down: a few lines for a cold crew, JSON for a script."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from densite.identity.asked import EXACT, SHORTEST_FRAGMENT, SLIP, packed
from densite.identity.life import DenUse, Identity, Litter, Measured, WornMark

KINDS_IN_ORDER = ("ear tag", "lip tattoo", "transponder", "collar")  # as a crew comes to see them

MANY = 6  # more animals than this are only named
_TURNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # turn the direction of all that follows


def as_text(query: str, found: Sequence[Identity]) -> str:
    """Write who was found, what matters most first.

    Parameters
    ----------
    query : str
        What was asked.
    found : sequence of Identity
        From :func:`densite.identity.lookup.look_up`.

    Returns
    -------
    str
        Lines; an ambiguity or a mere likeness is said before anything else.
    """
    lines = [_headline(query, found)]
    if len(found) > MANY:
        lines += [f"  {each.animal:<14} {'; '.join(each.why)}" for each in found]
        return "\n".join(_plain(line) for line in lines)
    for identity in found:
        lines += ["", *_animal(identity)]
    return "\n".join(_plain(line) for line in lines)


def _plain(line: str) -> str:
    """Keep a line of a record's text one line: breaks and other control characters become blanks."""
    return "".join(" " if unicodedata.category(sign) == "Cc" or sign in _TURNS else sign for sign in line)


def as_json(query: str, found: Sequence[Identity]) -> str:
    """Write who was found as JSON.

    Parameters
    ----------
    query : str
        What was asked.
    found : sequence of Identity
        From :func:`densite.identity.lookup.look_up`.

    Returns
    -------
    str
        An object: query, found (animals that fit), near (animals one slip off).
    """
    fitting = [asdict(identity) for identity in found if identity.match != SLIP]
    near = [asdict(identity) for identity in found if identity.match == SLIP]
    said: dict[str, Any] = {"query": query, "found": fitting, "near": near}
    return json.dumps(said, indent=2, ensure_ascii=False, default=str)


def _headline(query: str, found: Sequence[Identity]) -> str:
    if not found:
        if len(packed(query)) < SHORTEST_FRAGMENT:
            return f"'{query}': nobody is known by this. Of a longer mark, give at least three letters or digits."
        return (
            f"'{query}': nobody carries this mark, one that it is a piece of, or one a slip away. Read it again, "
            "give a shorter piece, or look at another mark; `densite records animal` lists all animals."
        )
    match, number = found[0].match, len(found)
    if match == SLIP:
        return f"'{query}': nobody carries this mark. Near it, so read it again:"
    how = "" if match == EXACT else ", by a piece of a mark"
    if number == 1:
        return f"'{query}': one animal{how}."
    return f"'{query}' fits {number} animals{how}. It does not say which: look at another mark."


def _animal(identity: Identity) -> Iterator[str]:
    yield f"{identity.animal}: {identity.sex}, {_age(identity)}{_parents(identity)}"
    yield f"  Found by   {'; '.join(identity.why)}"
    yield from (f"  BEWARE     {said}" for said in identity.beware)
    on = sorted((m for m in identity.marks if not m.ended_by), key=lambda mark: KINDS_IN_ORDER.index(mark.mark_kind))
    gone = [mark for mark in identity.marks if mark.ended_by]
    yield from _block("Look for", [_mark(mark) for mark in on] or ["no mark is on record"])
    yield from _block("Gone", [_mark(mark) for mark in gone])
    yield from _block("Dens", [_den(den) for den in reversed(identity.dens)])
    yield from _block("Litters", [_litter(litter) for litter in reversed(identity.litters)])
    yield from _block("Young", [", ".join(identity.young)] if identity.young else [])
    yield from _block("Measured", [_measured(each) for each in reversed(identity.measured)])
    yield from _block("As a cub", [_measured(each) for each in identity.as_cub])


def _age(identity: Identity) -> str:
    return "age unknown" if identity.age == "unknown" else identity.age


def _parents(identity: Identity) -> str:
    parents = (("dam", identity.dam), ("sire", identity.sire))
    return "".join(f"; {which} {name}" for which, name in parents if name)


def _block(title: str, lines: Sequence[str]) -> Iterator[str]:
    for at, line in enumerate(lines):
        yield f"  {title if at == 0 else '':<10} {line}"


def _mark(mark: WornMark) -> str:
    known, *doubt = mark.how_known.split(", ", 1)  # seen 2026-02-24, never put on
    begun = ", ".join([f"{known} {mark.on_from}" if mark.on_from else known, *doubt])
    last = f", last seen {mark.last_seen}" if mark.last_seen and mark.last_seen != mark.on_from else ""
    ended = f", {mark.ended_by} {mark.on_to or 'on an unknown day'}" if mark.ended_by else ""
    return f"{mark.words}: {begun}{last}{ended}"


def _den(den: DenUse) -> str:
    return "  ".join(part for part in (str(den.date or "?"), den.den_label, den.den_type, den.landscape_class) if part)


def _litter(litter: Litter) -> str:
    sexes = ", ".join(f"{number} {sex}" for sex, number in litter.sexes.items())
    dead = f", {litter.dead} dead" if litter.dead else ""
    cubs = "1 cub" if litter.cubs == 1 else f"{litter.cubs} cubs"
    return f"{litter.winter or '?'}  {litter.den_label}  {cubs} ({sexes}){dead}: {'; '.join(litter.names)}"


def _measured(measured: Measured) -> str:
    values = ", ".join(
        f"{name.rsplit('_', 1)[0] if unit else name} {value:g}{f' {unit}' if unit else ''}".replace("_", " ")
        if isinstance(value, float)
        else f"{name.replace('_', ' ')} {value}"
        for name, (value, unit) in measured.values.items()
    )
    return f"{measured.date or '?'}  {values}"
