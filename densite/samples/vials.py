"""The list that goes to the laboratory with the vials."""

from __future__ import annotations

import csv
import io

import pandas as pd

from densite.animals import Row, animal_key, rows_of
from densite.intake.rejects import guarded
from densite.records import folded
from densite.samples.chain import steps_by_label
from densite.samples.labels import folded_label

COLUMNS = (
    "sample_label", "vial", "tissue", "preservative", "taken_on", "species", "sex", "laboratory", "shipment",
)  # fmt: skip
_AWAY = ("shipped", "received", "analysed")
_SETTLES = (*_AWAY, "returned", "discarded")


def manifest(
    samples: pd.DataFrame,
    custody: pd.DataFrame,
    *,
    laboratory: str | None = None,
    shipment: str | None = None,
    only_unsent: bool = True,
    animals: pd.DataFrame | None = None,
    cubs: pd.DataFrame | None = None,
    with_sex: bool = False,
) -> pd.DataFrame:
    """List the vials for a laboratory, one row a vial.

    The laboratory is not the crew. Left out on purpose: den label, den id, coordinates, storage,
    observer and notes, from which a den place may be guessed; and the animal's id, so that a laboratory
    that determines sex or kinship does so without knowing whose cub it is. Sex is left out unless it is
    asked for. Results come back by label.

    Parameters
    ----------
    samples, custody : DataFrame
        Records of these kinds.
    laboratory : str, optional
        Only samples that are meant for this laboratory.
    shipment : str, optional
        Only samples that the custody records name under this shipment, sent or not.
    only_unsent : bool
        Leave out samples that are on their way to a laboratory, at one, or discarded. Those that came
        back are listed. Not used where a shipment is named.
    animals, cubs : DataFrame, optional
        Records of these kinds, for species and sex.
    with_sex : bool
        Tell the laboratory the animals' sex.

    Returns
    -------
    DataFrame
        Indexed by record_id, in order of labels: sample_label, vial (the label where the vial has no
        number of its own), tissue, preservative, taken_on (date), species, sex if asked for, laboratory,
        shipment.
    """
    steps = steps_by_label(samples, custody)
    kinds = _species_and_sex(animals, cubs)
    rows = []
    for row in rows_of(samples):
        sent = _shipments(steps[row["sample_label"]])
        if shipment is not None:
            wanted = folded_label(shipment) in map(folded_label, sent)
        else:
            wanted = not (only_unsent and _is_away(steps[row["sample_label"]]))
        if wanted and (laboratory is None or folded(row["laboratory"]) == folded(laboratory)):
            rows.append(_vial(row, kinds, shipment or (sent[-1] if sent else None)))
    columns = [name for name in COLUMNS if with_sex or name != "sex"]
    frame = pd.DataFrame(rows, columns=["record_id", *columns], dtype=object).set_index("record_id")
    return frame.sort_values("sample_label", key=lambda labels: labels.map(folded_label), kind="stable")


def as_csv(frame: pd.DataFrame) -> str:
    """Write a frame as CSV that no spreadsheet takes for formulas.

    Parameters
    ----------
    frame : DataFrame
        Its index is left out.

    Returns
    -------
    str
        Comma-separated with a heading line; missing cells blank. An apostrophe stands before a cell that
        a spreadsheet would run; ``densite intake`` takes it away again.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(frame.columns)
    for row in frame.itertuples(index=False):
        writer.writerow("" if pd.isna(cell) else guarded(_written(cell)) for cell in row)
    return text.getvalue()


def _written(cell: object) -> str:
    """Write whole numbers without a decimal point: a count that may be missing is a float in pandas."""
    return str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell)


def _vial(row: Row, kinds: dict[str, tuple[str | None, str | None]], shipment: str | None) -> Row:
    species, sex = kinds.get(animal_key(row["animal"]), (None, None))
    taken = {"vial": row["vial"] or row["sample_label"], "taken_on": row["date"]}
    return row | taken | {"species": species, "sex": sex, "shipment": shipment}


def _is_away(steps: list[Row]) -> bool:
    last = [step["step"] for step in steps if step["step"] in _SETTLES][-1:]
    return bool(last) and last[0] != "returned"


def _shipments(steps: list[Row]) -> list[str]:
    return [step["shipment"] for step in steps if step["shipment"]]


def _species_and_sex(
    animals: pd.DataFrame | None, cubs: pd.DataFrame | None
) -> dict[str, tuple[str | None, str | None]]:
    """Return species and sex by id; a cub is of its mother's species where no record says so."""
    known = [] if animals is None else rows_of(animals)
    kinds = {animal_key(row["animal"]): (row["species"], row["sex"]) for row in known}
    for cub in [] if cubs is None else rows_of(cubs):
        if cub["cub_id"]:
            mother, _ = kinds.get(animal_key(cub["female"]), (None, None))
            species, sex = kinds.get(animal_key(cub["cub_id"]), (None, None))
            kinds[animal_key(cub["cub_id"])] = (species or mother, sex or cub["sex"])
    return kinds
