"""Which screen of the phone form holds which terms, in the order of the work."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from densite.animalterms import KINDS
from densite.terms import DEN_TERMS, PLACE_TERMS, VISIT_TERMS, Term

DEN = "den"  # a den entry holds the columns of place, den and visit, as a row of a crew file does


@dataclass(frozen=True, slots=True)
class Section:
    """Fields that stand together under one heading.

    ``name`` is the heading's key, ``terms`` are keys as ``kind.name``. A ``special`` section has its own
    way of being filled. With ``many`` there is a card for each record of that kind. With ``when`` it only
    shows while a field of the den has that value.
    """

    name: str
    terms: tuple[str, ...] = ()
    special: str = ""
    many: str = ""
    when: tuple[str, str] | tuple[()] = ()


@dataclass(frozen=True, slots=True)
class Screen:
    """One stretch of the work at a den."""

    name: str
    sections: tuple[Section, ...]


def _of(kind: str, names: str) -> tuple[str, ...]:
    return tuple(f"{kind}.{name}" for name in names.split())


SCREENS = (
    Screen("arriving", (
        Section("reminders", special="reminders"),
        Section("visit", _of(DEN, "date female crew observer purpose")),
        Section("permit", _of("handling", "permit"), special="permits"),
    )),
    Screen("den", (
        Section("label", _of(DEN, "den_label")),
        Section("place", _of(DEN, "latitude longitude easting northing utm_zone mgrs datum uncertainty_m "
                             "position_method"), special="place"),
        Section("offset", _of(DEN, "offset_bearing offset_reference offset_distance_m offset_by offset_tilt_deg "
                              "offset_distance_error_m offset_bearing_error_deg"), special="folded"),
        Section("type", _of(DEN, "den_type den_subtype"), special="type"),
        Section("tree", _of(DEN, "tree_species tree_diameter_cm entrance_above_ground_m"), when=("den_type", "tree")),
        Section("facing", _of(DEN, "aspect aspect_sighted aspect_reference"), special="facing"),
        Section("slope", _of(DEN, "slope_deg slope_pct"), special="slope"),
        Section("photos", special="photos"),
        Section("entrance", _of(DEN, "entrance_height_cm entrance_width_cm depth_cm")),
        Section("cover", _of(DEN, "canopy_pct concealment_pct cover_species cover_notes")),
        Section("shelter", _of(DEN, "protection_notes morning_sun first_found")),
        Section("notes", _of(DEN, "notes")),
    )),
    Screen("female", (
        Section("approach", _of("handling", "approached estimated_mass_kg darted down first_handled")),
        Section("drugs", many="drug"),
        Section("care", _of("handling", "airway_checked eyes_lubricated eyes_covered")),
        Section("vitals", many="reading"),
        Section("marks", many="mark"),
        Section("measures", _of("handling", "mass_kg zygomatic_mm body_length_cm girth_cm condition_score lactating "
                                "cubs_counted injuries")),
        Section("procedures", _of("handling", "procedures"), special="procedures"),
        Section("waking", _of("handling", "last_handled reversed head_up")),
        Section("handling_notes", _of("handling", "notes")),
    )),
    Screen("cubs", (Section("cubs", many="cub"),)),
    Screen("samples", (Section("samples", many="sample"),)),
    Screen("leaving", (
        Section("missing", special="missing"),
        Section("away", _of("handling", "left")),
        Section("checks", many="check"),
    )),
)  # fmt: skip

# The fields of one card, the ones that are always wanted first.
CARDS = MappingProxyType({
    "drug": _of("drug", "given drug volume_ml route drug_purpose lot planned_ml notes"),
    "reading": _of("reading", "read heart_rate respiration temperature_c thermometer spo2_pct airway mucous_colour "
                   "refill_s action notes"),
    "mark": _of("mark", "mark_event mark_kind side mark_code colour body_site neck_cm collar_gap_cm battery_pct "
                "drop_off_on notes"),
    "cub": _of("cub", "cub_no sex mass_g eyes teeth zygomatic_mm ear_mm ear_landmark hair_mm hair_landmark "
               "transponder sample_label cub_id minutes_out scent_masked state_back dead notes"),
    "sample": _of("sample", "sample_label tissue animal preservative vial storage notes"),
    "check": _of("check", "checked_on checked checked_by at_den moved_m cubs_heard action notes"),
})  # fmt: skip

# What a study usually wants of a visit; the form asks for it and stops nobody.
WANTED = MappingProxyType({
    DEN: ("crew", "observer", "uncertainty_m", "aspect", "canopy_pct", "concealment_pct",
          "entrance_height_cm", "entrance_width_cm", "depth_cm"),
    "handling": ("permit", "last_handled", "left"),
    "cub": ("mass_g", "eyes", "minutes_out", "state_back"),
    "sample": ("preservative",),
})  # fmt: skip

# What a record of another kind takes from the den entry to which it belongs, where its own field is blank.
INHERITED = MappingProxyType({
    kind: {term.name: {"animal": "female"}.get(term.name, term.name) for term in KINDS[kind].terms
           if term.name in ("date", "den_label", "animal", "female", "observer")}
    for kind in ("handling", *CARDS)
})  # fmt: skip

RECORDS = (DEN, "handling", *CARDS)


@cache
def term_of(key: str) -> Term:
    """Return the term of a key.

    Parameters
    ----------
    key : str
        ``den.aspect`` (also for columns of place and visit), or ``cub.mass_g``.

    Returns
    -------
    Term
    """
    kind, name = key.split(".")
    return next(term for term in _terms_of(kind) if term.name == name)


def _terms_of(kind: str) -> tuple[Term, ...]:
    return (*PLACE_TERMS, *DEN_TERMS, *VISIT_TERMS) if kind == DEN else KINDS[kind].terms


def all_keys() -> tuple[str, ...]:
    """Return the keys of all columns of the records that the form makes; the checks look at more than is shown."""
    return tuple(f"{kind}.{term.name}" for kind in RECORDS for term in _terms_of(kind))


@cache
def shown_keys() -> tuple[str, ...]:
    """Return the keys of all fields of the form, in its order."""
    found = (key for screen in SCREENS for section in screen.sections
             for key in (*section.terms, *CARDS.get(section.many, ())))  # fmt: skip
    return tuple(dict.fromkeys(found))
