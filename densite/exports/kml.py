"""Dens as KML 2.2 (OGC 07-147r2, which OGC 12-007r2 keeps valid), for globes on a screen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection

from densite.exports import NOTICE
from densite.exports.held import Row, as_cell, rows
from densite.exports.xmltext import DECLARATION, element
from densite.register import schema
from densite.settings import Settings
from densite.terms import by_name

NAMESPACE = "http://www.opengis.net/kml/2.2"
_SKIPPED = ("longitude", "latitude", "withdrawn")


def write_kml(connection: Connection, settings: Settings, folder: Path) -> list[Path]:
    """Write a placemark a den with its columns as extended data; withdrawn ones are left out.

    Parameters
    ----------
    connection : Connection
        Reading one state of the register.
    settings : Settings
        Name of the study.
    folder : Path
        Where to write.

    Returns
    -------
    list of Path
        ``dens.kml``.
    """
    path = folder / "dens.kml"
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(f'{DECLARATION}\n<kml xmlns="{NAMESPACE}">\n<Document>\n')
        file.write(f"{element('name', settings.study.name)}\n{element('description', NOTICE)}\n")
        file.writelines(_placemark(den) for den in rows(connection, schema.den, every=False))
        file.write("</Document>\n</kml>\n")
    return [path]


def _placemark(den: Row) -> str:
    place = f"{den['longitude']!r},{den['latitude']!r}"
    return (
        f'<Placemark id="den-{den["den_id"]}">\n{element("name", den["label"])}\n'
        f"<ExtendedData>\n{''.join(_data(den))}</ExtendedData>\n"
        f"<Point>{element('coordinates', place)}</Point>\n</Placemark>\n"
    )


def _data(den: Row) -> Iterator[str]:
    for name, value in den.items():
        if value is None or name in _SKIPPED:
            continue
        term = by_name().get(name)
        shown = element("displayName", term.heading + (f" [{term.unit}]" if term.unit else "")) if term else ""
        yield f'<Data name="{name}">{shown}{element("value", as_cell(value))}</Data>\n'
