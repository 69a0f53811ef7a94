"""Photographs of the field form put into the study folder, below the den that they show."""

from __future__ import annotations

import base64
import binascii
import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from sqlalchemy import Connection, select

from densite.errors import Level, Problem
from densite.intake.jpeg import LARGEST, jpeg_trouble
from densite.intake.part import Photograph
from densite.register import Register, schema
from densite.wholefile import write_whole

_CHUNK = 500


def keep_photographs(
    photographs: Sequence[Photograph], *, register: Register, folder: Path, file: str
) -> tuple[int, list[Problem]]:
    """Write the photographs of recorded entries to ``folder/<den_id>/``; those that are there already stay.

    Parameters
    ----------
    photographs : sequence of Photograph
        From a field file.
    register : Register
        Open register, in which the entries are.
    folder : Path
        The study's ``photos``: exact places, for the crew only.
    file : str
        For messages.

    Returns
    -------
    kept : int
        How many are there now.
    problems : list of Problem
        Those that were refused, and how many wait for their entries.
    """
    with register.reading() as connection:
        dens = _dens(connection, photographs)
    problems: list[Problem] = []
    waiting, kept = 0, 0
    for photograph in photographs:
        den_id = dens.get(photograph.entry)
        if den_id is None:
            waiting += 1
        elif said := _keep(photograph, folder / den_id):
            message = f"photograph {photograph.name or '(no name)'} {said}: not kept"
            problems.append(Problem(Level.WARNING, message, "photos", file=file))
        else:
            kept += 1
    if waiting:
        said = f"{waiting} photographs wait: the entries to which they belong are not recorded"
        problems.append(Problem(Level.WARNING, said, "photos", file=file, hint=f"when they are, hand in {file} again"))
    return kept, problems


def _dens(connection: Connection, photographs: Sequence[Photograph]) -> dict[str, str]:
    """Return the den of each recorded entry that has photographs."""
    visit = schema.visit.c
    visits = {photograph.visit for photograph in photographs}
    den_of = dict(_found(connection, visits, visit.row_key, visit.den_id))
    entries = {p.entry for p in photographs if p.entry != p.visit}
    recorded = set(den_of)
    for table in schema.record_tables.values() if entries else ():
        recorded |= {key for key, _ in _found(connection, entries, table.c.row_key, table.c.record_id)}
    return {p.entry: den_of[p.visit] for p in photographs if p.visit in den_of and p.entry in recorded}


def _found(connection: Connection, keys: set[str], key: object, value: object) -> Iterator[tuple[str, str]]:
    ordered = sorted(keys)
    for start in range(0, len(ordered), _CHUNK):
        query = select(key, value).where(key.in_(ordered[start : start + _CHUNK]))  # type: ignore[attr-defined,call-overload]
        for found, told in connection.execute(query):
            yield str(found), str(told)


def _keep(photograph: Photograph, folder: Path) -> str:
    """Write one photograph; say why not where it is refused."""
    if len(photograph.data) > LARGEST * 4 // 3 + 4:
        return f"is larger than {LARGEST // 2**20} MiB"
    try:
        data = base64.b64decode(photograph.data, validate=True)
    except (binascii.Error, ValueError):
        return "is no Base64"
    if said := jpeg_trouble(data):
        return said
    path = folder / f"{hashlib.sha256(data).hexdigest()[:16]}.jpg"
    if not path.exists():
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_whole(path, data)
    return ""
