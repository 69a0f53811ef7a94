"""Samples of cubs and females, their way to the laboratory, and what came back."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import numpy as np
from bears import Event
from slips import Row

LABORATORY = "Tellmark Genetics Laboratory"
FREEZER, COURIER = "freezer 2", "courier"
KEPT_IN = {"ear punch": "ethanol", "hair": "paper, dry", "blood": "EDTA, frozen", "tooth": "paper, dry"}
MISREAD = 0.02  # sexes that crews got wrong in the field


def shipping_day(day: dt.date) -> dt.date:
    """Samples of March go out in May, those of summer in February."""
    return dt.date(day.year, 5, 12) if day.month < 5 else dt.date(day.year + 1, 2, 5)


def result_file(day: dt.date) -> str:
    """The laboratory's file in which the result of a sample taken on a day stands."""
    return f"TGL-{shipping_day(day):%Y-%m}.csv"


class SampleBook:
    """The study's samples: labels count up by winter and tissue."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng, self.numbers = rng, Counter[str]()
        self.samples: list[Row] = []
        self.custody: list[Row] = []
        self.results: list[Row] = []

    def take(self, event: Event, animal: str, tissue: str, sheet: Row) -> str:
        """A sample with its way; returns its label."""
        year = event.day.year
        stem = f"{tissue[0].upper()}{year % 100:02d}"
        self.numbers[stem] += 1
        label, sent = f"{stem}-{self.numbers[stem]:03d}", tissue != "blood"
        self.samples.append({
            "sample_label": label, "animal": animal, "date": event.day.isoformat(), "den_label": event.den,
            "tissue": tissue, "preservative": KEPT_IN[tissue], "storage": FREEZER,
            "laboratory": LABORATORY if sent else "", "result_file": result_file(event.day) if sent else "",
            "observer": sheet["observer"],
        })  # fmt: skip
        self.follow(label, event, sheet, sent=sent)
        return label

    def follow(self, label: str, event: Event, sheet: Row, *, sent: bool) -> None:
        """The steps of a sample: field, freezer, courier, laboratory."""
        crew, sent_on = sheet["observer"], shipping_day(event.day)
        steps = [
            (event.day, sheet["first_handled"], "collected", "", crew, "field", ""),
            (event.day + dt.timedelta(days=1), "09:30", "stored", crew, FREEZER, "Tellmark", ""),
        ]
        if sent:
            way, received_on = f"SH-{sent_on.year}-{sent_on.month}", sent_on + dt.timedelta(days=2)
            steps += [
                (sent_on, "10:00", "shipped", FREEZER, COURIER, "Tellmark", way),
                (received_on, "11:20", "received", COURIER, LABORATORY, "laboratory", way),
            ]
        names = ("date", "done", "step", "from_whom", "to_whom", "where", "shipment")
        for step in steps:
            told = dict(zip(names, (step[0].isoformat(), *step[1:]), strict=True))
            self.custody.append({"sample_label": label} | told)

    def sexed(self, label: str, day: dt.date, *, male: bool) -> None:
        """The laboratory's sex of a sample; one in fifty gives none."""
        value = "not determined" if self.rng.random() < 0.02 else "M" if male else "F"
        self.report(label, day, "sex", value, method="PCR")

    def report(self, label: str, day: dt.date, what: str, value: str, *, method: str, unit: str = "") -> None:
        """One line of the laboratory's report, seven weeks after the shipment."""
        sent_on = shipping_day(day)
        self.results.append({
            "sample_label": label, "determination": what, "value": value, "unit": unit, "method": method,
            "laboratory": LABORATORY, "reported_on": (sent_on + dt.timedelta(days=49)).isoformat(),
            "result_file": result_file(day),
        })  # fmt: skip

    def tooth(self, event: Event, age: int, sheet: Row) -> None:
        """A tooth drawn at the capture, and the age read from it."""
        label = self.take(event, event.female, "tooth", sheet)
        self.report(label, event.day, "cementum age", str(age), method="cementum layers", unit="y")

    def of_visit(self, event: Event, sheet: Row, cubs: list[Row]) -> list[str]:
        """Samples of a den visit; returns the cubs whose sex the crew had got wrong."""
        wrong = []
        blood = ["blood"] if "blood" in sheet["procedures"] else []
        for tissue in ["hair", *blood]:
            label = self.take(event, event.female, tissue, sheet)
            if tissue == "hair" and self.rng.random() < 0.5:
                self.sexed(label, event.day, male=False)
        for row in (row for row in cubs if row.get("cub_id")):
            row["sample_label"] = self.take(event, row["cub_id"], "ear punch", sheet)
            self.sexed(row["sample_label"], event.day, male=row["sex"] == "male")
            if self.rng.random() < MISREAD:
                row["sex"] = "female" if row["sex"] == "male" else "male"
                wrong.append(row["cub_id"])
        return wrong
