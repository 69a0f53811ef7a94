"""Marks of the females over the years: put on, seen, lost, replaced."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import count

import numpy as np
from bears import Bear, Event
from slips import Row


def transponder_codes() -> Iterator[str]:
    """Codes of a plainly artificial pattern: 900000, then one number three times.

    Any two of them differ in three digits or more, so that only planted slips are one digit off.
    """
    return (f"900000{n:03d}{n:03d}{n:03d}" for n in count(101))


class MarkBook:
    """The marks that the study hands out, and what each female carries."""

    def __init__(self, codes: Iterator[str], rng: np.random.Generator) -> None:
        self.codes, self.rng = codes, rng
        self.tags = {"left": count(101, 2), "right": count(102, 2)}
        self.collars = count(1001, 7)
        self.rows: list[Row] = []

    def write(self, event: Event, kind: str, code: str, what: str, **more: str) -> None:
        """One line of the marks' file."""
        day = {"animal": event.female, "date": event.day.isoformat()}
        self.rows.append(day | {"mark_kind": kind, "mark_code": code, "mark_event": what} | more)

    def follow(self, bear: Bear) -> dict[dt.date, list[str]]:
        """Write all marks of a female; returns the procedures that they added, by day."""
        capture, *later = bear.events
        chip = next(self.codes)
        self.write(capture, "transponder", chip, "put on", body_site="between the shoulders")
        self.write(capture, "lip tattoo", f"B{bear.name[-3:]}", "put on")
        tags = {side: self.tag(capture, side, "yellow" if side == "left" else "blue") for side in ("left", "right")}
        neck = float(self.rng.normal(56, 4))
        collar, since = self.collar(capture, neck), capture.day
        added: dict[dt.date, list[str]] = {}
        for event in later:
            done = added.setdefault(event.day, [])
            if self.rng.random() < 0.95:
                self.write(event, "transponder", chip, "seen", body_site="between the shoulders")
            if self.rng.random() < 0.5:
                self.write(event, "lip tattoo", f"B{bear.name[-3:]}", "seen")
            for side in tags:
                tags[side] = self.look_at(event, side, tags[side], done)
            neck += float(self.rng.normal(0, 1))
            collar, since = self.look_at_collar(event, collar, since, neck, done)
        self.end(bear, collar, since)
        return added

    def tag(self, event: Event, side: str, colour: str) -> tuple[str, str]:
        """A new ear tag: its number and colour."""
        number = str(next(self.tags[side]))
        self.write(event, "ear tag", number, "put on", side=side, colour=colour)
        return number, colour

    def look_at(self, event: Event, side: str, tag: tuple[str, str], done: list[str]) -> tuple[str, str]:
        """A tag seen, overlooked, or lost and replaced."""
        chance = self.rng.random()
        if chance < 0.08:
            self.write(event, "ear tag", tag[0], "lost", side=side, colour=tag[1])
            done.append("ear tag")
            return self.tag(event, side, "green")
        if chance < 0.95:
            self.write(event, "ear tag", tag[0], "seen", side=side, colour=tag[1])
        return tag

    def collar(self, event: Event, neck: float) -> str:
        """A new collar: its serial."""
        serial = f"KC-{next(self.collars)}"
        self.write(
            event, "collar", serial, "put on", neck_cm=f"{neck:.0f}", collar_gap_cm=f"{self.rng.uniform(3, 7):.1f}",
            battery_pct="100", drop_off_on=f"{event.day.year + 4}-08-01",
        )  # fmt: skip
        return serial

    def look_at_collar(
        self, event: Event, serial: str, since: dt.date, neck: float, done: list[str]
    ) -> tuple[str, dt.date]:
        """A collar is replaced after about two years, else seen."""
        years = (event.day - since).days / 365
        charge = f"{max(5, 100 - 24 * years + self.rng.normal(0, 3)):.0f}"
        if years > 1.5:
            self.write(event, "collar", serial, "removed", battery_pct=charge)
            done.append("fit collar")
            return self.collar(event, neck), event.day
        self.write(
            event, "collar", serial, "seen", neck_cm=f"{neck:.0f}", collar_gap_cm=f"{self.rng.uniform(3, 7):.1f}",
            battery_pct=charge,
        )  # fmt: skip
        return serial, since

    def end(self, bear: Bear, serial: str, since: dt.date) -> None:
        """After her last winter the collar drops off or fails; those of the last winter of all still send."""
        if bear.last_winter >= 2026:
            return
        day = dt.date(bear.last_winter, 7, 20) + dt.timedelta(days=int(self.rng.integers(0, 40)))
        if day > since:
            what = "failed" if self.rng.random() < 0.15 else "lost"
            self.write(Event(bear.name, day), "collar", serial, what)
