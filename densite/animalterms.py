"""Columns of the animals' side of the register: what each kind of record may hold, with units and ranges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from densite.terms import Term

SEXES = ("female", "male", "unknown")
AGE_CLASSES = ("cub", "yearling", "subadult", "adult", "unknown")
MARK_KINDS = ("transponder", "ear tag", "lip tattoo", "collar")
MARK_EVENTS = ("put on", "seen", "lost", "removed", "failed")
SIDES = ("left", "right")
YES_NO = ("yes", "no")
SEEN = ("yes", "no", "not known")
PROCEDURES = (
    "immobilise", "fit collar", "ear tag", "transponder", "lip tattoo", "draw tooth", "blood", "hair", "tissue",
    "handle cubs",
)  # fmt: skip
THERMOMETERS = ("rectal by hand", "rectal deep", "other")
AIRWAYS = ("clear", "obstructed")
ROUTES = ("dart", "pole", "hand", "other")
DRUG_PURPOSES = ("immobilise", "top up", "reverse", "other")
EYES = ("closed", "opening", "open")
EAR_LANDMARKS = ("tragus to tip", "notch to tip")
TISSUES = ("ear punch", "hair", "blood", "tooth", "swab", "faeces", "other")
CUSTODY_STEPS = (
    "collected", "stored", "handed over", "shipped", "received", "analysed", "returned", "discarded",
)  # fmt: skip
CHECKED_BY = ("gps", "vhf", "camera", "listening", "visit", "other")

_MEMORY = "range from memory, only asks for a second look"
_GEOMETRY = "range by definition"


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of record: its columns, those it cannot do without, and those by which a file is known.

    A file holds this kind when all of ``needed`` and, if there are any, one of ``telling`` stand
    among its headings. ``key`` names the columns that together tell two records apart.
    """

    name: str
    heading: str
    meaning: str
    terms: tuple[Term, ...]
    needed: tuple[str, ...]
    key: tuple[str, ...]
    telling: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """Names under which a record's values are kept: a time has two, UTC and local."""
        return tuple(name for term in self.terms for name in kept_as(term))


def kept_as(term: Term) -> tuple[str, ...]:
    """Return the columns in which a term's value is kept.

    Parameters
    ----------
    term : Term
        A column of a crew file.

    Returns
    -------
    tuple of str
        ``darted_at`` (UTC) and ``darted_local`` (as the clock at the den showed it, with its offset)
        for the time ``darted``; the name itself for anything else.
    """
    return (f"{term.name}_at", f"{term.name}_local") if term.kind == "time" else (term.name,)


def _text(name: str, heading: str, meaning: str, *also: str) -> Term:
    return Term(name, heading, "text", "animals", meaning, also=also)


def _day(name: str, heading: str, meaning: str, *also: str) -> Term:
    return Term(name, heading, "date", "animals", meaning, also=also)


def _time(name: str, heading: str, meaning: str, *also: str) -> Term:
    return Term(name, heading, "time", "animals", f"{meaning}; local time, 08:14", also=also)


def _choice(name: str, heading: str, choices: tuple[str, ...], meaning: str, *also: str) -> Term:
    return Term(name, heading, "choice", "animals", meaning, choices=choices, also=also)


ANIMAL = _text("animal", "Animal", "the animal's id in the study", "animal id", "bear", "bear id")
DATE = _day("date", "Date", "day of the visit on which it was done, year first: 2026-02-24", "day", "visit date")
DEN = _text("den_label", "Den", "the study's own label of the den site", "den", "den no", "den number", "site")
SAMPLE = _text("sample_label", "Sample", "label on the sample's vial or envelope", "sample", "sample id", "label")
PERMIT = _text("permit", "Permit", "number of the permit", "permit no", "permit id")

COMMON_TERMS = (
    _text("observer", "Written by", "who wrote it down", "observed by", "recorder"),
    _text("notes", "Notes", "anything else, in words", "remarks", "comment", "comments"),
    _day("entered_at", "Entered at", "when the record was typed in, if later", "entry date", "date entered"),
    _choice("confirmed", "Confirmed", YES_NO, "yes: a person looked at the doubts and they are right"),
    _text("corrects", "Corrects", "record id of the record that this row takes the place of; both are kept"),
    _text("correction_reason", "Why corrected", "why the record is corrected or withdrawn"),
    _choice("withdrawn", "Withdrawn", YES_NO, "yes, with corrects: the record never should have been; it is kept"),
)

_ANIMAL = (
    ANIMAL,
    _choice("sex", "Sex", SEXES, "sex of the animal; unknown is allowed, blank is not"),
    _choice("age_class", "Age class", AGE_CLASSES, "age class when first seen", "age"),
    Term("cementum_age_y", "Cementum age", "number", "animals", "age read from a tooth's cementum", unit="y",
         floor=0, low=0, high=35, also=("cementum age", "tooth age"), source=_MEMORY),
    Term("cementum_year", "Tooth drawn in", "number", "animals", "year in which the tooth was drawn",
         floor=1900, ceiling=2200, also=("year of tooth",), source=_GEOMETRY),
    _day("born_on", "Born on", "birth date known from elsewhere, such as a camera: never one that was estimated",
         "birth date", "born"),
    _text("dam", "Dam", "id of the mother, where known", "mother"),
    _text("sire", "Sire", "id of the father, where known", "father"),
    _day("first_seen", "First seen", "day on which the study first met the animal"),
    _text("species", "Species", "species, in the study's words"),
)  # fmt: skip

_MARK = (
    ANIMAL, DATE,
    _choice("mark_kind", "Kind of mark", MARK_KINDS, "what kind of mark", "mark kind"),
    _text("mark_code", "Mark's number", "number or text of the mark; the serial of a collar", "mark no", "code",
          "serial"),
    _choice("mark_event", "What happened", MARK_EVENTS, "what happened to the mark on that day", "event"),
    _choice("side", "Side", SIDES, "ear that carries the tag, as the animal's own left or right", "ear"),
    _text("colour", "Colour", "colour of the tag", "color"),
    _text("body_site", "Place on the body", "where the transponder sits"),
    Term("neck_cm", "Neck", "number", "animals", "circumference of the neck under the collar", unit="cm", floor=0,
         low=20, high=100, also=("neck", "neck circumference"), source=_MEMORY),
    Term("collar_gap_cm", "Gap", "number", "animals", "gap between neck and collar as fitted", unit="cm", floor=0,
         low=0, high=15, also=("gap",), source=_MEMORY),
    Term("battery_pct", "Battery", "number", "animals", "charge of the collar's battery", unit="%", floor=0,
         ceiling=100, also=("battery",), source=_GEOMETRY),
    _day("drop_off_on", "Drops off on", "day for which the collar's drop-off is set", "drop off", "drop off date"),
)  # fmt: skip

TIMES = (
    _time("approached", "Approach", "when the crew came near the den", "approach time", "approach"),
    _time("darted", "Darted", "when the first drug was given", "dart time", "time darted"),
    _time("down", "Down", "when she was down", "down time", "time down"),
    _time("first_handled", "First handled", "when she was first touched", "first handled time"),
    _time("last_handled", "Last handled", "when she was last touched", "last handled time"),
    _time("reversed", "Reversal", "when the reversal was given", "reversal time", "reversal"),
    _time("head_up", "Head up", "when she lifted her head", "head up time"),
    _time("left", "Crew away", "when the crew left the den", "crew away", "departed", "depart time"),
)

_HANDLING = (
    ANIMAL, DATE, DEN, PERMIT, *TIMES,
    _text("procedures", "Procedures", f"what was done, separated by semicolons: {', '.join(PROCEDURES)}"),
    Term("estimated_mass_kg", "Estimated mass", "number", "animals", "mass estimated before drugs were drawn",
         unit="kg", floor=0, low=30, high=200, also=("estimated mass", "est mass"), source=_MEMORY),
    Term("mass_kg", "Mass", "number", "animals", "mass as weighed", unit="kg", floor=0, low=30, high=200,
         also=("mass", "weight", "weight kg"), source=_MEMORY),
    _choice("eyes_lubricated", "Eyes lubricated", YES_NO, "whether the eyes were lubricated"),
    _choice("eyes_covered", "Eyes covered", YES_NO, "whether the eyes were covered"),
    _choice("airway_checked", "Airway checked", YES_NO, "whether the airway was checked"),
    Term("condition_score", "Condition", "number", "animals", "body condition, 1 thin to 5 fat, by the study's scale",
         floor=1, ceiling=5, also=("condition", "bcs"), source="the study's own scale"),
    _choice("lactating", "Lactating", SEEN, "whether milk could be expressed", "lactation"),
    _text("injuries", "Injuries", "injuries found or caused, in words"),
    Term("zygomatic_mm", "Zygomatic width", "number", "animals", "width over the cheek bones", unit="mm", floor=0,
         low=100, high=260, also=("zygomatic width", "zygomatic"), source=_MEMORY),
    Term("body_length_cm", "Body length", "number", "animals", "nose to tail tip over the back", unit="cm", floor=0,
         low=90, high=210, also=("body length", "length"), source=_MEMORY),
    Term("girth_cm", "Chest girth", "number", "animals", "girth behind the shoulders", unit="cm", floor=0, low=50,
         high=150, also=("chest girth", "girth"), source=_MEMORY),
    Term("cubs_counted", "Cubs counted", "number", "animals", "cubs seen or felt in the den", floor=0, low=0, high=5,
         also=("litter", "litter size", "cubs"), source=_MEMORY),
)  # fmt: skip

_DRUG = (
    ANIMAL, DATE,
    _time("given", "Given", "when the drug was given", "time", "time given"),
    _text("drug", "Drug", "name of the drug as the crew wrote it", "agent"),
    _text("lot", "Lot", "lot number on the bottle", "lot no"),
    Term("planned_ml", "Planned volume", "number", "animals", "volume drawn up", unit="mL", floor=0,
         also=("planned volume",)),
    Term("volume_ml", "Volume given", "number", "animals", "volume as given by the crew", unit="mL", floor=0,
         also=("volume", "volume given", "delivered volume", "ml")),
    _choice("route", "By", ROUTES, "how it was given"),
    _choice("drug_purpose", "What for", DRUG_PURPOSES, "what it was given for", "purpose"),
)  # fmt: skip

_READING = (
    ANIMAL, DATE,
    _time("read", "Time", "when the reading was taken", "time", "read at"),
    Term("heart_rate", "Heart rate", "number", "animals", "heart beats a minute", unit="/min", floor=0, low=5, high=250,
         also=("heart rate", "hr", "pulse"), source=_MEMORY),
    Term("respiration", "Respiration", "number", "animals", "breaths a minute", unit="/min", floor=0, low=1, high=60,
         also=("respiration rate", "rr", "breaths"), source=_MEMORY),
    Term("temperature_c", "Temperature", "number", "animals", "body temperature", unit="C", floor=0, ceiling=120,
         low=28, high=43, also=("temperature", "temp", "temp c"), source=_MEMORY),
    _choice("thermometer", "Temperature by", THERMOMETERS, "how the temperature was taken", "temperature method"),
    Term("spo2_pct", "SpO2", "number", "animals", "oxygen saturation by pulse oximeter", unit="%", floor=0,
         ceiling=100, low=50, high=100, also=("spo2", "oxygen saturation"), source=_MEMORY),
    _choice("airway", "Airway", AIRWAYS, "state of the airway"),
    _text("mucous_colour", "Mucous membranes", "colour of the mucous membranes", "mucous color", "gums"),
    Term("refill_s", "Capillary refill", "number", "animals", "capillary refill time", unit="s", floor=0, low=0,
         high=5, also=("crt", "capillary refill"), source=_MEMORY),
    _text("action", "Action taken", "what was done about it", "action taken"),
)  # fmt: skip

_CUB = (
    DEN, DATE,
    _text("female", "Female", "id of the mother", "mother", "dam", "animal", "animal id"),
    Term("cub_no", "Cub", "number", "animals", "number of the cub in its litter on that day: 1, 2, 3", floor=1, low=1,
         high=5, also=("cub", "cub no", "cub number"), source=_MEMORY),
    _text("cub_id", "Cub's id", "the cub's id in the study: OB-031-26a", "cub animal id"),
    _choice("sex", "Sex", SEXES, "sex of the cub; unknown is allowed, blank is not"),
    Term("mass_g", "Mass", "number", "animals", "mass of the cub", unit="g", floor=0, low=200, high=6000,
         also=("mass", "weight", "weight g"), source=_MEMORY),
    _choice("eyes", "Eyes", EYES, "whether the eyes are open"),
    _text("teeth", "Teeth", "each tooth looked at: u or l (upper, lower) and i1 i2 i3 c p1 .. p4, then =through, "
          "=felt (under the gum) or =absent; alone it means through: uc lc=felt ui3=absent"),
    Term("zygomatic_mm", "Zygomatic width", "number", "animals", "width over the cheek bones", unit="mm", floor=0,
         low=25, high=90, also=("zygomatic width", "zygomatic"), source=_MEMORY),
    Term("ear_mm", "Ear length", "number", "animals", "length of the ear", unit="mm", floor=0, low=5, high=80,
         also=("ear length", "ear"), source=_MEMORY),
    _choice("ear_landmark", "Ear measured", EAR_LANDMARKS, "from where to where the ear was measured"),
    Term("hair_mm", "Hair length", "number", "animals", "length of the hair", unit="mm", floor=0, low=1, high=60,
         also=("hair length", "hair"), source=_MEMORY),
    _text("hair_landmark", "Hair measured", "where on the body the hair was measured: top of skull", "hair site"),
    _text("transponder", "Transponder", "the cub's transponder, 15 digits", "chip"),
    SAMPLE,
    Term("minutes_out", "Minutes out", "number", "animals", "minutes out of the den", unit="min", floor=0, low=0,
         high=60, also=("minutes out of den", "time out"), source=_MEMORY),
    _choice("scent_masked", "Scent masked", YES_NO, "whether the scent was masked with litter from the den"),
    _text("state_back", "When put back", "the cub's state when it was put back", "state when put back"),
    _choice("dead", "Dead", YES_NO, "whether the cub was found dead or died"),
    _day("born_on", "Born on", "birth date known from elsewhere, such as a camera: never one that was estimated",
         "birth date", "born"),
    _text("born_known_by", "Birth known by", "how the birth date is known"),
)  # fmt: skip

_CHECK = (
    DEN,
    _day("date", "Date of visit", "day of the visit after which was checked", "visit date"),
    _text("animal", "Female", "id of the female", "female", "animal id"),
    _day("checked_on", "Checked on", "day of the check", "check date"),
    _time("checked", "Time of check", "when it was checked", "check time"),
    _choice("checked_by", "Checked by", CHECKED_BY, "how it was checked", "how", "method"),
    _choice("at_den", "At the den", SEEN, "whether she was at the den"),
    Term("moved_m", "Moved", "number", "animals", "distance she had moved from the den", unit="m", floor=0, low=0,
         high=20000, also=("distance moved", "moved"), source=_MEMORY),
    _choice("cubs_heard", "Cubs heard", SEEN, "whether cubs were heard or seen", "cubs"),
    _text("action", "Action taken", "what was done about it", "action taken"),
)  # fmt: skip

_SAMPLE = (
    SAMPLE, ANIMAL, DATE, DEN,
    _choice("tissue", "Tissue", TISSUES, "what was taken"),
    _text("preservative", "Preservative", "in what it is kept", "kept in"),
    _text("vial", "Vial", "number of the vial or envelope, if it differs from the label", "vial no"),
    _text("storage", "Storage", "where it is stored"),
    _text("laboratory", "Laboratory", "laboratory that is to analyse it", "lab"),
    _text("result_file", "Result file", "file in which the laboratory's result stands"),
)  # fmt: skip

_CUSTODY = (
    SAMPLE, DATE,
    _time("done", "Time", "when it was done", "time"),
    _choice("step", "Step", CUSTODY_STEPS, "what was done with the sample"),
    _text("from_whom", "From", "who had it before", "from"),
    _text("to_whom", "To", "who had it afterwards", "to"),
    _text("where", "Where", "where it was then", "place"),
    _text("shipment", "Shipment", "number of the shipment", "tracking"),
)  # fmt: skip

_RESULT = (
    SAMPLE,
    _text("determination", "Determination", "what was determined, such as sex or a locus", "measure", "test"),
    _text("value", "Value", "the value as the laboratory wrote it", "result"),
    _text("unit", "Unit", "unit of the value"),
    _text("method", "Method", "how it was determined"),
    _text("laboratory", "Laboratory", "laboratory that determined it", "lab"),
    _day("reported_on", "Reported on", "day of the laboratory's report", "report date"),
    _text("result_file", "Result file", "file in which the laboratory's result stands"),
)

_PERMIT = (
    PERMIT,
    _text("authority", "Authority", "who issued the permit", "issued by"),
    _text("holder", "Holder", "to whom it was issued"),
    _text("species", "Species", "species that it covers"),
    _day("valid_from", "Valid from", "first day on which it is valid", "from"),
    _day("valid_to", "Valid to", "last day on which it is valid", "to", "expires"),
    Term("max_animals", "Animals allowed", "number", "animals", "females (or other adults) that may be handled",
         floor=0, also=("max animals", "animals")),
    Term("max_cubs", "Cubs allowed", "number", "animals", "cubs that may be handled", floor=0, also=("max cubs",)),
    _text("procedures", "Procedures", f"what it allows, separated by semicolons: {', '.join(PROCEDURES)}"),
    _text("months", "Months", "months in which it allows them, as numbers: 1; 2; 3; blank: all months"),
)  # fmt: skip

KINDS: Mapping[str, Kind] = MappingProxyType({kind.name: kind for kind in (
    Kind("animal", "Animals", "one animal of the study", (*_ANIMAL, *COMMON_TERMS), ("animal", "sex"), ("animal",),
         ("age_class", "cementum_age_y", "dam", "sire", "first_seen", "born_on")),
    Kind("mark", "Marks", "a mark put on, seen, lost, removed or failed", (*_MARK, *COMMON_TERMS),
         ("animal", "mark_kind", "mark_code", "mark_event"),
         ("animal", "date", "mark_kind", "mark_code", "side", "mark_event")),
    Kind("handling", "Handlings", "one female handled on one day", (*_HANDLING, *COMMON_TERMS), ("animal", "date"),
         ("animal", "date"),
         (*(t.name for t in TIMES), "estimated_mass_kg", "mass_kg", "cubs_counted", "eyes_covered")),
    Kind("drug", "Drugs given", "one drug given once, as the crew wrote it", (*_DRUG, *COMMON_TERMS),
         ("animal", "date", "drug"), ("animal", "date", "given_local", "drug", "lot")),
    Kind("reading", "Vitals", "the vitals of one animal at one time", (*_READING, *COMMON_TERMS),
         ("animal", "date", "read"), ("animal", "date", "read_local"),
         ("heart_rate", "respiration", "temperature_c", "spo2_pct")),
    Kind("cub", "Cubs", "one cub measured on one day", (*_CUB, *COMMON_TERMS), ("den_label", "date", "cub_no"),
         ("den_label", "date", "cub_no")),
    Kind("check", "Checks after a visit", "whether she stayed", (*_CHECK, *COMMON_TERMS),
         ("den_label", "date", "checked_on", "at_den"), ("den_label", "date", "checked_on", "checked_local")),
    Kind("sample", "Samples", "one sample in one vial", (*_SAMPLE, *COMMON_TERMS),
         ("sample_label", "animal", "tissue"), ("sample_label",)),
    Kind("custody", "Custody", "one step on a sample's way", (*_CUSTODY, *COMMON_TERMS),
         ("sample_label", "date", "step"), ("sample_label", "date", "done_local", "step")),
    Kind("result", "Laboratory results", "one determination on one sample", (*_RESULT, *COMMON_TERMS),
         ("sample_label", "determination", "value"), ("sample_label", "determination", "laboratory")),
    Kind("permit", "Permits", "one permit with what it allows", (*_PERMIT, *COMMON_TERMS),
         ("permit", "authority", "valid_from", "valid_to"), ("permit",)),
)})  # fmt: skip
