"""What the register holds, gathered for screening: all of it for a file, what lies near for a few rows."""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterator, Sequence, Set
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, or_, select, type_coerce

from densite.intake.rawrow import RawRow
from densite.intake.rows import key_of, read_row
from densite.intake.screening import Known, KnownDen, KnownVisit, squeezed
from densite.records import DenSite, folded_label, winter_of
from densite.register import Register, schema
from densite.register.columns import decode_point, place
from densite.register.nearby import FEMALE, LABEL, between, called
from densite.settings import Settings

_DEGREE_M = 110_500.0  # the shortest degree of latitude


def known_of(
    register: Register, settings: Settings, *, about: Sequence[RawRow] = (), if_legible: bool = False
) -> Known:
    """Gather what screening needs to know of the register.

    Parameters
    ----------
    register : Register
        Open register.
    settings : Settings
        For the uncertainty assumed where a crew gave none.
    about : sequence of RawRow
        The few rows that are screened; everything is gathered where it is left empty.
    if_legible : bool
        Know a den whose point another program has made unreadable by its label only; an error by default.

    Returns
    -------
    Known
        For ``about``, dens of the same label or id, or that may be the same place, with their visits.
    """
    named = "the study boundary" if "boundary" in settings.layers else f"the area in which {settings.study.crs} is used"
    known = Known(settings.intake.assumed_uncertainty_m, named)
    with register.reading() as connection:
        _withdrawn(connection, known)
        dens = _near(connection, about, settings) if about else list(_dens(connection, if_legible=if_legible))
        if about:
            _females(connection, known, {squeezed(raw.values.get("female", "")) for raw in about} - {""})
        winters = _visits(connection, known, _of(dens, about) if about else None)
    for den in dens:
        known.add_den(replace(den, winters=frozenset(winters[den.den_id])) if den.den_id in winters else den)
    return known


def _withdrawn(connection: Connection, known: Known) -> None:
    """Remember id and label of the withdrawn dens, which stay their own."""
    d = schema.den.c
    for den_id, label in connection.execute(select(d.den_id, d.label).where(d.withdrawn == schema.WITHDRAWN)):
        known.add_withdrawn(den_id, label)


def _dens(connection: Connection, *some: ColumnElement[bool], if_legible: bool = False) -> Iterator[KnownDen]:
    """Yield the dens that are not withdrawn, in order of label."""
    d = schema.den.c
    read = type_coerce(d.geom, place(if_legible=if_legible)).label("geom")
    query = select(d.den_id, d.label, read, d.uncertainty_m, d.den_type, d.source_file, d.source_line)
    found = connection.execute(query.where(schema.in_sight(schema.den), *some).order_by(d.label))
    for den_id, label, point, unsure, den_type, file, line in found:
        where = (math.nan, math.nan) if point is None else decode_point(point)
        yield KnownDen(den_id, label, *where, unsure, den_type, source=f"{file} line {line}")


def _visits(connection: Connection, known: Known, some: Any | None) -> dict[str, set[int]]:
    """Remember visits and rows, and return the winters in which each den was seen."""
    v = schema.visit.c
    query: Select[Any] = select(
        v.row_key, v.source_file, v.source_line, v.den_id, v.observed_on, v.observer, v.female, v.withdrawn
    ).order_by(v.observed_on, v.fid)
    winters: dict[str, set[int]] = defaultdict(set)
    for key, file, line, den_id, day, observer, female, withdrawn in connection.execute(
        query if some is None else query.where(some)
    ):
        source = f"{file} line {line}"
        known.rows[key] = source  # a withdrawn row is recorded all the same
        if withdrawn != schema.WITHDRAWN and den_id not in known.withdrawn:
            winters[den_id].add(winter_of(day))
            known.add_visit(KnownVisit(den_id, day, observer or "", female or "", source))
    return winters


def _near(connection: Connection, about: Sequence[RawRow], settings: Settings) -> list[KnownDen]:
    """Return the dens that have the label or id of a row, or may be the same place."""
    rows = [read_row(raw, settings, now=dt.datetime.now(dt.UTC)).den for raw in about]
    asked = [den for den in rows if den is not None]
    d, assumed = schema.den.c, settings.intake.assumed_uncertainty_m
    widest = max(connection.execute(select(func.max(d.uncertainty_m))).scalar_one() or 0.0, assumed)
    boxes = [_box(den, widest + (assumed if den.uncertainty_m is None else den.uncertainty_m)) for den in asked]
    labels, ids = {folded_label(den.label) for den in asked}, {str(den.den_id) for den in asked}
    some = (d.den_id.in_(ids), called(connection, LABEL, labels), *(between(connection, s, n) for _, s, _, n in boxes))
    found = {den.den_id: den for chosen in dict.fromkeys(some) for den in _dens(connection, chosen)}
    near = [
        den for den in found.values()
        if any(w <= den.longitude <= e and s <= den.latitude <= n for w, s, e, n in boxes)
        or den.den_id in ids or folded_label(den.label) in labels
    ]  # fmt: skip
    return sorted(near, key=lambda den: den.label)


def _box(den: DenSite, reach_m: float) -> tuple[float, float, float, float]:
    """Return a box [deg] in which every point within a distance lies."""
    high = reach_m / _DEGREE_M
    wide = high / max(math.cos(math.radians(min(abs(den.latitude) + high, 90))), 0.01)
    return den.longitude - wide, den.latitude - high, den.longitude + wide, den.latitude + high


def _of(dens: Sequence[KnownDen], about: Sequence[RawRow]) -> Any:
    """Choose the visits of some dens, and the rows that are recorded already."""
    v = schema.visit.c
    return or_(v.den_id.in_([den.den_id for den in dens]), v.row_key.in_([key_of(raw) for raw in about]))


def _females(connection: Connection, known: Known, asked: Set[str]) -> None:
    """Remember how each of some females was written first."""
    v = schema.visit.c
    if not asked:
        return
    gone = select(schema.den.c.den_id).where(schema.den.c.withdrawn == schema.WITHDRAWN)
    seen = schema.in_sight(schema.visit)
    query = select(v.female).where(
        called(connection, FEMALE, asked), v.female.is_not(None), seen, v.den_id.not_in(gone)
    )
    for (female,) in connection.execute(query.group_by(v.female).order_by(func.min(v.observed_on), func.min(v.fid))):
        if squeezed(female) in asked:
            known.add_female(female)
