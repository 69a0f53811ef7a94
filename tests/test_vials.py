"""The laboratory's list: what is on it, and what the laboratory must not learn."""

import datetime as dt

import pandas as pd
import pytest

from densite.animals import frame_of
from densite.samples import manifest
from densite.samples.vials import as_csv

DAY = dt.date(2026, 2, 24)


def samples(*rows):
    """Return sample records."""
    own = {"animal": "OB-031", "date": DAY, "tissue": "blood", "preservative": "ethanol", "den_label": "D-2026-14",
           "storage": "freezer at D-2026-14", "notes": "under the ledge at 43.512, -115.301"}  # fmt: skip
    return frame_of("sample", [{"record_id": f"r{n}"} | own | row for n, row in enumerate(rows)])


def custody(*steps):
    """Return custody records as (label, step, ...) with a shipment at will."""
    rows = [dict(zip(("sample_label", "step", "shipment"), step, strict=False)) for step in steps]
    return frame_of("custody", [{"date": DAY + dt.timedelta(n)} | row for n, row in enumerate(rows)])


TWO = samples({"sample_label": "S-10"}, {"sample_label": "S-09", "vial": "77", "laboratory": "Lab A"})


def test_one_row_a_vial() -> None:
    """In order of labels; a vial without a number is known by its label."""
    listed = manifest(TWO, custody())
    assert list(listed["sample_label"]) == ["S-09", "S-10"]
    assert list(listed["vial"]) == ["77", "S-10"]
    assert list(listed["taken_on"]) == [DAY, DAY]
    assert list(listed.index) == ["r1", "r0"]


def test_the_laboratory_learns_no_den() -> None:
    """Den, coordinates, storage, notes and the animal's id stay at home."""
    text = as_csv(manifest(TWO, custody(), animals=frame_of("animal", [{"animal": "OB-031", "sex": "female"}])))
    assert not any(word in text for word in ("D-2026", "43.5", "ledge", "freezer", "OB-031", "female"))


@pytest.mark.parametrize(
    ("steps", "listed"),
    [
        ([("S-10", "collected"), ("S-10", "stored")], True),
        ([("S-10", "collected"), ("s 10", "shipped")], False),
        ([("S-10", "shipped"), ("S-10", "received"), ("S-10", "stored")], False),
        ([("S-10", "shipped"), ("S-10", "received"), ("S-10", "returned"), ("S-10", "stored")], True),
        ([("S-10", "discarded")], False),
    ],
)
def test_only_what_is_at_home(steps, listed) -> None:
    """What is away or discarded is left out, whatever the spelling; what came back is listed; or all."""
    assert ("S-10" in list(manifest(TWO, custody(*steps))["sample_label"])) is listed
    assert len(manifest(TWO, custody(*steps), only_unsent=False)) == 2


def test_by_laboratory_and_shipment() -> None:
    """A shipment's list holds what was sent with it."""
    steps = custody(("S-09", "shipped", "P-1"), ("S-10", "shipped", "P-2"))
    assert list(manifest(TWO, steps, shipment="p 1")["sample_label"]) == ["S-09"]
    assert list(manifest(TWO, steps, shipment="p 1")["shipment"]) == ["p 1"]
    assert list(manifest(TWO, custody(), laboratory="lab  a")["sample_label"]) == ["S-09"]


def test_species_of_a_cub_is_its_mothers() -> None:
    """Sex only where it is asked for."""
    animals = frame_of("animal", [{"animal": "OB-031", "sex": "female", "species": "bear"}])
    cubs = frame_of("cub", [{"cub_id": "OB-031-26a", "female": "OB-031", "sex": "male", "den_label": "D", "date": DAY}])
    taken = samples({"sample_label": "S-1", "animal": "OB-031-26a"}, {"sample_label": "S-2", "animal": "OB-099"})
    listed = manifest(taken, custody(), animals=animals, cubs=cubs, with_sex=True)
    assert listed.loc["r0", ["species", "sex"]].tolist() == ["bear", "male"]
    assert listed.loc["r1", ["species", "sex"]].isna().all()
    both = pd.concat([animals, frame_of("animal", [{"animal": "ob 31 26A", "sex": "female", "species": "other"}])])
    listed = manifest(taken, custody(), animals=both, cubs=cubs, with_sex=True)  # its own record goes first
    assert listed.loc["r0", ["species", "sex"]].tolist() == ["other", "female"]
    assert "sex" not in manifest(taken, custody(), animals=animals, cubs=cubs)


def test_cells_are_no_formulas() -> None:
    """A spreadsheet must not run what a crew wrote."""
    text = as_csv(manifest(samples({"sample_label": "=1+1", "preservative": '@x, "y"'}), custody()))
    assert text.splitlines()[1].startswith('\'=1+1,\'=1+1,blood,"\'@x, ""y""",2026-02-24,')


def test_no_samples() -> None:
    """Headings alone."""
    assert as_csv(manifest(samples(), custody())).startswith("sample_label,vial,tissue")
