"""What in the records of samples a person should look at again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import combinations

import pandas as pd

from densite.animals import Row, animal_key, cub_name, rows_of
from densite.errors import Problem
from densite.placed import listing, told
from densite.records import folded
from densite.samples.chain import gaps, steps_by_label
from densite.samples.labels import LabelBook, folded_label, one_slip_apart
from densite.samples.laboratory import determined, meant, same_value

SEX_WORDS = {"f": "female", "female": "female", "xx": "female", "m": "male", "male": "male", "xy": "male"}

Found = Iterator[list[Problem]]


def findings(
    samples: pd.DataFrame, custody: pd.DataFrame, results: pd.DataFrame, cubs: pd.DataFrame, animals: pd.DataFrame
) -> list[Problem]:
    """List the open questions about samples, their custody and their results.

    Parameters
    ----------
    samples, custody, results, cubs, animals : DataFrame
        Records of these kinds.

    Returns
    -------
    list of Problem
        Warnings, each at the record it is about; what a person has confirmed is left out.
    """
    book = LabelBook(samples["sample_label"])
    taken, measured, found = rows_of(samples), rows_of(cubs), rows_of(results)
    rules = (
        _one_label(taken), _one_vial(taken), _near_twins(taken), _places_in_labels(taken),
        _unknown_animals(taken, measured, rows_of(animals)), _labels_of_cubs(taken, measured, book),
        _cubs_without_label(taken, measured, book), _nowhere(rows_of(custody), book, "custody step"),
        _nowhere(found, book, "result"), _two_values(found, book), _other_sex(found, taken, measured, animals, book),
        _still_without(taken, found, custody, samples, book),
    )  # fmt: skip
    return [*(problem for rule in rules for told_ in rule for problem in told_), *gaps(samples, custody)]


def label_findings(samples: pd.DataFrame) -> list[Problem]:
    """List what is wrong with the labels themselves, before vials leave the house.

    Parameters
    ----------
    samples : DataFrame
        Records of this kind.

    Returns
    -------
    list of Problem
        One label in two spellings, one vial under two labels, labels that may be one sample entered
        twice, labels that name a den.
    """
    rows = rows_of(samples)
    rules = (_one_label(rows), _one_vial(rows), _near_twins(rows), _places_in_labels(rows))
    return [problem for rule in rules for found in rule for problem in found]


def _name(row: Row) -> str:
    return f"sample {row['sample_label']} of {row['animal']}"


def _grouped(rows: Iterable[Row], key: str) -> list[list[Row]]:
    """Gather rows that hold the same label in one column, in any spelling."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row[key] and folded_label(row[key]):
            groups[folded_label(row[key])].append(row)
    return list(groups.values())


def _one_label(rows: list[Row]) -> Found:
    for first, *others in _grouped(rows, "sample_label"):
        for row in others:
            spelled = "" if row["sample_label"] == first["sample_label"] else ", spelled otherwise"
            said = f"{_name(row)}: the label is that of {first['sample_label']} of {first['animal']}{spelled}"
            yield told(row, said, field="sample_label", hint="two vials with one label, or one sample entered twice?")


def _one_vial(rows: list[Row]) -> Found:
    labels = {folded_label(row["sample_label"]): row for row in rows}
    for first, *others in _grouped(rows, "vial"):
        for row in others:
            if folded_label(row["sample_label"]) != folded_label(first["sample_label"]):
                said = f"{_name(row)}: vial {row['vial']} is also that of {_name(first)}"
                yield told(row, said, field="vial", hint="which of the two is in it?")
    for row in rows:
        other = labels.get(folded_label(row["vial"] or ""), row)
        if folded_label(other["sample_label"]) != folded_label(row["sample_label"]):
            said = f"{_name(row)}: its vial {row['vial']} bears the label of {_name(other)}"
            yield told(row, said, field="vial", hint="are the two swapped?")


def _near_twins(rows: list[Row]) -> Found:
    """Ask about samples of one animal, day and tissue whose labels are a slip apart, numbers in sequence aside.

    Labels count up, so most are one digit from others: only such twins are worth a question.
    """
    groups: dict[tuple[object, ...], list[Row]] = defaultdict(list)
    for row in rows:
        groups[(animal_key(row["animal"]), row["date"], row["tissue"])].append(row)
    for group in groups.values():
        for first, row in combinations(group, 2):
            a, b = first["sample_label"], row["sample_label"]
            if row["date"] and one_slip_apart(a, b) and not _in_sequence(a, b, len(group)):
                said = f"{_name(row)}: same day and tissue as {a}, and the labels are one slip apart"
                yield told(row, said, field="sample_label", hint="one sample entered twice? Confirm if there are two")


def _in_sequence(one: str, other: str, taken: int) -> bool:
    """Say whether two labels count up by a last number or letter, as those of vials filled one after another."""
    (a, m), (b, n) = _counted(one), _counted(other)
    return a == b and abs(m - n) < taken


def _counted(label: str) -> tuple[str, int]:
    """Split a label into what stays and what counts up: its last number, or its last letter."""
    whole = folded_label(label)
    stem = whole.rstrip("0123456789")
    if stem != whole:
        return stem, int(whole[len(stem) :])
    return (whole[:-1], ord(whole[-1])) if whole else ("", 0)


def _places_in_labels(rows: list[Row]) -> Found:
    """Warn of labels that tell a laboratory the den."""
    for row in rows:
        den, label = (folded_label(row[name] or "").replace("-", "") for name in ("den_label", "sample_label"))
        if len(den) > 2 and den in label:  # a den called 7 is in many labels
            said = f"{_name(row)}: the label names the den"
            yield told(row, said, field="sample_label", hint="the laboratory reads it; label vials without the den")


def _unknown_animals(rows: list[Row], cubs: list[Row], animals: list[Row]) -> Found:
    known = {animal_key(row["animal"]) for row in animals}
    known |= {animal_key(row[name]) for row in cubs for name in ("cub_id", "female")}
    for row in rows:
        if animal_key(row["animal"]) not in known:
            said = f"{_name(row)}: no animal or cub record has this id"
            yield told(row, said, field="animal", hint="hand in the animal's record, or correct the id")


def labels_of(cub: Row) -> list[str]:
    """Return the sample labels on a cub's row, separated by semicolons where there are several."""
    return [label.strip() for label in (cub["sample_label"] or "").split(";") if label.strip()]


def _labels_of_cubs(rows: list[Row], cubs: list[Row], book: LabelBook) -> Found:
    """Compare the labels on cub rows with the samples' own records."""
    known = {row["sample_label"]: row for row in rows}
    bearers: dict[str, str] = {}
    for cub in cubs:
        for label in labels_of(cub):
            sample = known.get(book.find(label) or "")
            if sample is None:
                said = f"{cub_name(cub)}: its sample {label} has no record of its own"
                yield told(cub, said, field="sample_label", hint=meant(book, label))
                continue
            yield from _disagreement(cub, label, sample)
            first = bearers.setdefault(sample["sample_label"], cub_name(cub))
            if first != cub_name(cub):
                said = f"{cub_name(cub)}: its sample {label} also stands on the row of {first}"
                yield told(cub, said, field="sample_label", hint="one vial, two cubs: which?")


def _disagreement(cub: Row, label: str, sample: Row) -> Found:
    """Say where a cub's row and the record of its sample do not tell of the same animal and day."""
    if cub["cub_id"] and animal_key(sample["animal"]) != animal_key(cub["cub_id"]):
        said = f"{cub_name(cub)}: its sample {label} is recorded as one of {sample['animal']}"
        yield told(cub, said, field="sample_label", hint="swapped vials, or the mother's id on the cub's sample?")
    if sample["date"] and sample["date"] != cub["date"]:
        said = f"{cub_name(cub)}: its sample {label} stands on its row of {cub['date']}, but was taken {sample['date']}"
        yield told(cub, said, field="sample_label", hint="correct the label or the day")


def _cubs_without_label(rows: list[Row], cubs: list[Row], book: LabelBook) -> Found:
    """Say of which cub a sample is recorded while the cub's own row of that day names none."""
    named = {book.find(label) for cub in cubs for label in labels_of(cub)}
    silent = {(animal_key(cub["cub_id"]), cub["date"]) for cub in cubs if cub["cub_id"] and not labels_of(cub)}
    for row in rows:
        if row["sample_label"] not in named and (animal_key(row["animal"]), row["date"]) in silent:
            said = f"{_name(row)}: the cub's own row of {row['date']} names no sample"
            yield told(row, said, field="sample_label", hint="correct the cub's row, or was it taken from another cub?")


def _nowhere(rows: list[Row], book: LabelBook, what: str) -> Found:
    """Tell labels that no sample bears, each once."""
    unknown = {row["sample_label"]: row for row in reversed(rows) if book.find(row["sample_label"]) is None}
    for label, row in unknown.items():
        yield told(row, f"{what} on {label}: no sample is labelled so", field="sample_label", hint=meant(book, label))


def _two_values(results: list[Row], book: LabelBook) -> Found:
    first: dict[tuple[str, str], Row] = {}
    for row in results:
        label = book.find(row["sample_label"]) or row["sample_label"]
        known = first.setdefault(determined(label, row["determination"]), row)
        if not same_value(known["value"], row["value"]):
            said = f"sample {label}: {row['determination']} is {known['value']} and {row['value']}"
            who = listing(dict.fromkeys(r["laboratory"] for r in (known, row) if r["laboratory"]))
            hint = f"determined by {who}: ask which one holds" if who else "ask the laboratory which one holds"
            yield told(row, said, field="value", hint=hint)


def _other_sex(
    results: list[Row], samples: list[Row], cubs: list[Row], animals: pd.DataFrame, book: LabelBook
) -> Found:
    """Compare the sex that a laboratory found with the recorded one: swapped vials show here first."""
    sexes = {animal_key(cub["cub_id"]): cub["sex"] for cub in cubs if cub["cub_id"]}
    sexes |= {animal_key(row["animal"]): row["sex"] for row in rows_of(animals)}
    animal = {row["sample_label"]: row["animal"] for row in samples}
    for row in results:
        whose = animal.get(book.find(row["sample_label"]) or "")
        seen, found = sexes.get(animal_key(whose)), SEX_WORDS.get(row["value"].strip().casefold())
        if folded(row["determination"]) == "sex" and found and seen in ("female", "male") and found != seen:
            said = f"sample {row['sample_label']}: the laboratory found {found}, {whose} is recorded as {seen}"
            yield told(row, said, field="value", hint="swapped vials, or a wrong sex in the field?")


def _still_without(
    rows: list[Row], results: list[Row], custody: pd.DataFrame, samples: pd.DataFrame, book: LabelBook
) -> Found:
    """Say of which samples that were analysed no result is on file."""
    have = {book.find(row["sample_label"]) for row in results}
    steps = steps_by_label(samples, custody)
    for row in rows:
        done = [step for step in steps[row["sample_label"]] if step["step"] == "analysed"]
        if done and row["sample_label"] not in have:
            said = f"{_name(row)} was analysed on {done[-1]['date']}, but no result is on file"
            yield told(row, said, field="sample_label", hint="ask the laboratory, or hand in its file")
