"""The one table of columns: name, heading, unit, range, meaning and source of every value we keep."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

DEN_TYPES = ("tree", "ground bed", "rock ledge", "brush", "unknown")
ASPECT_REFERENCES = ("true", "magnetic")
SIGHTINGS = ("outward from the mouth", "toward the mouth")
OFFSET_WAYS = ("laser", "tape", "estimate")
POSITION_METHODS = ("gps averaged", "gps single", "map", "estimate")
MORNING_SUN = ("yes", "no", "not recorded")

_MEMORY = "range from memory, only asks for a second look"
_GEOMETRY = "range by geometry"


@dataclass(frozen=True, slots=True)
class Term:
    """One column: how it is called, what it means and which values are usual or possible.

    ``low`` and ``high`` bound what is plausible (outside: a warning to confirm), ``floor`` and
    ``ceiling`` what is possible (outside: an error). All four are in the term's own unit.
    """

    name: str
    heading: str
    kind: str
    group: str
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    floor: float | None = None
    ceiling: float | None = None
    choices: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    source: str = ""

    def allowed(self) -> str:
        """Say in words which values the term takes."""
        if self.choices:
            return ", ".join(self.choices)
        bounds = [b for b in (self.floor, self.ceiling) if b is not None]
        unit = f" {self.unit}" if self.unit else ""
        if len(bounds) == 2:
            return f"{bounds[0]:g} to {bounds[1]:g}{unit}"
        return f"a {self.kind}{f' of at least {bounds[0]:g}{unit}' if bounds else ''}"


COORDINATE_TERMS = (
    Term("latitude", "Latitude", "text", "place", "latitude: decimal degrees, or degrees, minutes and seconds",
         unit="deg", also=("lat", "breite"), source="ISO 6709"),
    Term("longitude", "Longitude", "text", "place", "longitude, negative or W in the west",
         unit="deg", also=("lon", "long", "lng"), source="ISO 6709"),
    Term("coordinates", "Coordinates", "text", "place", "latitude and longitude in one cell: 44.51 N 118.22 W",
         also=("position", "lat lon", "lat/lon")),
    Term("easting", "Easting", "number", "place", "UTM easting", unit="m", also=("utm e", "utm easting")),
    Term("northing", "Northing", "number", "place", "UTM northing", unit="m", also=("utm n", "utm northing")),
    Term("utm_zone", "UTM zone", "text", "place", "UTM zone with hemisphere: 11N", also=("zone",)),
    Term("mgrs", "MGRS", "text", "place", "military grid reference; the middle of its square is taken",
         also=("grid reference", "usng")),
    Term("x", "x", "number", "place", "first coordinate in the CRS named by epsg (east)"),
    Term("y", "y", "number", "place", "second coordinate in the CRS named by epsg (north)"),
    Term("epsg", "EPSG code", "text", "place", "EPSG code of x and y: 32611", also=("crs", "srid")),
    Term("datum", "Datum", "text", "place", "datum of the coordinates: WGS84, NAD83, NAD27 or an EPSG code",
         also=("geodetic datum",)),
)  # fmt: skip

OFFSET_TERMS = (
    Term("offset_bearing", "Bearing to the den", "text", "place",
         "for a den seen from where the crew stood: bearing from there to the den; the coordinates are then the crew's",
         unit="deg", floor=0, ceiling=360, also=("bearing to den",), source=_GEOMETRY),
    Term("offset_reference", "Bearing to the den from", "choice", "place", "north that this bearing counts from",
         choices=ASPECT_REFERENCES),
    Term("offset_bearing_error_deg", "Error of that bearing", "number", "place",
         "standard error of the bearing to the den, by the crew's own trials", unit="deg", floor=0, ceiling=90,
         also=("offset bearing error",), source=_GEOMETRY),
    Term("offset_distance_m", "Distance to the den", "number", "place",
         "distance from where the crew stood to the den", unit="m", floor=0, also=("distance to den",)),
    Term("offset_by", "Distance by", "choice", "place", "how that distance was got", choices=OFFSET_WAYS),
    Term("offset_distance_error_m", "Error of that distance", "number", "place",
         "standard error of that distance, by the crew's own trials: 0.5, or 20 % of it", unit="m", floor=0,
         also=("offset distance error", "offset error")),
    Term("offset_tilt_deg", "Tilt to the den", "number", "place",
         "angle above (+) or below (-) the level at which a slope distance was taken; blank: the distance is level",
         unit="deg", floor=-90, ceiling=90, also=("tilt to den",), source=_GEOMETRY),
)  # fmt: skip

PLACE_TERMS = (*COORDINATE_TERMS, *OFFSET_TERMS)

STATION_TERMS = (
    Term("station", "Station", "text", "station", "name of the place from which a bearing was taken",
         also=("stand", "receiver")),
    *COORDINATE_TERMS,
    Term("uncertainty_m", "Horizontal uncertainty", "number", "station",
         "radius round the point in which the station lies 95 times of 100",
         unit="m", floor=0, also=("uncertainty", "accuracy", "gps error", "accuracy_m")),
    Term("bearing", "Bearing", "text", "station", "bearing to the signal: degrees, or a compass point such as NNE",
         unit="deg", floor=0, ceiling=360, also=("azimuth", "bearing_deg"), source=_GEOMETRY),
    Term("reference", "Bearing from", "choice", "station", "north that the bearing counts from",
         choices=ASPECT_REFERENCES, also=("north", "bearing reference")),
    Term("date", "Date", "date", "station", "day of the bearing, year first: 2026-02-24", also=("day",)),
    Term("time", "Time", "time", "station", "when the bearing was taken, by the study's clock", also=("clock",)),
    Term("sd_deg", "Bearing error", "number", "station",
         "standard deviation of such bearings, by trials on a transmitter at a known place", unit="deg",
         floor=0, ceiling=90, also=("sd", "bearing error deg"), source=_GEOMETRY),
)  # fmt: skip

DEN_TERMS = (
    Term("den_id", "Den id", "text", "den", "the den's lasting id (UUID); made by densite when left blank"),
    Term("den_label", "Den", "text", "den", "the study's own label of the den site",
         also=("den", "den no", "den number", "site")),
    Term("study", "Study", "text", "den", "label of the study or study area", also=("study label", "study area")),
    Term("uncertainty_m", "Horizontal uncertainty", "number", "den",
         "radius round the point in which the den lies 95 times of 100", unit="m", floor=0, low=1, high=300,
         also=("uncertainty", "accuracy", "gps error", "accuracy_m"), source=_MEMORY),
    Term("position_method", "Position by", "choice", "den", "how the point was measured",
         choices=POSITION_METHODS, also=("method", "fix method")),
    Term("den_type", "Den type", "choice", "den", "type of den; unknown is allowed, blank is not",
         choices=DEN_TYPES, also=("type",), source="terms of the trade"),
    Term("den_subtype", "Subtype", "text", "den", "finer type in the study's own words", also=("subtype",)),
    Term("aspect", "Entrance aspect as read", "text", "den",
         "bearing the entrance faces, downslope or outward: degrees, or a compass point such as NNE",
         unit="deg", floor=0, ceiling=360, also=("entrance aspect", "aspect_deg", "facing", "bearing"),
         source=_GEOMETRY),
    Term("aspect_reference", "Bearing from", "choice", "den", "north that the bearing counts from",
         choices=ASPECT_REFERENCES, also=("north", "aspect ref", "bearing reference")),
    Term("aspect_sighted", "Bearing sighted", "choice", "den",
         "where the observer looked: outward from the mouth (taken when blank), or toward the mouth from outside",
         choices=SIGHTINGS, also=("sighted",)),
    Term("slope_deg", "Ground slope", "number", "den", "ground slope measured at the den", unit="deg",
         floor=0, ceiling=90, low=0, high=60, also=("slope deg", "slope (deg)", "slope degrees"), source=_MEMORY),
    Term("slope_pct", "Ground slope in percent", "number", "den",
         "ground slope measured at the den, rise over run; kept in degrees", unit="%", floor=0, low=0, high=175,
         also=("slope pct", "slope (%)", "slope percent"), source="175 % is 60 deg; " + _MEMORY),
    Term("canopy_pct", "Canopy cover", "number", "den", "canopy cover seen above the den", unit="%",
         floor=0, ceiling=100, also=("canopy", "canopy cover"), source=_GEOMETRY),
    Term("concealment_pct", "Concealment", "number", "den", "share of the den hidden from a viewer", unit="%",
         floor=0, ceiling=100, also=("concealment", "horizontal cover"), source=_GEOMETRY),
    Term("cover_species", "Cover species", "text", "den", "plants that cover the den", also=("species",)),
    Term("cover_notes", "Cover notes", "text", "den", "the cover in words", also=("cover",)),
    Term("entrance_height_cm", "Entrance height", "number", "den", "height of the entrance opening", unit="cm",
         floor=0, low=10, high=300, also=("entrance height",), source=_MEMORY),
    Term("entrance_width_cm", "Entrance width", "number", "den", "width of the entrance opening", unit="cm",
         floor=0, low=10, high=400, also=("entrance width",), source=_MEMORY),
    Term("depth_cm", "Depth", "number", "den", "depth from the entrance to the back", unit="cm",
         floor=0, low=10, high=1500, also=("depth", "den depth"), source=_MEMORY),
    Term("tree_species", "Tree species", "text", "den", "species of the den tree", also=("tree",)),
    Term("tree_diameter_cm", "Tree diameter", "number", "den", "diameter of the den tree at breast height",
         unit="cm", floor=0, low=20, high=250, also=("dbh", "dbh cm", "tree diameter"), source=_MEMORY),
    Term("entrance_above_ground_m", "Entrance above ground", "number", "den",
         "height of the entrance over the ground", unit="m", floor=0, low=0, high=30,
         also=("entrance above ground", "height of entrance"), source=_MEMORY),
    Term("protection_notes", "Protection", "text", "den", "shelter from rain, wind, flood and other animals",
         also=("protection",)),
    Term("morning_sun", "Morning sun seen", "choice", "den", "whether morning sun was seen on the den",
         choices=MORNING_SUN, also=("sun", "morning sun")),
    Term("first_found", "First found", "date", "den", "day on which the den was first found",
         also=("date found", "found")),
    Term("observer", "Observer", "text", "den", "who described the den", also=("observed by", "recorder")),
    Term("notes", "Notes", "text", "den", "anything else, in words", also=("remarks", "comment", "comments")),
)  # fmt: skip

VISIT_TERMS = (
    Term("date", "Date of visit", "date", "visit", "day of the visit, year first: 2026-02-24",
         also=("visit date", "observed at", "observed_at", "day")),
    Term("crew", "Crew", "text", "visit", "people of the crew", also=("party", "team")),
    Term("female", "Female", "text", "visit", "id of the marked female", also=("animal", "animal id", "female id")),
    Term("purpose", "Purpose", "text", "visit", "why the crew went", also=("reason for visit",)),
    Term("entered_at", "Entered at", "date", "visit", "when the record was typed in, if later than the visit",
         also=("entry date", "date entered")),
    Term("confirmed", "Confirmed", "choice", "visit", "yes: a person looked at the doubts and they are right",
         choices=("yes", "no")),
)  # fmt: skip

KEPT_TERMS = (
    Term("label", "Den", "text", "kept", "label of the den site, unique in the study"),
    Term("position_note", "Position note", "text", "kept", "what densite did to the coordinates"),
    Term("aspect_read", "Aspect as read", "text", "kept", "the bearing as the crew wrote it"),
    Term("aspect_deg", "Entrance aspect", "number", "kept", "bearing of the entrance from true north",
         unit="deg", floor=0, ceiling=360, source=_GEOMETRY),
    Term("aspect_error_deg", "Aspect read to", "number", "kept", "half the width of what was read", unit="deg"),
    Term("declination_deg", "Declination", "number", "kept", "added to a magnetic bearing, east positive",
         unit="deg",
         source="World Magnetic Model, NOAA NCEI and BGS; before 2015 the IGRF of IAGA"),
    Term("declination_model", "Magnetic model", "text", "kept", "model that gave the declination"),
    Term("slope_read", "Slope as read", "text", "kept", "the slope as the crew wrote it"),
    Term("visit_id", "Visit id", "text", "kept", "the visit's lasting id (UUID)"),
    Term("observed_on", "Date of visit", "date", "kept", "day on which the crew was at the den"),
    Term("recorded_at", "Recorded at", "date", "kept", "when densite took the record in, UTC"),
    Term("source_file", "Source file", "text", "kept", "crew file that the record came from"),
    Term("source_line", "Source line", "number", "kept", "line of that file"),
    Term("settled", "Settled", "text", "kept", "fields of the den whose doubts a person has confirmed"),
    Term("filled", "Filled in", "text", "kept", "fields of the den that were blank and that this visit filled in"),
    Term("row_key", "Row key", "text", "kept", "fingerprint of the crew's row: the same row goes in once"),
    Term("as_recorded", "As recorded", "text", "kept", "the crew's row, word for word, as JSON"),
)  # fmt: skip

DERIVED_TERMS = (
    Term("elevation_m", "Elevation", "number", "derived", "height of the DEM cell at the den", unit="m"),
    Term("derived_slope_deg", "Slope of the DEM", "number", "derived",
         "slope from the 3 x 3 cells round the den", unit="deg", floor=0, ceiling=90,
         source="Horn 1981, doi:10.1109/PROC.1981.11918"),
    Term("derived_aspect_deg", "Aspect of the DEM", "number", "derived",
         "downslope bearing from true north; flat ground has none", unit="deg", floor=0, ceiling=360,
         source="Horn 1981, doi:10.1109/PROC.1981.11918"),
    Term("heat_load", "Heat load", "number", "derived", "potential heat load, ln(MJ cm-2 yr-1)",
         source="McCune & Keon 2002, J. Veg. Sci. 13:603-606"),
    Term("direct_radiation", "Direct radiation", "number", "derived",
         "potential direct incident radiation, ln(MJ cm-2 yr-1)",
         source="McCune & Keon 2002, J. Veg. Sci. 13:603-606"),
    Term("topographic_position_m", "Topographic position", "number", "derived",
         "height above the mean of the disc round the den", unit="m"),
    Term("sun_day_h", "Direct sun", "number", "derived",
         "mean hours a day in the study's dates with the sun over the terrain's horizon; no clouds, no trees", unit="h",
         floor=0, ceiling=24, source="sun: IAU SOFA; refraction: Reda & Andreas 2004"),
    Term("sun_morning_h", "Morning sun", "number", "derived", "direct sun before true solar noon, mean hours a day",
         unit="h", floor=0, ceiling=12, source="sun: IAU SOFA; refraction: Reda & Andreas 2004"),
    Term("sun_afternoon_h", "Afternoon sun", "number", "derived", "direct sun after true solar noon, mean hours a day",
         unit="h", floor=0, ceiling=12, source="sun: IAU SOFA; refraction: Reda & Andreas 2004"),
    Term("horizon_unknown_share", "Horizon unknown", "share", "derived",
         "share of the directions in which the DEM ends or has a gap within the reach"),
    Term("slope_difference_deg", "Slope: field minus DEM", "number", "derived",
         "slope measured at the den minus slope of the DEM", unit="deg"),
    Term("aspect_difference_deg", "Aspect: field minus DEM", "number", "derived",
         "signed smallest angle from the DEM's aspect to the one read at the den", unit="deg"),
    Term("slope_disagrees", "Slopes disagree", "yes/no", "derived", "difference beyond the study's tolerance"),
    Term("aspect_disagrees", "Aspects disagree", "yes/no", "derived", "difference beyond the study's tolerance"),
    Term("cover_class", "Land cover", "text", "derived", "land-cover class of the cell at the den"),
    Term("cover_share", "Share of land cover", "share", "derived", "share of a class in the disc, cut cells by area"),
    Term("cover_missing_share", "Land cover without data", "share", "derived", "share of the disc without data"),
    Term("canopy_mean_pct", "Mean canopy", "number", "derived", "mean canopy in the disc", unit="%"),
    Term("canopy_missing_share", "Canopy without data", "share", "derived", "share of the disc without data"),
    Term("canopy_at_den_pct", "Canopy of the cell", "number", "derived", "canopy of the cell at the den", unit="%"),
    Term("impervious_mean_pct", "Mean imperviousness", "number", "derived", "mean imperviousness in the disc",
         unit="%"),
    Term("impervious_missing_share", "Imperviousness without data", "share", "derived",
         "share of the disc without data"),
    Term("impervious_at_den_pct", "Imperviousness of the cell", "number", "derived",
         "imperviousness of the cell at the den", unit="%"),
    Term("roads_distance_m", "Nearest road", "number", "derived", "distance to the nearest road", unit="m"),
    Term("buildings_distance_m", "Nearest building", "number", "derived", "distance to the nearest building",
         unit="m"),
    Term("streams_distance_m", "Nearest stream", "number", "derived", "distance to the nearest stream", unit="m"),
    Term("gradient_missing_share", "Measure without data", "share", "derived",
         "share of the measure's disc without data"),
    Term("gradient", "Urban-to-rural measure", "number", "derived", "the study's continuous gradient at the den"),
    Term("landscape_class", "Landscape class", "text", "derived", "named interval of the gradient at the den"),
    Term("class_certain", "Class certain", "yes/no", "derived",
         "no: the den's uncertainty reaches into another class"),
    Term("class_could_be", "Class could be", "text", "derived", "other classes within the den's uncertainty"),
)  # fmt: skip

RECORDED_TERMS = (*PLACE_TERMS, *DEN_TERMS, *VISIT_TERMS)


@cache
def by_name() -> Mapping[str, Term]:
    """Return all terms keyed by name; asked for with every row of a crew file, so made once.

    Returns
    -------
    mapping of str to Term
        Read-only.
    """
    return MappingProxyType({term.name: term for term in (*RECORDED_TERMS, *KEPT_TERMS, *DERIVED_TERMS)})


def spelled(text: str) -> str:
    """Fold a heading to the form in which headings are compared.

    Parameters
    ----------
    text : str
        A column heading as a crew wrote it.

    Returns
    -------
    str
        Lower case, with runs of spaces, underscores, dots and dashes as one space.
    """
    for mark in "_.-":
        text = text.replace(mark, " ")
    return " ".join(text.casefold().split())


def recognised(terms: Iterable[Term] = RECORDED_TERMS) -> dict[str, str]:
    """Return every documented heading, folded by :func:`spelled`, with the term it stands for.

    Parameters
    ----------
    terms : iterable of Term
        The columns that a file may have: those of den visits by default.

    Returns
    -------
    dict of str to str
    """
    return {spelled(heading): term.name for term in terms for heading in (*term.also, term.heading, term.name)}
