"""Every handling counted against its permits: the ledger, and what exceeds or lacks a permit."""

from __future__ import annotations

import datetime as dt
import difflib
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pandas as pd

from densite.animals import Row, animal_key, cub_name, listed
from densite.animalterms import PROCEDURES
from densite.errors import Problem
from densite.permits.acts import Act, Event, events_of
from densite.permits.permit import Permit, folded_number, read_permits, unknown_procedure
from densite.placed import listing, told
from densite.records import folded

COLUMNS = (
    "permit", "authority", "holder", "valid_from", "valid_to", "days_left", "animals_allowed", "animals_handled",
    "animals_left", "cubs_allowed", "cubs_handled", "cubs_left", "handlings", *PROCEDURES,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Use:
    """One handling under one permit that covers some part of it."""

    event: Event
    permit: Permit

    @property
    def covered(self) -> list[str]:
        """Procedures of the handling that the permit covers."""
        return [name for name in self.event.procedures if self.permit.covers(self.event.row["date"], name)]

    @property
    def counts(self) -> bool:
        """Whether it counts: a procedure is covered, or none is recorded and the day is."""
        return bool(self.covered) or (not self.event.acts and self.permit.covers_day(self.event.row["date"]))

    @property
    def animals(self) -> list[str]:
        """The animal, unless the permit covers only what was done to her cubs."""
        hers = not self.event.acts or any(map(self.event.to_her, self.covered))
        return [animal_key(self.event.row["animal"])] if hers else []

    @property
    def cubs(self) -> list[str]:
        """Her cubs, where the permit covers that they were handled."""
        return [animal_key(cub_name(cub)) for cub in self.event.cubs] if "handle cubs" in self.covered else []


def ledger(
    permits: pd.DataFrame,
    handlings: pd.DataFrame,
    marks: pd.DataFrame,
    drugs: pd.DataFrame,
    samples: pd.DataFrame,
    cubs: pd.DataFrame,
    *,
    today: dt.date,
) -> pd.DataFrame:
    """Count what was done under each permit.

    A handling counts against each permit that it names and that covers any part of it: a procedure, on
    that day. Animals and cubs count once however often they were handled; an animal counts where a part
    that was done to herself is covered. A cub without an id counts once for each den and day; one found
    dead counts as well.

    Parameters
    ----------
    permits, handlings, marks, drugs, samples, cubs : DataFrame
        Records of these kinds.
    today : date
        Day from which the days left are counted.

    Returns
    -------
    DataFrame
        Indexed by the permits' record_id, in order of their last day: permit, authority, holder,
        valid_from, valid_to (dates), days_left to the last day (negative after it) [d]; animals_allowed,
        animals_handled, animals_left, the same of cubs (allowed and left missing where the permit states
        no number), handlings, and for each procedure the number of handlings in which it was done.
    """
    events, _ = events_of(handlings, marks, drugs, samples, cubs)
    known, _ = read_permits(permits)
    uses = _uses(events, known)
    rows = [_counted(permit, uses[permit.row["record_id"]], today) for permit in known]
    frame = pd.DataFrame(rows, columns=["record_id", *COLUMNS], dtype=object).set_index("record_id")
    numbers = [name for name in COLUMNS if name.split("_")[0] in ("animals", "cubs")]
    whole = ["days_left", "handlings", *PROCEDURES]
    return frame.astype(dict.fromkeys(numbers, float) | dict.fromkeys(whole, int)).sort_values("valid_to")


def _counted(permit: Permit, uses: list[Use], today: dt.date) -> Row:
    animals, cubs = len({one for use in uses for one in use.animals}), len({one for use in uses for one in use.cubs})
    done = {name: sum(name in use.covered for use in uses) for name in PROCEDURES}
    return permit.row | done | {
        "days_left": (permit.valid_to - today).days,
        "animals_allowed": permit.max_animals, "animals_handled": animals,
        "animals_left": None if permit.max_animals is None else permit.max_animals - animals,
        "cubs_allowed": permit.max_cubs, "cubs_handled": cubs,
        "cubs_left": None if permit.max_cubs is None else permit.max_cubs - cubs,
        "handlings": len(uses),
    }  # fmt: skip


def named_permits(row: Row) -> list[str]:
    """Return the numbers of the permits that a handling names, separated by semicolons."""
    numbers = (number.strip() for number in (row["permit"] or "").split(";"))
    return list({folded_number(number): number for number in numbers if number}.values())


def _by_number(permits: Iterable[Permit]) -> dict[str, list[Permit]]:
    numbers: dict[str, list[Permit]] = defaultdict(list)
    for permit in permits:
        numbers[folded_number(permit.number)].append(permit)
    return numbers


def _uses(events: Iterable[Event], permits: Iterable[Permit]) -> dict[str, list[Use]]:
    """Return the handlings that count against each permit, by its record_id, in order of date."""
    numbers = _by_number(permits)
    uses: dict[str, list[Use]] = defaultdict(list)
    for event in events:
        for number in map(folded_number, named_permits(event.row)):
            for use in (Use(event, permit) for permit in numbers.get(number, ())):
                if use.counts:
                    uses[use.permit.row["record_id"]].append(use)
    return uses


def findings(
    permits: pd.DataFrame,
    handlings: pd.DataFrame,
    marks: pd.DataFrame,
    drugs: pd.DataFrame,
    samples: pd.DataFrame,
    cubs: pd.DataFrame,
) -> list[Problem]:
    """List what exceeds or lacks a permit, as records and permits stand.

    Parameters
    ----------
    permits, handlings, marks, drugs, samples, cubs : DataFrame
        Records of these kinds.

    Returns
    -------
    list of Problem
        Warnings, each at the record it is about. That nothing is listed does not say that everything
        was allowed: densite compares words and numbers only.
    """
    events, left = events_of(handlings, marks, drugs, samples, cubs)
    known, found = read_permits(permits)
    numbers = _by_number(known)
    for event in events:
        found += [problem for told_ in _about_handling(event, numbers) for problem in told_]
    found += [problem for acts in _by_place(left) for problem in _without_handling(acts)]
    uses = _uses(events, known)
    for permit in known:
        mine = uses[permit.row["record_id"]]
        found += [problem for told_ in _beyond(permit, mine) for problem in told_]
    return found


Found = Iterator[list[Problem]]


def _about_handling(event: Event, numbers: dict[str, list[Permit]]) -> Found:
    """Compare one handling with the permits that it names."""
    row = event.row
    name, named = f"handling of {row['animal']} on {row['date']}", named_permits(row)
    for word in listed(row["procedures"]):
        yield unknown_procedure(row, name, word)
    if not named:
        yield told(row, f"{name} names no permit", field="permit", hint="correct the record: under which permit?")
        return
    for number in named:
        if folded_number(number) not in numbers:
            near = difflib.get_close_matches(folded_number(number), numbers, n=1)
            mend = "hand in the permit, or mend the number; semicolons between several"
            hint = f"is {numbers[near[0]][0].number} meant?" if near else mend
            yield told(row, f"{name}: permit {number} is not on file", field="permit", hint=hint)
    on_file = [permit for number in named for permit in numbers.get(folded_number(number), ())]
    for permit in on_file:
        yield _outside(event, name, permit, on_file)
    valid = [permit for permit in on_file if permit.covers_day(row["date"])]
    if valid:
        yield from _uncovered(event, name, valid)


def _outside(event: Event, name: str, permit: Permit, named: list[Permit]) -> list[Problem]:
    """Say that a handling lies outside a permit's days, unless another one of the same number covers it."""
    row, day = event.row, event.row["date"]
    same = [other for other in named if folded_number(other.number) == folded_number(permit.number)]
    if any(other.covers_day(day) for other in same):
        return []
    hint = "is the day right? Otherwise another permit covers it, or none does"
    if not permit.valid_from <= day <= permit.valid_to:
        said = f"{name} lies outside permit {permit.number}: valid {permit.valid_from} to {permit.valid_to}"
        return told(row, said, field="permit", hint=hint)
    months = listing(map(str, sorted(permit.months)), most=12) or "none that can be read"
    return told(row, f"{name} lies outside the months of permit {permit.number}: {months}", field="permit", hint=hint)


def _uncovered(event: Event, name: str, valid: list[Permit]) -> Found:
    """Say which procedures none of the permits that are valid on the day lists."""
    numbers = listing(dict.fromkeys(permit.number for permit in valid))
    for procedure, acts in event.procedures.items():
        if not any(permit.covers(event.row["date"], procedure) for permit in valid):
            said = f"{name}: '{procedure}' is not among the procedures of {numbers}"
            known = listing(dict.fromkeys(act.known_from for act in acts), most=3)
            yield told(event.row, said, field="permit", hint=f"known from: {known}")


def _without_handling(acts: list[Act]) -> list[Problem]:
    """Say once for an animal, or for the cubs of a den, that nothing names a permit on that day."""
    first = next((act for act in acts if "cub_no" in act.row), acts[0])
    who = listing({animal_key(act.animal): act.animal for act in acts}.values())
    done = ", ".join(name for name in PROCEDURES if any(act.procedure == name for act in acts))
    said = f"{done}: {who} on {first.date}, without a handling record of that day, so no permit is named"
    known = listing(dict.fromkeys(act.known_from for act in acts), most=3)
    return told(first.row, said, field="permit", hint=f"known from: {known}; hand in the handling with its permit")


def _by_place(acts: list[Act]) -> Iterable[list[Act]]:
    """Gather acts of one day on one animal, or on the cubs of one den, with marks and samples of these cubs."""
    keys = [(animal_key(act.animal), act.date) for act in acts]
    dens = {key: folded(act.row["den_label"]) for key, act in zip(keys, acts, strict=True) if "cub_no" in act.row}
    groups: dict[tuple[str, dt.date], list[Act]] = defaultdict(list)
    for key, act in zip(keys, acts, strict=True):
        groups[dens.get(key, key[0]), act.date].append(act)
    return groups.values()


def _beyond(permit: Permit, uses: list[Use]) -> Found:
    """Name the handlings and cubs beyond a permit's numbers, in order of date."""
    animals, cubs = [use.animals for use in uses], [use.cubs for use in uses]
    for who, limit, what, which in (
        (animals, permit.max_animals, "handling of {} on {} is", "animal"),
        (cubs, permit.max_cubs, "cubs handled with {} on {} are", "up to cub"),
    ):
        for place, rank in _ranked(who, limit):
            row = uses[place].event.row
            said = (
                f"{what.format(row['animal'], row['date'])} beyond permit {permit.number}: {which} {rank} of {limit:g}"
            )
            yield told(row, f"{said} allowed", field="permit", hint="is another permit to be named?")


def _ranked(who: list[list[str]], limit: float | None) -> Iterator[tuple[int, int]]:
    """Yield where an individual is beyond the limit, with the highest number in order of first handling."""
    order: dict[str, int] = {}
    for place, individuals in enumerate(who):
        ranks = [order.setdefault(one, len(order) + 1) for one in individuals]
        if limit is not None and max(ranks, default=0) > limit:
            yield place, max(ranks)
