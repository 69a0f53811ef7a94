"""What was really done to an animal: the crew's own list joined with what the other records show."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import pandas as pd

from densite.animals import Row, animal_key, cub_name, listed, rows_of
from densite.animalterms import PROCEDURES
from densite.records import folded
from densite.samples.labels import LabelBook
from densite.samples.review import labels_of

_BY_MARK = {"collar": "fit collar", "ear tag": "ear tag", "transponder": "transponder", "lip tattoo": "lip tattoo"}
# A swab or faeces are no procedure of PROCEDURES: whether a permit must name them is for its text to say.
_BY_TISSUE = {"ear punch": "tissue", "hair": "hair", "blood": "blood", "tooth": "draw tooth"}
LISTED = "the crew's list"
_NEEDS_HANDLING = frozenset(PROCEDURES) - {"hair"}  # hair is also gathered from beds and snags


@dataclass(frozen=True, slots=True)
class Act:
    """One procedure that a record shows: on whom, when, and which record shows it."""

    procedure: str
    animal: str
    date: dt.date
    known_from: str
    row: Row


@dataclass(slots=True)
class Event:
    """One handling with its acts and the cubs of its den on that day."""

    row: Row
    acts: list[Act] = field(default_factory=list)
    cubs: list[Row] = field(default_factory=list)

    @property
    def procedures(self) -> dict[str, list[Act]]:
        """Acts by procedure, in the order of PROCEDURES."""
        groups: dict[str, list[Act]] = {name: [] for name in PROCEDURES}
        for act in self.acts:
            groups[act.procedure].append(act)
        return {name: acts for name, acts in groups.items() if acts}

    def to_her(self, procedure: str) -> bool:
        """Whether a procedure was done to the animal herself; the crew's list counts where no record shows whose."""
        acts = self.procedures[procedure]
        shown = [act for act in acts if act.known_from != LISTED] or acts
        own = animal_key(self.row["animal"])
        return procedure != "handle cubs" and any(animal_key(act.animal) == own for act in shown)


def procedures_done(
    handlings: pd.DataFrame, marks: pd.DataFrame, drugs: pd.DataFrame, samples: pd.DataFrame, cubs: pd.DataFrame
) -> pd.DataFrame:
    """List each procedure of each handling, with where it is known from.

    Parameters
    ----------
    handlings, marks, drugs, samples, cubs : DataFrame
        Records of these kinds.

    Returns
    -------
    DataFrame
        One row for each procedure and record that shows it: record_id (of the handling), animal (the
        one it was done to), date, procedure, known_from, source_file, source_line.
    """
    events, _ = events_of(handlings, marks, drugs, samples, cubs)
    rows = [
        (event.row["record_id"], act.animal, act.date, act.procedure, act.known_from, act.row["source_file"],
         act.row["source_line"])
        for event in events for acts in event.procedures.values() for act in acts
    ]  # fmt: skip
    columns = ["record_id", "animal", "date", "procedure", "known_from", "source_file", "source_line"]
    return pd.DataFrame(rows, columns=columns)


def events_of(
    handlings: pd.DataFrame, marks: pd.DataFrame, drugs: pd.DataFrame, samples: pd.DataFrame, cubs: pd.DataFrame
) -> tuple[list[Event], list[Act]]:
    """Gather what was done at each handling.

    A cub belongs to the handling of its mother on that day; where the cub's row names no mother, or she
    has no handling, to the handlings at its den on that day.

    Parameters
    ----------
    handlings, marks, drugs, samples, cubs : DataFrame
        Records of these kinds.

    Returns
    -------
    list of Event
        One for each handling record, in order of date.
    list of Act
        Acts on a day on which the animal, or the mother or den of the cub, has no handling record. Hair
        is left out: it is also gathered without an animal.
    """
    rows = sorted(rows_of(handlings), key=lambda row: row["date"])
    events = [Event(row, list(_of_handling(row))) for row in rows]
    places = _Places(events, rows_of(cubs))
    left: list[Act] = []
    for act in (*_of_marks(marks), *_of_drugs(drugs), *_of_samples(samples), *_of_cubs(rows_of(cubs), samples)):
        found = places.of(act)
        for event in found:
            event.acts.append(act)
        if not found and act.procedure in _NEEDS_HANDLING:
            left.append(act)
    return events, left


class _Places:
    """Finds the handling to which an act belongs, by animal and day; for a cub by its mother or den."""

    def __init__(self, events: Iterable[Event], cubs: Iterable[Row]) -> None:
        self._by_animal: dict[tuple[str, dt.date], list[Event]] = defaultdict(list)
        self._by_den: dict[tuple[str, dt.date], list[Event]] = defaultdict(list)
        for event in events:
            self._by_animal[animal_key(event.row["animal"]), event.row["date"]].append(event)
            if event.row["den_label"]:
                self._by_den[folded(event.row["den_label"]), event.row["date"]].append(event)
        self._cubs: dict[tuple[str, dt.date], Row] = {}
        for cub in cubs:
            if cub["cub_id"]:
                self._cubs[animal_key(cub["cub_id"]), cub["date"]] = cub
            for event in self._of_cub(cub):
                event.cubs.append(cub)

    def of(self, act: Act) -> list[Event]:
        """Return the handlings to which an act belongs; usually one."""
        if "cub_no" in act.row:
            return self._of_cub(act.row)
        own = self._by_animal.get((animal_key(act.animal), act.date))
        cub = self._cubs.get((animal_key(act.animal), act.date))
        return own or (self._of_cub(cub) if cub else [])

    def _of_cub(self, cub: Row) -> list[Event]:
        mothers = self._by_animal.get((animal_key(cub["female"]), cub["date"]))
        return mothers or self._by_den.get((folded(cub["den_label"]), cub["date"]), [])


def _of_handling(row: Row) -> Iterator[Act]:
    """Yield what the crew listed, and what the times show."""
    for word in dict.fromkeys(listed(row["procedures"])):
        if word in PROCEDURES:
            yield Act(word, row["animal"], row["date"], LISTED, row)
    times = [name for name in ("darted", "down") if row[f"{name}_at"] is not None]
    if times:
        yield Act("immobilise", row["animal"], row["date"], f"time {' and '.join(times)}", row)


def _of_marks(marks: pd.DataFrame) -> Iterator[Act]:
    for row in rows_of(marks):
        if row["mark_event"] == "put on" and row["date"] and row["mark_kind"] in _BY_MARK:
            said = f"{row['mark_kind']} {row['mark_code']} put on"
            yield Act(_BY_MARK[row["mark_kind"]], row["animal"], row["date"], said, row)


def _of_drugs(drugs: pd.DataFrame) -> Iterator[Act]:
    """Yield immobilisation from drugs that were not given for something else."""
    for row in rows_of(drugs):
        if row["drug_purpose"] != "other":
            yield Act("immobilise", row["animal"], row["date"], f"drug {row['drug']} given", row)


def _of_samples(samples: pd.DataFrame) -> Iterator[Act]:
    for row in rows_of(samples):
        if row["tissue"] in _BY_TISSUE and row["date"]:
            said = f"sample {row['sample_label']} ({row['tissue']})"
            yield Act(_BY_TISSUE[row["tissue"]], row["animal"], row["date"], said, row)


def _of_cubs(cubs: list[Row], samples: pd.DataFrame) -> Iterator[Act]:
    """Yield what the cubs' own rows show; a sample's tissue comes from its record."""
    book = LabelBook(samples["sample_label"])
    tissues = dict(zip(samples["sample_label"], samples["tissue"], strict=True))
    for row in cubs:
        who = cub_name(row)
        yield Act("handle cubs", who, row["date"], f"row of {who}", row)
        if row["transponder"]:
            yield Act("transponder", who, row["date"], f"transponder {row['transponder']} on the row of {who}", row)
        for label in map(book.find, labels_of(row)):
            if label and tissues[label] in _BY_TISSUE:
                said = f"sample {label} ({tissues[label]}) on the row of {who}"
                yield Act(_BY_TISSUE[tissues[label]], who, row["date"], said, row)
