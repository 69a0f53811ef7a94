"""Dens whose points another program has made unreadable: found, and told with the way out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, LargeBinary, func, select, type_coerce
from sqlalchemy.types import NullType

from densite.errors import seen
from densite.register import schema
from densite.register.backend import Backend
from densite.register.columns import UnreadablePlaceError, decode_place

SHOWN = 5  # so many dens are named
WAY_OUT = (
    "`densite history DEN` shows the point before; `densite correct DEN latitude=43.51234 longitude=-115.52123 "
    "datum=WGS84 --reason WHY` puts it right"
)


def misplaced(connection: Connection) -> Iterator[tuple[str, str, str]]:
    """Look at every den's point.

    Parameters
    ----------
    connection : Connection
        Reading or writing.

    Yields
    ------
    tuple of str
        Label and id of each den whose point is unreadable, and what is wrong: ``is empty or no point``.
    """
    d = schema.den.c
    bare = connection.dialect.name == "sqlite"
    point: Any = type_coerce(d.geom, NullType()) if bare else func.ST_AsBinary(d.geom, type_=LargeBinary())
    for label, den_id, held in connection.execute(select(d.label, d.den_id, point).order_by(d.label)):
        try:
            decode_place(held)
        except UnreadablePlaceError as error:
            yield str(label), str(den_id), str(error)


def told(backend: Backend) -> str:
    """Say which dens of a register have unreadable points, and the way out.

    Parameters
    ----------
    backend : Backend
        The register's engine.

    Returns
    -------
    str
        Blank where none of its dens has one: then it was another register's.
    """
    with backend.told_as_errors(), backend.engine.connect() as connection, connection.begin():
        found = list(misplaced(connection))
    named = "; ".join(f"the point of den {seen(label)} ({den_id}) {said}" for label, den_id, said in found[:SHOWN])
    more = f"; and of {len(found) - SHOWN} more" if len(found) > SHOWN else ""
    said = f"register {backend.where}: {named}{more}. Another program wrote it. {WAY_OUT}"
    return said if found else ""
