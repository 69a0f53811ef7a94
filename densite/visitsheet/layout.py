"""What stands where on the sheet of a den visit, in the order in which the work is done."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from densite.animalterms import KINDS, MARK_KINDS, SIDES
from densite.terms import DEN_TERMS, PLACE_TERMS, VISIT_TERMS, Term

WIDTH = 196  # all widths in mm; A4 and US Letter both leave as much
LEFT, RIGHT = 133, 62
STEP_MIN, LAST_MIN = 5, 60  # rows of the vitals' grid, minutes since darted
SPARE_READINGS = 2
DRUG_ROWS, SAMPLE_ROWS, CUB_COLUMNS = 4, 4, 4
TRANSPONDER_DIGITS = 15  # ISO 11784, as printed on the reader

CAUTIONS = (
    "Immobilise only under permit and a veterinary protocol. Drugs are dangerous to people: know the emergency plan. "
    "Gloves: zoonoses.",
    "Watch for hypothermia and hyperthermia. Keep cubs warm. Have the orphan plan at hand. densite gives no dose "
    "and no limit.",
)


@dataclass(frozen=True, slots=True)
class Box:
    """A field to write in or to tick: its term, as ``kind.name``, and its width with its heading. [mm]

    One that is not ``named`` speaks for itself: its heading is there for screen readers only.
    """

    key: str
    width: int
    named: bool = True


@dataclass(frozen=True, slots=True)
class Title:
    """A section's number and name at the head of its first row, with the width it takes. [mm]"""

    number: int
    text: str
    width: int


@dataclass(frozen=True, slots=True)
class Slot:
    """The place of one mark: kind and side are printed, the rows below are for one record. [mm]"""

    mark_kind: str
    side: str
    width: int

    @property
    def text(self) -> str:
        """What is printed: ``ear tag left``."""
        return f"{self.mark_kind} {self.side}".strip()


Row = tuple[Box | Title | Slot, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its term and its width [mm]; ``hint`` prints the choices below the heading."""

    key: str
    width: float
    hint: bool = False


ARRIVE: tuple[Row, ...] = (
    (Title(1, "Arrive", 18), Box("den.den_label", 40), Box("visit.date", 38), Box("visit.female", 34),
     Box("handling.permit", 32), Box("handling.observer", 34)),
    (Box("visit.crew", 69), Box("visit.purpose", 45), Box("den.position_method", 82)),
    (Box("place.coordinates", 96), Box("place.datum", 40), Box("den.uncertainty_m", 60)),
)  # fmt: skip

APPROACH: tuple[Row, ...] = (
    (Title(2, "Approach and drugs", 37), Box("handling.approached", 26), Box("handling.darted", 25),
     Box("handling.estimated_mass_kg", 45)),
)  # fmt: skip

DRUGS = (
    Column("drug.given", 13), Column("drug.drug", 24), Column("drug.lot", 20), Column("drug.planned_ml", 16),
    Column("drug.volume_ml", 16), Column("drug.route", 18, hint=True), Column("drug.drug_purpose", 26, hint=True),
)  # fmt: skip

DOWN: tuple[Row, ...] = (
    (Title(3, "Down", 17), Box("handling.down", 26), Box("handling.first_handled", 35),
     Box("handling.airway_checked", 55)),
    (Box("handling.eyes_lubricated", 68), Box("handling.eyes_covered", 65)),
)  # fmt: skip

VITALS_HEAD: tuple[Row, ...] = ((Title(4, "Vitals", 19), Box("reading.thermometer", 114)),)

VITALS = (
    Column("reading.read", 12), Column("reading.heart_rate", 13), Column("reading.respiration", 14.5),
    Column("reading.temperature_c", 15.5), Column("reading.spo2_pct", 9), Column("reading.airway", 16.5, hint=True),
    Column("reading.mucous_colour", 14.5), Column("reading.refill_s", 11.5), Column("reading.action", 17),
)  # fmt: skip
MINUTE_WIDTH = 9.5

_HAPPENED: Row = (Box("mark.mark_event", RIGHT, named=False),)
MARK_BLOCKS: tuple[tuple[Row, ...], ...] = (
    ((Title(5, "Marks", 17), Slot("collar", "", 11), Box("mark.mark_code", 34, named=False)),
     (Box("mark.neck_cm", 31), Box("mark.collar_gap_cm", 31)),
     (Box("mark.battery_pct", 25), Box("mark.drop_off_on", 37)), _HAPPENED),
    *(((Slot("ear tag", side, 19), Box("mark.mark_code", 20, named=False), Box("mark.colour", 23)), _HAPPENED)
      for side in SIDES),
    ((Slot("transponder", "", 19), Box("mark.body_site", 43)), (Box("mark.mark_code", RIGHT, named=False),), _HAPPENED),
    ((Slot("lip tattoo", "", 19), Box("mark.mark_code", 43, named=False)), _HAPPENED),
    ((Box("mark.mark_kind", 33), Box("mark.mark_code", 29)), _HAPPENED),
)  # fmt: skip

MEASURES: tuple[Row, ...] = (
    (Title(6, "Measures", 19), Box("handling.mass_kg", 22), Box("handling.condition_score", 21)),
    (Box("handling.lactating", RIGHT),),
    (Box("handling.zygomatic_mm", 37), Box("handling.cubs_counted", 25)),
    (Box("handling.body_length_cm", 33), Box("handling.girth_cm", 29)),
    (Box("handling.injuries", RIGHT),),
)

SAMPLES_TITLE = Title(7, "Samples", 16)
SAMPLES = (Column("sample.sample_label", 18), Column("sample.tissue", 27, hint=True), Column("sample.preservative", 17))

CUBS_TITLE = Title(8, "Cubs", 36)
CUB_HEADING = 38
CUB_PARTS = (12.0, 8.0, 19.5)  # a cub's column is cut in three, so that halves and uneven pairs share one table
# Term and the number of parts it takes; a row has all three.
CUB_ROWS: tuple[tuple[tuple[str, int], ...], ...] = (
    (("cub.sex", 2), ("cub.mass_g", 1)),
    (("cub.eyes", 3),),
    (("cub.teeth", 3),),
    (("cub.zygomatic_mm", 2), ("cub.dead", 1)),
    (("cub.ear_mm", 2), ("cub.sample_label", 1)),
    (("cub.ear_landmark", 3),),
    (("cub.hair_mm", 1), ("cub.hair_landmark", 2)),
    (("cub.transponder", 3),),
    (("cub.scent_masked", 2), ("cub.minutes_out", 1)),
    (("cub.state_back", 3),),
)

DEN: tuple[Row, ...] = (
    (Title(9, "Den", 15), Box("den.den_type", 97), Box("den.den_subtype", 44), Box("den.first_found", 40)),
    (Box("den.aspect", 54), Box("den.aspect_reference", 50), Box("den.slope_deg", 40), Box("den.slope_pct", 52)),
    (Box("den.canopy_pct", 38), Box("den.concealment_pct", 36), Box("den.entrance_height_cm", 42),
     Box("den.entrance_width_cm", 42), Box("den.depth_cm", 38)),
    (Box("den.cover_species", 60), Box("den.cover_notes", 70), Box("den.protection_notes", 66)),
    (Box("den.tree_species", 39), Box("den.tree_diameter_cm", 40), Box("den.entrance_above_ground_m", 50),
     Box("den.morning_sun", 67)),
)  # fmt: skip

SIGNATURE = Title(0, "Signature", 54)
LEAVING: tuple[Row, ...] = (
    (Title(10, "Leaving", 22), Box("handling.last_handled", 34), Box("handling.reversed", 27),
     Box("handling.head_up", 27), Box("handling.left", 32), SIGNATURE),
)  # fmt: skip

CHECK: tuple[Row, ...] = (
    (Title(11, "After 24 to 72 h", 32), Box("check.checked_on", 36), Box("check.checked", 30),
     Box("check.checked_by", 98)),
    (Box("check.at_den", 56), Box("check.moved_m", 30), Box("check.cubs_heard", 56), Box("check.action", 54)),
)  # fmt: skip

ALL_ROWS: tuple[Row, ...] = (
    *ARRIVE, *APPROACH, *DOWN, *VITALS_HEAD, *MEASURES, *DEN, *LEAVING, *CHECK,
    *(row for block in MARK_BLOCKS for row in block),
)  # fmt: skip

# The letters by which intake knows these choices, where a cell has no room for the words.
LETTERED = frozenset({"cub.sex"})


@cache
def term_of(key: str) -> Term:
    """Return the term of a key.

    Parameters
    ----------
    key : str
        ``kind.name``: a kind of ``KINDS``, or ``den``, ``visit``, ``place``.

    Returns
    -------
    Term
    """
    kind, name = key.split(".")
    tables = {"den": DEN_TERMS, "visit": VISIT_TERMS, "place": PLACE_TERMS}
    terms = tables[kind] if kind in tables else KINDS[kind].terms
    return next(term for term in terms if term.name == name)


@cache
def printed_keys() -> frozenset[str]:
    """Return the keys of all fields on the front of the sheet."""
    boxes = {cell.key for row in ALL_ROWS for cell in row if isinstance(cell, Box)}
    columns = {column.key for column in (*DRUGS, *VITALS, *SAMPLES)}
    cubs = {key for row in CUB_ROWS for key, _ in row}
    printed = {"mark.mark_kind", "mark.side", "cub.cub_no", "cub.cub_id"}
    return frozenset(boxes | columns | cubs | printed)


def slots() -> tuple[tuple[str, str] | None, ...]:
    """Return kind and side for which each block of marks is printed; None takes any mark."""
    found = [next((cell for cell in block[0] if isinstance(cell, Slot)), None) for block in MARK_BLOCKS]
    return tuple(None if slot is None else (slot.mark_kind, slot.side) for slot in found)


def mark_names() -> tuple[str, ...]:
    """Return what is printed on the slots: kinds of mark, with side where there are two."""
    sides = {"ear tag": SIDES}
    return tuple(f"{kind} {side}".strip() for kind in MARK_KINDS for side in sides.get(kind, ("",)))


def widths() -> frozenset[float]:
    """Return all widths of fields, titles and columns. [mm]"""
    cells = {float(cell.width) for row in ALL_ROWS for cell in row}
    columns = {column.width for column in (*DRUGS, *VITALS, *SAMPLES)}
    return frozenset(
        cells | columns | {*CUB_PARTS, CUB_HEADING, MINUTE_WIDTH, SAMPLES_TITLE.width, CUBS_TITLE.width, 40}
    )
