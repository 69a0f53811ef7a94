"""Marks by which animals are known: what was on whom from when to when, and where records cannot all be right."""

from densite.errors import TransponderError
from densite.marks.codes import animal_key, mark_key
from densite.marks.events import MarkEvent, events_of
from densite.marks.findings import findings
from densite.marks.near import near_pairs, one_slip
from densite.marks.wearing import Wearing, history, wearings
from densite.transponder import Transponder, read_transponder

__all__ = [
    "MarkEvent",
    "Transponder",
    "TransponderError",
    "Wearing",
    "animal_key",
    "events_of",
    "findings",
    "history",
    "mark_key",
    "near_pairs",
    "one_slip",
    "read_transponder",
    "wearings",
]
