"""Where a den is and where a bearing points: coordinates, datums, compass points, convergence."""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass, replace
from functools import cache

import mgrs
from pyproj import CRS, Geod, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import TransformerGroup

from densite.errors import PlaceError

WGS84 = "EPSG:4326"
DATUMS = {"WGS84": "EPSG:4326", "NAD83": "EPSG:4269", "NAD27": "EPSG:4267", "ETRS89": "EPSG:4258"}
METRES_PER_DEGREE = 111_320.0  # length of a degree at the equator; only used to say how fine a reading is

COMPASS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
COMPASS_WORDS = {"north": "N", "east": "E", "south": "S", "west": "W"}

_LONGEST = 100  # signs of an angle: on long texts these patterns take hours
_ANGLE = re.compile(
    r"""^\s*(?P<lead>[NSEW])?\s*
    (?P<sign>[-+−])?\s*(?P<deg>\d{1,3}(?:\.\d+)?)\s*(?:[°ºd:\s]|$)\s*
    (?:(?P<min>\d{1,2}(?:\.\d+)?)\s*(?:['′’m:\s]|$)\s*
    (?:(?P<sec>\d{1,2}(?:\.\d+)?)\s*(?:["″”]|''|$)?\s*)?)?
    (?P<trail>[NSEW])?\s*$""",
    re.VERBOSE | re.IGNORECASE,
)
_SECONDS_MARK = re.compile(r"(d\s*[\d.]+\s*m\s*[\d.]+)\s*s", re.IGNORECASE)  # elsewhere a last s means south
_BARE_LETTER = re.compile(r"(?<=[\d.])([NSEW])\s*$", re.IGNORECASE)
_PAIRS = tuple(re.compile(rf"^\s*{pair}\s*$", re.IGNORECASE) for pair in (
    r"(?P<lat>[^EW]*[NS])[\s,;]+(?P<lon>[^NS]*[EW])", r"(?P<lat>[NS][^EW]*?)[\s,;]+(?P<lon>[EW][^NS]*)",
    r"(?P<lon>[^NS]*[EW])[\s,;]+(?P<lat>[^EW]*[NS])", r"(?P<lon>[EW][^NS]*?)[\s,;]+(?P<lat>[NS][^EW]*)",
))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Place:
    """A point in WGS 84 with what is known of its error.

    ``longitude`` and ``latitude`` are in degrees; ``error_m`` is what a datum change adds to the
    crew's own uncertainty, in metres; ``reading_m`` is half the last digit written, in metres (of the
    finer coordinate: programs drop trailing zeros); ``note`` says what was done to the coordinates.
    """

    longitude: float
    latitude: float
    error_m: float = 0.0
    note: str = ""
    reading_m: float = 0.0


def parse_angle(text: str, *, axis: str) -> float:
    """Read a latitude or longitude written in decimal degrees or degrees, minutes and seconds.

    Parameters
    ----------
    text : str
        For example ``44.5123``, ``44 30 44.3 N``, ``118°13'12"W``.
    axis : {'latitude', 'longitude'}
        Which of the two it is.

    Returns
    -------
    float
        Signed decimal degrees, north and east positive. [deg]

    Raises
    ------
    PlaceError
        The text is no angle, has a hemisphere of the other axis, or is out of range.
    """
    short = text if len(text) <= _LONGEST else ""
    match = _ANGLE.match(_BARE_LETTER.sub(r" \1", _SECONDS_MARK.sub(r"\1 ", short)))
    if match is None:
        raise PlaceError(f"{axis} '{text}' is no angle; write 44.5123 or 44 30 44.3 N{_comma_hint(text)}")
    letter = (match["lead"] or match["trail"] or "").upper()
    if letter and (letter in "NS") != (axis == "latitude"):
        raise PlaceError(f"{axis} '{text}' ends in {letter}: swapped with the other coordinate?")
    if match["lead"] and match["trail"]:
        raise PlaceError(f"{axis} '{text}' has two hemisphere letters")
    minutes, seconds = float(match["min"] or 0), float(match["sec"] or 0)
    if minutes >= 60 or seconds >= 60:
        raise PlaceError(f"{axis} '{text}': minutes and seconds must be under 60")
    value = float(match["deg"]) + minutes / 60 + seconds / 3600
    if match["sign"] in ("-", "−"):
        if letter:
            raise PlaceError(f"{axis} '{text}' has both a sign and the letter {letter}: keep one")
        value = -value
    return _in_range(-value if letter in ("S", "W") and letter else value, axis)


def _in_range(value: float, axis: str) -> float:
    limit = 90.0 if axis == "latitude" else 180.0
    if not abs(value) <= limit:
        swapped = ": swapped with longitude?" if axis == "latitude" and abs(value) <= 180 else ""
        raise PlaceError(f"{axis} {value:g} is outside -{limit:g}..{limit:g}{swapped}")
    return value


def _comma_hint(text: str) -> str:
    if re.fullmatch(r"\s*[-+]?\d+,\d+\s*[NSEWnsew]?\s*", text):
        return f". Decimal comma: did you mean {text.strip().replace(',', '.')}?"
    return ""


def split_pair(text: str) -> tuple[str, str]:
    """Split latitude and longitude that stand in one cell.

    Parameters
    ----------
    text : str
        ``44.51 N 118.22 W``, ``44.51, -118.22`` or ``44°30'N, 118°13'W``.

    Returns
    -------
    tuple of str
        Text of the latitude and of the longitude. [deg]

    Raises
    ------
    PlaceError
        The text does not hold two coordinates.
    """
    short = text.strip() if len(text) <= 2 * _LONGEST else ""
    match = next((found for pair in _PAIRS if (found := pair.match(short))), None)
    if match:
        return match["lat"], match["lon"]
    parts = [part for part in re.split(r"\s*[,;]\s*|\s+", short) if part]
    if len(parts) != 2:
        raise PlaceError(f"coordinates '{text}' are not two numbers; write 44.5123, -118.2210 or 44.51 N 118.22 W")
    return parts[0], parts[1]


def reading_error_m(text: str) -> float:
    """Return how far off a place may be because a coordinate was written with few decimals.

    Parameters
    ----------
    text : str
        Latitude or longitude in degrees as written.

    Returns
    -------
    float
        Half the last written digit, as a distance on the equator. [m]
    """
    numbers = re.findall(r"\d+(?:\.(\d+))?", text)
    if not numbers:
        return 0.0
    unit = METRES_PER_DEGREE / 60.0 ** (min(len(numbers), 3) - 1)
    return float(0.5 * unit * 10.0 ** -len(numbers[-1]))


def geographic_crs(datum: str) -> str:
    """Return the EPSG code of a geographic CRS for a datum's name.

    Parameters
    ----------
    datum : str
        ``WGS84``, ``NAD83``, ``NAD27``, ``ETRS89`` or an EPSG code.

    Returns
    -------
    str
        Authority code.

    Raises
    ------
    PlaceError
        The datum is blank or not known.
    """
    key = re.sub(r"[\s_-]", "", datum).upper()
    if key in DATUMS:
        return DATUMS[key]
    if key.startswith("EPSG:") or key.isdigit():
        crs = _crs(key)
        if crs.is_geographic:
            return f"EPSG:{crs.to_epsg()}"
    said = f"datum '{datum}' is not known" if datum else "datum is missing"
    raise PlaceError(f"{said}; allowed: {', '.join(DATUMS)} or an EPSG code. It is asked for, never guessed")


def from_geographic(latitude: str, longitude: str, *, datum: str) -> Place:
    """Place a latitude and longitude.

    Parameters
    ----------
    latitude, longitude : str
        As written by the crew. [deg]
    datum : str
        Datum of the coordinates, see :func:`geographic_crs`.

    Returns
    -------
    Place
        In WGS 84.

    Raises
    ------
    PlaceError
        An angle cannot be read, or the datum is missing or unknown.
    """
    lat, lon = parse_angle(latitude, axis="latitude"), parse_angle(longitude, axis="longitude")
    reading = min(reading_error_m(latitude), reading_error_m(longitude) * math.cos(math.radians(lat)))
    return replace(_to_wgs84(lon, lat, geographic_crs(datum)), reading_m=reading)


def from_utm(easting: float, northing: float, zone: str, *, datum: str) -> Place:
    """Place UTM coordinates.

    Parameters
    ----------
    easting, northing : float
        UTM coordinates. [m]
    zone : str
        Zone number with N or S for the hemisphere: ``11N``. Another letter is taken as a latitude
        band (``11T`` is north); S is always the southern hemisphere.
    datum : str
        WGS84, NAD83 or NAD27.

    Returns
    -------
    Place
        In WGS 84.

    Raises
    ------
    PlaceError
        The zone or datum is missing or unknown, or the coordinates lie outside any UTM zone.
    """
    if not 100_000 <= easting <= 900_000:
        raise PlaceError(f"easting {easting:g} m is outside 100000..900000: swapped with northing, or not UTM?")
    if not 0 <= northing <= 10_000_000:
        raise PlaceError(f"northing {northing:g} m is outside 0..10000000")
    return _to_wgs84(easting, northing, _utm_crs(zone, datum))


def _utm_crs(zone: str, datum: str) -> str:
    match = re.fullmatch(r"\s*(\d{1,2})\s*([C-HJ-NP-X])\s*", zone, re.IGNORECASE)
    if match is None or not 1 <= int(match[1]) <= 60:
        raise PlaceError(f"utm_zone '{zone}' is not a zone with hemisphere; write 11N or 11S")
    number, letter = int(match[1]), match[2].upper()
    south = letter == "S" or letter < "N"
    base = geographic_crs(datum)
    if base == DATUMS["WGS84"]:
        return f"EPSG:{32700 + number if south else 32600 + number}"
    families = {DATUMS["NAD83"]: (26900, 23), DATUMS["NAD27"]: (26700, 22)}
    start, last = families.get(base, (0, 0))
    if south or number > last:
        raise PlaceError(f"UTM zone {zone} on datum {datum} has no EPSG code here: give x, y and epsg instead")
    return f"EPSG:{start + number}"


def from_mgrs(text: str, *, datum: str) -> Place:
    """Place an MGRS reference in the middle of its square.

    Parameters
    ----------
    text : str
        Military grid reference on WGS 84, 2 to 10 digits.
    datum : str
        Must be WGS84: the lettering of older datums differs.

    Returns
    -------
    Place
        In WGS 84; its reading error is half the square's diagonal.

    Raises
    ------
    PlaceError
        The reference cannot be read or the datum is not WGS 84.
    """
    if geographic_crs(datum) != DATUMS["WGS84"]:
        raise PlaceError(f"MGRS on datum {datum} is not read: older letterings differ. Give UTM with zone and datum")
    squashed = re.sub(r"\s", "", text).upper()
    match = re.fullmatch(r"(\d{1,2})([C-HJ-NP-X])[A-HJ-NP-Z]{2}(\d*)", squashed)
    if match is None or len(match[3]) % 2 or not 2 <= len(match[3]) <= 10:
        raise PlaceError(f"mgrs '{text}' is no grid reference; write 11TLK4414084706")
    side = 10.0 ** (5 - len(match[3]) // 2)
    try:
        zone, hemisphere, easting, northing = mgrs.MGRS().MGRSToUTM(squashed)
    except Exception as error:  # noqa: BLE001 - the binding raises its own unexported kinds
        raise PlaceError(f"mgrs '{text}' is no place on Earth: {error}") from None
    place = from_utm(easting, northing, f"{zone}{hemisphere}", datum="WGS84")  # mgrs 1.6 gives the middle
    return replace(place, reading_m=side / math.sqrt(2))


def on_datum(epsg: str, datum: str) -> bool:
    """Tell whether a CRS is on a datum.

    Parameters
    ----------
    epsg : str
        EPSG code of the CRS.
    datum : str
        See :func:`geographic_crs`.

    Returns
    -------
    bool

    Raises
    ------
    PlaceError
        Either is not known.
    """
    base = _crs(epsg.strip().upper().removeprefix("EPSG:")).geodetic_crs
    return base is not None and f"EPSG:{base.to_epsg()}" == geographic_crs(datum)


def from_xy(x: float, y: float, epsg: str) -> Place:
    """Place coordinates of any CRS that has an EPSG code.

    Parameters
    ----------
    x, y : float
        East and north (or longitude and latitude) in the units of the CRS.
    epsg : str
        ``32611`` or ``EPSG:32611``.

    Returns
    -------
    Place
        In WGS 84.

    Raises
    ------
    PlaceError
        The code is unknown or the coordinates do not fit its CRS.
    """
    code = epsg.strip().upper().removeprefix("EPSG:")
    if not code.isdigit():
        raise PlaceError(f"epsg '{epsg}' is no EPSG code; write 32611")
    if len(_crs(code).axis_info) != 2 or _crs(code).is_geocentric:
        raise PlaceError(f"epsg {code} ({_crs(code).name}) is no CRS of two coordinates on the ground")
    return _to_wgs84(x, y, f"EPSG:{code}")


def _to_wgs84(x: float, y: float, source: str) -> Place:
    """Transform to WGS 84 by the most accurate way that needs no download."""
    if source == WGS84:
        return Place(x, y)
    lon, lat = _transformer(source).transform(x, y)
    if not (math.isfinite(lon) and math.isfinite(lat)):
        raise PlaceError(f"{x:g}, {y:g} is no place in {source}: wrong zone, CRS or order of the two?")
    if not _shifts(source):
        return Place(lon, lat)
    way, accuracy = _datum_change(source, math.floor(lon), math.floor(lat))
    lon, lat = way.transform(x, y)
    note = f"{_datum_name(source)} changed to WGS 84, PROJ gives {accuracy:g} m for the change"
    return Place(lon, lat, accuracy, note)


@cache
def _crs(code: str) -> CRS:
    if not code:
        raise PlaceError("epsg is empty; write the code of the CRS of x and y, such as 32611")
    try:
        return CRS.from_user_input(f"EPSG:{code}" if code.isdigit() else code)
    except CRSError:
        raise PlaceError(f"{code} is no CRS that PROJ knows") from None


def _datum_name(source: str) -> str:
    datum = _crs(source).datum
    return datum.name if datum else source


@cache
def _shifts(source: str) -> bool:
    """Tell whether going to WGS 84 changes the datum."""
    base = _crs(source).geodetic_crs
    return base is None or base.to_epsg() != 4326


@cache
def _transformer(source: str) -> Transformer:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # finer grids exist but would need a download
        return Transformer.from_crs(_crs(source), WGS84, always_xy=True)


@cache
def _datum_change(source: str, lon: int, lat: int) -> tuple[Transformer, float]:
    """Choose PROJ's best offline datum change for a one-degree square, with its accuracy in metres."""
    area = AreaOfInterest(max(lon, -180), max(lat, -90), min(lon + 1, 180), min(lat + 1, 90))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # as in _transformer
        group = TransformerGroup(_crs(source), WGS84, always_xy=True, area_of_interest=area)  # type: ignore[arg-type]
    known = [t for t in group.transformers if t.accuracy is not None and t.accuracy >= 0]
    if not known:
        raise PlaceError(f"PROJ knows no datum change from {source} to WGS 84 at {lat}, {lon}")
    best = min(known, key=lambda t: float(t.accuracy))
    return best, float(best.accuracy)


def datum_shift_m(longitude: float, latitude: float, *, datum: str) -> tuple[float, float]:
    """Return how far a point moves when its coordinates are read as WGS 84 although they are on ``datum``.

    Parameters
    ----------
    longitude, latitude : float
        The true place in WGS 84. [deg]
    datum : str
        The datum that was overlooked.

    Returns
    -------
    tuple of float
        Distance [m] and bearing from true north [deg] from the true to the misread place.

    Raises
    ------
    PlaceError
        The datum is not known.
    """
    way, _ = _datum_change(geographic_crs(datum), math.floor(longitude), math.floor(latitude))
    lon, lat = way.transform(longitude, latitude, direction="INVERSE")
    bearing, _, distance = Geod(ellps="WGS84").inv(longitude, latitude, lon, lat)
    return float(distance), float(bearing % 360)


def said_distance(metres: float) -> str:
    """Say a distance in metres, or in kilometres where it is long.

    Parameters
    ----------
    metres : float
        Distance. [m]

    Returns
    -------
    str
    """
    return f"{metres:.0f} m" if metres < 2000 else f"{metres / 1000:,.1f} km"


@cache
def _ellipsoid() -> Geod:
    return Geod(ellps="WGS84")


def distance_m(lon1: float, lat1: float, lon2: float, lat2: float) -> float:
    """Return the geodesic distance of two points in WGS 84.

    Parameters
    ----------
    lon1, lat1, lon2, lat2 : float
        Places. [deg]

    Returns
    -------
    float
        Distance on the ellipsoid. [m]

    Notes
    -----
    Source: Karney 2013, J. Geodesy 87:43-55, doi:10.1007/s00190-012-0578-z, as in PROJ.
    """
    return float(_ellipsoid().inv(lon1, lat1, lon2, lat2)[2])


def bearing_deg(lon1: float, lat1: float, lon2: float, lat2: float) -> float:
    """Return the bearing in which a second point lies from a first, in WGS 84.

    Parameters
    ----------
    lon1, lat1, lon2, lat2 : float
        Places. [deg]

    Returns
    -------
    float
        From true north at the first point, 0 to 360. [deg]

    Notes
    -----
    Source: Karney 2013, doi:10.1007/s00190-012-0578-z, as in PROJ.
    """
    return float(Geod(ellps="WGS84").inv(lon1, lat1, lon2, lat2)[0]) % 360


def compass_point(bearing_deg: float, *, points: int = 16) -> str:
    """Return the nearest point of the compass.

    Parameters
    ----------
    bearing_deg : float
        From true north. [deg]
    points : {16, 8, 4}
        How finely: 8 for octants (NE), 16 for NNE.

    Returns
    -------
    str
        ``NNE``.
    """
    return COMPASS[round(bearing_deg / (360 / points)) % points * (16 // points)]


def back_bearing(bearing_deg: float) -> float:
    """Return the bearing of the same line seen from its other end, over distances at which a line is straight.

    Parameters
    ----------
    bearing_deg : float
        From any north. [deg]

    Returns
    -------
    float
        From the same north, 0 to 360. [deg]
    """
    return (bearing_deg + 180) % 360


def parse_bearing(text: str) -> tuple[float, float]:
    """Read a compass bearing in degrees or as a compass point.

    Parameters
    ----------
    text : str
        ``140``, ``140 deg``, ``NNE``, ``south-west``, ``north by nothing`` is refused.

    Returns
    -------
    tuple of float
        Bearing in 0..360 [deg] and half the width of what it stands for [deg]: 0.5 for a number, 22.5
        for N, NE, E ..., 11.25 for NNE, ENE ...

    Raises
    ------
    PlaceError
        The text is no bearing.
    """
    folded = re.sub(r"\s{0,9}(°|deg|degrees)\s{0,9}$", "", text.strip(), flags=re.IGNORECASE)
    if re.fullmatch(r"\d{1,3}(\.\d+)?", folded):
        value = float(folded)
        if value > 360:
            raise PlaceError(f"bearing {folded} is over 360 degrees")
        return value % 360, 0.5
    letters = _compass_letters(folded)
    if letters not in COMPASS:
        raise PlaceError(f"bearing '{text}' is not understood; write 0 to 360, or a compass point such as NNE")
    return COMPASS.index(letters) * 22.5, 22.5 if len(letters) < 3 else 11.25


def _compass_letters(text: str) -> str:
    folded = text.casefold()
    for word, letter in COMPASS_WORDS.items():
        folded = folded.replace(word + "ern", letter).replace(word, letter)
    return re.sub(r"[\s-]", "", folded).upper()


def convergence_deg(longitude: float, latitude: float, crs: str) -> float:
    """Return the grid convergence: the bearing of grid north from true north.

    Parameters
    ----------
    longitude, latitude : float
        Place in the geographic CRS of ``crs``. [deg]
    crs : str
        A projected CRS.

    Returns
    -------
    float
        Convergence, east positive; add it to a grid bearing to get the true bearing. [deg]

    Raises
    ------
    PlaceError
        The place cannot be projected.
    """
    try:
        return float(Proj(_crs(crs)).get_factors(longitude, latitude, errcheck=True).meridian_convergence)
    except ProjError as error:
        raise PlaceError(f"{latitude:g}, {longitude:g} cannot be projected to {crs}: {error}") from None


def moved(longitude: float, latitude: float, *, bearing_deg: float, distance_m: float) -> tuple[float, float]:
    """Return the place at a bearing and distance.

    Parameters
    ----------
    longitude, latitude : float
        Start, in WGS 84. [deg]
    bearing_deg : float
        From true north. [deg]
    distance_m : float
        Along the geodesic. [m]

    Returns
    -------
    tuple of float
        Longitude and latitude. [deg]

    Notes
    -----
    Source: Karney 2013, doi:10.1007/s00190-012-0578-z, as in PROJ.
    """
    lon, lat, _ = Geod(ellps="WGS84").fwd(longitude, latitude, bearing_deg, distance_m)
    return float(lon), float(lat)
