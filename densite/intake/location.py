"""The place of a row: latitude and longitude, UTM, MGRS, or x and y of any CRS."""

from __future__ import annotations

from collections.abc import Mapping

from densite import places
from densite.errors import PlaceError
from densite.records import read_number


def located(values: Mapping[str, str], datum: str) -> places.Place:
    """Read the place of a row by the first way whose columns are filled in.

    Parameters
    ----------
    values : mapping of str to str
        The row under densite's names.
    datum : str
        Datum of its coordinates.

    Returns
    -------
    Place
        In WGS 84.

    Raises
    ------
    PlaceError
        No way is filled in, or a coordinate cannot be read; the message begins with the column.
    """
    if values.get("coordinates"):
        latitude, longitude = places.split_pair(values["coordinates"])
        return places.from_geographic(latitude, longitude, datum=datum)
    if values.get("latitude") or values.get("longitude"):
        _both(values, "latitude", "longitude")
        return places.from_geographic(values["latitude"], values["longitude"], datum=datum)
    if values.get("mgrs"):
        return places.from_mgrs(values["mgrs"], datum=datum)
    if values.get("easting") or values.get("northing"):
        _both(values, "easting", "northing")
        easting, northing = _metres(values, "easting"), _metres(values, "northing")
        return places.from_utm(easting, northing, values.get("utm_zone", ""), datum=datum)
    if values.get("x") or values.get("y"):
        _both(values, "x", "y")
        _same_datum(values)
        return places.from_xy(_metres(values, "x"), _metres(values, "y"), values.get("epsg", ""))
    raise PlaceError("coordinates are empty; give latitude and longitude, easting/northing/utm_zone, mgrs or x/y/epsg")


def _same_datum(values: Mapping[str, str]) -> None:
    """Refuse a datum that contradicts the EPSG code beside it."""
    said, epsg = values.get("datum", ""), values.get("epsg", "")
    if said and not places.on_datum(epsg, said):
        raise PlaceError(f"datum {said} contradicts epsg {epsg}: which of the two is right? Leave the other blank")


def _both(values: Mapping[str, str], first: str, second: str) -> None:
    for name in (first, second):
        if not values.get(name):
            raise PlaceError(f"{name} is empty; a place needs {first} and {second}")


def _metres(values: Mapping[str, str], name: str) -> float:
    try:
        number = read_number(values[name], unit="m" if name in ("easting", "northing") else "")
    except ValueError as error:
        raise PlaceError(f"{name} '{values[name]}' {error}") from None
    if number is None:
        raise PlaceError(f"{name} is empty")
    return float(number)
