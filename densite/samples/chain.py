"""The way of each sample from hand to hand, and where the way has gaps."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import groupby, pairwise

import pandas as pd

from densite.animals import Row, rows_of
from densite.errors import Problem
from densite.placed import told
from densite.records import folded
from densite.samples.labels import LabelBook, folded_label

_MOVES = ("handed over", "shipped", "received", "returned")
_GIVES = ("handed over", "shipped")


def steps_by_label(samples: pd.DataFrame, custody: pd.DataFrame) -> dict[str, list[Row]]:
    """Gather the custody steps of each sample, in the order in which they were done.

    Parameters
    ----------
    samples, custody : DataFrame
        Records of these kinds.

    Returns
    -------
    dict of str to list of dict
        Keyed by label as the sample records spell it (any spelling of a label in the custody records
        counts), samples without a step included; steps on labels that no sample bears under the label
        as written. Steps of one day stand in order of their times where all have one; else the collecting
        first, and hand-overs so that whoever gives has the sample, as far as this is possible.
    """
    book = LabelBook(samples["sample_label"])
    steps: dict[str, list[Row]] = {label: [] for label in samples["sample_label"]}
    for row in rows_of(custody):
        steps.setdefault(book.find(row["sample_label"]) or row["sample_label"], []).append(row)
    return {label: _in_order(rows) for label, rows in steps.items()}


def _in_order(rows: list[Row]) -> list[Row]:
    ordered: list[Row] = []
    for _, day in groupby(sorted(rows, key=lambda row: row["date"]), key=lambda row: row["date"]):
        steps = list(day)
        if all(step["done_at"] is not None for step in steps):
            ordered += sorted(steps, key=lambda step: step["done_at"])
            continue
        steps.sort(key=lambda step: step["step"] != "collected")
        while steps:
            ordered.append(steps.pop(_next(steps, _holder(ordered))))
    return ordered


def _next(steps: list[Row], holder: str | None) -> int:
    """Return which of a day's steps comes next: the first as written, unless its giver has not got the sample yet."""
    givers = [folded(step["from_whom"]) for step in steps]
    return givers.index(folded(holder)) if holder and givers[0] and folded(holder) in givers else 0


def whereabouts(samples: pd.DataFrame, custody: pd.DataFrame, *, today: dt.date) -> pd.DataFrame:
    """Say where each sample was last known to be.

    Parameters
    ----------
    samples, custody : DataFrame
        Records of these kinds.
    today : date
        Day from which is counted.

    Returns
    -------
    DataFrame
        Indexed by sample_label: animal, tissue, laboratory, steps (how many), step (the last one), on
        (its day), days_since [d], holder (who had it last), place, shipment. The place is that of the
        last step that names one, as long as the sample has not moved since; the storage of the sample's
        own record where custody says nothing.
    """
    steps = steps_by_label(samples, custody)
    rows = [_whereabouts(row, steps[row["sample_label"]], today) for row in rows_of(samples)]
    columns = [
        "sample_label", "animal", "tissue", "laboratory", "steps", "step", "on", "days_since", "holder", "place",
        "shipment",
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns, dtype=object).set_index("sample_label")
    return frame.astype({"steps": int, "days_since": float})


def _whereabouts(row: Row, steps: list[Row], today: dt.date) -> Row:
    last: Row = steps[-1] if steps else {"step": None, "date": None}
    moved = max((n for n, step in enumerate(steps) if step["step"] in _MOVES), default=0)
    places = [step["where"] for step in steps[moved:] if step["where"]]
    return row | {
        "steps": len(steps),
        "step": last["step"],
        "on": last["date"],
        "days_since": (today - last["date"]).days if steps else None,
        "holder": _holder(steps),
        "place": _place(row, steps, places),
        "shipment": next((step["shipment"] for step in reversed(steps) if step["shipment"]), None),
    }


def _holder(steps: list[Row]) -> str | None:
    return next((step["to_whom"] for step in reversed(steps) if step["to_whom"]), None)


def _place(row: Row, steps: list[Row], places: list[str]) -> str | None:
    if steps and steps[-1]["step"] in ("shipped", "discarded"):
        return "on the way" if steps[-1]["step"] == "shipped" else "discarded"
    if places:
        return places[-1]
    return None if any(step["step"] in _MOVES for step in steps) else row["storage"]


def gaps(samples: pd.DataFrame, custody: pd.DataFrame) -> list[Problem]:
    """List the gaps in the custody of each sample.

    Parameters
    ----------
    samples, custody : DataFrame
        Records of these kinds.

    Returns
    -------
    list of Problem
        Samples without any step; a first step that is not the collecting; hand-overs by someone who did
        not have the sample; shipped and never received, and the reverse; time going backwards; steps
        after the sample was discarded. How many days are too many between two steps is for the study to
        say: none is assumed.
    """
    steps = steps_by_label(samples, custody)
    found: list[Problem] = []
    for sample in {row["sample_label"]: row for row in reversed(rows_of(samples))}.values():  # one may fill two vials
        mine = steps[sample["sample_label"]]
        for rule in (_start, _hands, _shipments, _time, _after_the_end):
            found += [problem for gap in rule(sample, mine) for problem in gap]
    return found


Gaps = Iterator[list[Problem]]


def _name(sample: Row) -> str:
    return f"sample {sample['sample_label']} of {sample['animal']}"


def _start(sample: Row, steps: list[Row]) -> Gaps:
    if not steps:
        said = f"{_name(sample)} has no custody step, not even that it was collected"
        yield told(sample, said, field="sample_label", hint="hand in who collected it and where it is stored")
    elif "collected" not in (step["step"] for step in steps):
        said = f"{_name(sample)}: custody starts with '{steps[0]['step']}' on {steps[0]['date']}, not with 'collected'"
        yield told(steps[0], said, field="step", hint="hand in the step by which it was collected")


def _hands(sample: Row, steps: list[Row]) -> Gaps:
    """Say where a giver is not the one who had the sample."""
    holder = None
    for step in steps:
        giver = step["from_whom"]
        if step["step"] in _GIVES and holder and giver and folded(giver) != folded(holder):
            said = f"{_name(sample)} was {step['step']} by {giver} on {step['date']}, but {holder} had it"
            yield told(step, said, field="from_whom", hint="a hand-over in between is missing, or a name is misspelled")
        if step["step"] == "handed over" and not step["to_whom"]:
            said = f"{_name(sample)} was handed over on {step['date']}: to whom is not said"
            yield told(step, said, field="to_whom", hint="correct the record: who has it?")
        # after a hand-over to nobody named, who has the sample is not known
        holder = step["to_whom"] if step["step"] in _MOVES else step["to_whom"] or holder


def _shipments(sample: Row, steps: list[Row]) -> Gaps:
    """Match each shipping with its arrival; a sample handed over to the laboratory needs no shipping."""
    under_way: Row | None = None
    arrived: list[Row] = []
    for before, step in pairwise([{"step": None}, *steps]):
        if step["step"] == "shipped":
            yield _lost(sample, under_way, arrived)
            under_way = step
        elif step["step"] == "received" and under_way:
            yield _other_number(sample, under_way, step)
            under_way = None
        elif step["step"] == "received" and before["step"] != "handed over":
            arrived.append(step)
    yield _lost(sample, under_way, arrived)
    for step in arrived:
        said = f"{_name(sample)} was received on {step['date']}, but nobody shipped it or handed it over before"
        yield told(step, said, field="step", hint="hand in the missing step")


def _lost(sample: Row, shipped: Row | None, arrived: list[Row]) -> list[Problem]:
    """Say that a shipping has no arrival, or one of an earlier day, which is then used up."""
    if shipped is None:
        return []
    if arrived:
        day = arrived.pop()["date"]
        said = f"{_name(sample)} was received on {day}, before it was shipped on {shipped['date']}"
        return told(shipped, said, field="date", hint="one of the two days is wrong: correct it")
    said = f"{_name(sample)} was shipped on {shipped['date']} and never received"
    return told(shipped, said, field="step", hint="ask the laboratory; hand in the arrival when it is known")


def _other_number(sample: Row, shipped: Row, received: Row) -> list[Problem]:
    one, other = shipped["shipment"], received["shipment"]
    if not one or not other or folded_label(one) == folded_label(other):
        return []
    said = f"{_name(sample)} was shipped as {one} and received as {other}"
    return told(received, said, field="shipment", hint="is it the same parcel?")


def _time(sample: Row, steps: list[Row]) -> Gaps:
    """Say where time goes backwards: before the sample was taken, or against the order of steps."""
    taken = sample["date"]
    for step in steps:
        if taken and step["date"] < taken:
            said = f"{_name(sample)} was {step['step']} on {step['date']}, before it was taken on {taken}"
            yield told(step, said, field="date", hint="one of the two days is wrong: correct it")
        elif taken and step["step"] == "collected" and step["date"] != taken:
            said = f"{_name(sample)} was taken on {taken} by its own record, collected on {step['date']} by its custody"
            yield told(step, said, field="date", hint="one of the two days is wrong: correct it")
    for before, step in pairwise(steps):
        if step["step"] == "collected":
            earlier = f"{before['step']} on {before['date']}"
            said = f"{_name(sample)} was {earlier}, before it was collected on {step['date']}"
            yield told(step, said, field="step", hint="one of the two is wrong, or one label was used twice")
        elif before["done_at"] and step["done_at"] and step["done_at"] < before["done_at"]:
            said = f"{_name(sample)}: {step['step']} at {step['done_local']} stands after {before['done_local']}"
            yield told(step, said, field="done_local", hint="one of the two times is wrong: correct it")


def _after_the_end(sample: Row, steps: list[Row]) -> Gaps:
    ends = [n for n, step in enumerate(steps) if step["step"] == "discarded"]
    for step in steps[ends[0] + 1 :] if ends else []:
        end = steps[ends[0]]["date"]
        said = f"{_name(sample)} was {step['step']} on {step['date']}, after it was discarded on {end}"
        yield told(step, said, field="step", hint="was another sample discarded?")
