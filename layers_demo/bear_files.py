"""Crew files of the animals' side: one CSV a kind of record, two of them under a crew's own headings."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bear_marks import MarkBook, transponder_codes
from bear_samples import MISREAD, SampleBook
from bear_slips import Records, plant
from bear_visits import (
    SPECIES,
    make_check,
    make_cub_rows,
    make_drugs,
    make_handling,
    make_permits,
    make_readings,
    moments,
)
from bears import Bear, Event, make_bears, truth
from dens import Visit
from slips import Row, Slip

# In the order in which they are handed in; the columns of each file, by the name of the kind.
COLUMNS = {
    "permit": ("permit", "authority", "holder", "species", "valid_from", "valid_to", "max_animals", "max_cubs",
               "procedures", "months"),
    "animal": ("animal", "sex", "age_class", "cementum_age_y", "cementum_year", "born_on", "dam", "first_seen",
               "species"),
    "mark": ("animal", "date", "mark_kind", "mark_code", "mark_event", "side", "colour", "body_site", "neck_cm",
             "collar_gap_cm", "battery_pct", "drop_off_on"),
    "handling": ("animal", "date", "den_label", "permit", "approached", "darted", "down", "first_handled",
                 "last_handled", "reversed", "head_up", "left", "procedures", "estimated_mass_kg", "mass_kg",
                 "eyes_lubricated", "eyes_covered", "airway_checked", "condition_score", "lactating", "injuries",
                 "zygomatic_mm", "body_length_cm", "girth_cm", "cubs_counted", "observer", "notes"),
    "drug": ("animal", "date", "given", "drug", "lot", "planned_ml", "volume_ml", "route", "drug_purpose"),
    "reading": ("animal", "date", "read", "heart_rate", "respiration", "temperature_c", "thermometer", "spo2_pct",
                "airway", "mucous_colour", "refill_s", "action"),
    "cub": ("den_label", "date", "female", "cub_no", "cub_id", "sex", "mass_g", "eyes", "teeth", "zygomatic_mm",
            "ear_mm", "ear_landmark", "hair_mm", "hair_landmark", "transponder", "sample_label", "minutes_out",
            "scent_masked", "state_back", "dead", "born_on", "born_known_by", "observer", "notes"),
    "check": ("den_label", "date", "animal", "checked_on", "checked", "checked_by", "at_den", "moved_m", "cubs_heard",
              "action", "observer"),
    "sample": ("sample_label", "animal", "date", "den_label", "tissue", "preservative", "storage", "laboratory",
               "result_file", "observer"),
    "custody": ("sample_label", "date", "done", "step", "from_whom", "to_whom", "where", "shipment"),
    "result": ("sample_label", "determination", "value", "unit", "method", "laboratory", "reported_on", "result_file"),
}  # fmt: skip
# Headings that are none of the terms' names, but stand among their other headings.
OTHER_HEADINGS = {
    "reading": {
        "animal": "Bear id", "date": "Visit date", "read": "Time", "heart_rate": "HR", "respiration": "RR",
        "temperature_c": "Temp C", "thermometer": "Temperature method", "spo2_pct": "SpO2", "airway": "Airway",
        "mucous_colour": "Gums", "refill_s": "CRT", "action": "Action taken",
    },
    "check": {
        "den_label": "Den No", "date": "Visit date", "animal": "Female", "checked_on": "Check date",
        "checked": "Check time", "checked_by": "How", "at_den": "At the den", "moved_m": "Distance moved",
        "cubs_heard": "Cubs", "action": "Action taken", "observer": "Recorder",
    },
}  # fmt: skip


@dataclass(frozen=True)
class Streams:
    """A random stream for each part, so that a change in one part leaves the others as they are."""

    life: np.random.Generator
    marks: np.random.Generator
    visits: np.random.Generator
    cubs: np.random.Generator
    samples: np.random.Generator


def file_name(kind: str) -> str:
    """The file of a kind: several cubs in ``cubs.csv``."""
    return "custody.csv" if kind == "custody" else f"{kind}s.csv"


def write_bears(folder: Path, visits: list[Visit], seed: int) -> tuple[dict[str, object], list[Slip]]:
    """All files of the animals' side; returns the numbers that were put in, and the planted slips."""
    streams = Streams(*np.random.default_rng(seed).spawn(5))
    bears = make_bears(visits, streams.life)
    rows, wrong = make_records(bears, streams)
    planted = plant(rows)
    slips = [
        Slip(p.slip, file_name(p.kind), line_of(row, rows[p.kind]), p.field, p.what, p.level) for p, row in planted
    ]
    folder.mkdir(exist_ok=True)
    for kind, names in COLUMNS.items():
        write_rows(folder / file_name(kind), rows[kind], names, OTHER_HEADINGS.get(kind, {}))
    about = truth(bears) | {"sex_misread_probability": MISREAD, "cubs_sexed_wrongly_in_the_field": wrong}
    return about | {"rows": {file_name(kind): len(rows[kind]) for kind in COLUMNS}}, slips


def line_of(row: Row, rows: list[Row]) -> int:
    """The line of a row in its file; a repeated row is another row than the one it repeats."""
    return next(i for i, other in enumerate(rows) if other is row) + 2


def write_rows(path: Path, rows: Iterable[Row], names: tuple[str, ...], headings: dict[str, str]) -> None:
    """One CSV; cells that a row does not have are empty."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow([headings.get(name, name) for name in names])
        writer.writerows([[row.get(name, "") for name in names] for row in rows])


@dataclass(frozen=True)
class Desk:
    """Where the crews' sheets come together."""

    rows: Records
    codes: Iterator[str]
    samples: SampleBook
    streams: Streams
    night: dt.date  # a visit on this day goes past midnight

    def enter(self, event: Event, bear: Bear, marking: list[str]) -> list[str]:
        """All rows of one handling; returns the cubs whose sex the crew got wrong."""
        rows, streams = self.rows, self.streams
        at = moments(event, self.night, streams.visits)
        sheet = make_handling(bear, event, at, streams.visits)
        cubs = make_cub_rows(event, sheet, chips(event, self.codes, streams.cubs), streams.cubs)
        marking = [*marking, *("transponder" for cub in cubs if cub.get("transponder"))]
        sheet["procedures"] = "; ".join([sheet["procedures"], *dict.fromkeys(marking)])
        rows["handling"].append(sheet)
        rows["drug"] += make_drugs(event, at, streams.visits)
        rows["reading"] += make_readings(event, at, streams.visits)
        rows["cub"] += cubs
        if event.in_den:
            rows["check"].append(make_check(event, streams.visits))
            return self.samples.of_visit(event, sheet, cubs)
        if bear.tooth_age:
            self.samples.tooth(event, bear.tooth_age, sheet)
        return []


def make_records(bears: list[Bear], streams: Streams) -> tuple[Records, list[str]]:
    """All rows by kind, before any slip; and the cubs whose sex the crew got wrong."""
    codes, samples = transponder_codes(), SampleBook(streams.samples)
    marks = MarkBook(codes, streams.marks)
    added = {bear.name: marks.follow(bear) for bear in bears}
    events = sorted(((e, b) for b in bears for e in b.events), key=lambda pair: (pair[0].day, pair[0].female))
    litters = [event for event, _ in events if event.litter]
    rows: Records = {kind: [] for kind in COLUMNS}
    desk = Desk(rows, codes, samples, streams, litters[2 * len(litters) // 3].day)
    wrong = [name for event, bear in events for name in desk.enter(event, bear, added[bear.name].get(event.day, []))]
    rows |= {"permit": make_permits(bears), "mark": in_order(marks.rows)}
    rows |= {"sample": samples.samples, "custody": in_order(samples.custody), "result": samples.results}
    named = [row for row in rows["cub"] if row.get("cub_id")]
    rows["animal"] = [*map(female_row, bears), *map(cub_row, named)]
    return rows, wrong


def in_order(rows: list[Row]) -> list[Row]:
    """By day, as a crew's book is kept; rows of one day stay in the order of the work."""
    return sorted(rows, key=lambda row: row["date"])


def chips(event: Event, codes: Iterator[str], rng: np.random.Generator) -> list[str]:
    """A transponder for four cubs of five."""
    cubs = event.litter.cubs if event.litter else ()
    reached = bool(event.litter and event.litter.reached)
    return [
        next(codes) if reached and not cub.dead and rng.random() < 0.8 else "" for cub in cubs
    ]  # fmt: skip


def female_row(bear: Bear) -> Row:
    """A collared female."""
    capture = bear.events[0]
    tooth = {"cementum_age_y": str(bear.tooth_age), "cementum_year": str(capture.day.year)} if bear.tooth_age else {}
    age = "subadult" if bear.tooth_age == 3 else "adult"
    about = {"animal": bear.name, "sex": "female", "age_class": age, "species": SPECIES}
    return about | tooth | {"first_seen": capture.day.isoformat()}


def cub_row(row: Row) -> Row:
    """A cub that got an id on its first day."""
    return {
        "animal": row["cub_id"], "sex": row["sex"], "age_class": "cub", "born_on": row["born_on"],
        "dam": row["female"], "first_seen": row["date"], "species": SPECIES,
    }  # fmt: skip
