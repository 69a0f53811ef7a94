"""Records of the animals' side: what a model takes, frames with their types, teeth."""

import datetime as dt
import uuid

import pandas as pd
import pytest
from pydantic import ValidationError

from densite.animals import (
    animal_key,
    cub_name,
    frame_of,
    listed,
    model_of,
    number_of,
    read_teeth,
    record_uuid,
    rows_of,
    text_of,
)
from densite.animalterms import KINDS
from densite.records import problems_of

ENVELOPE = {"record_id": uuid.UUID(int=1), "recorded_at": dt.datetime(2026, 3, 9, tzinfo=dt.UTC), "row_key": "k"}
CUB = ENVELOPE | {"den_label": "D-1", "date": "2026-03-07", "cub_no": "1", "sex": "F"}


def cub(**fields):
    """Make a cub's record."""
    return model_of(KINDS["cub"]).model_validate(CUB | fields)


# Exact by definition: international pound 453.59237 g, inch 25.4 mm (1959), C = (F - 32) / 1.8.
@pytest.mark.parametrize(
    ("field", "text", "kept"),
    [
        ("mass_g", "2 lb", 907.18474),
        ("mass_g", "1.8 kg", 1800),
        ("mass_g", "32 oz", 907.18474),
        ("ear_mm", "1 in", 25.4),
        ("hair_mm", "2.5cm", 25),
        ("minutes_out", "12 min", 12),
    ],
)
def test_units_that_are_written_are_turned(field, text, kept) -> None:
    """The column's own unit is kept."""
    assert getattr(cub(**{field: text}), field) == pytest.approx(kept, rel=1e-12)


def test_fahrenheit_that_is_written_is_turned() -> None:
    """98.6 F is 37 C."""
    reading = model_of(KINDS["reading"])
    record = reading.model_validate(ENVELOPE | {"animal": "A", "date": "2026-03-07", "temperature_c": "98.6 F"})
    assert record.temperature_c == pytest.approx(37)


def test_words_are_folded_to_the_documented_ones() -> None:
    """F, Yes and Tragus-to-Tip."""
    record = cub(scent_masked="Y", ear_landmark="Tragus-to-Tip", eyes="OPEN", state_back=" ")
    assert (record.sex, record.scent_masked, record.ear_landmark, record.eyes) == (
        "female",
        "yes",
        "tragus to tip",
        "open",
    )
    assert record.state_back is None
    assert [cub(dead=word).dead for word in ("n", "NO", "yes")] == ["no", "no", "yes"]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"sex": ""}, "sex is empty; allowed: female, male, unknown"),
        ({"sex": "x"}, "sex 'x'; allowed: female, male, unknown"),
        ({"mass_g": "2 ml"}, "this column is in g"),
        ({"mass_g": "-3"}, "mass_g"),
        ({"cub_no": None}, "cub_no"),
        ({"eyes": "half"}, "allowed: closed, opening, open"),
    ],
)
def test_what_cannot_be_is_told_in_the_terms_words(fields, said) -> None:
    """Field, value, what is allowed."""
    terms = {term.name: term for term in KINDS["cub"].terms}
    with pytest.raises(ValidationError) as caught:
        cub(**fields)
    assert said in str(problems_of(caught.value, terms)[0])


@pytest.mark.parametrize("kind", KINDS)
def test_frames_have_their_types_also_when_empty(kind) -> None:
    """Numbers are floats and times UTC, with or without rows."""
    for rows in ([], [{"record_id": uuid.UUID(int=7)}]):
        frame = frame_of(kind, rows)
        assert len(frame) == len(rows)
        for term in KINDS[kind].terms:
            if term.kind == "number":
                assert frame[term.name].dtype == float
            elif term.kind == "time":
                assert str(frame[f"{term.name}_at"].dtype) == "datetime64[ns, UTC]"
        blank = dict.fromkeys(("record_id", *frame.columns))
        assert rows_of(frame) == [blank | {"record_id": str(uuid.UUID(int=7))}] * len(rows)


def test_rows_of_a_frame_hold_plain_values() -> None:
    """None for missing, datetime for times."""
    at = dt.datetime(2026, 3, 7, 15, 14, tzinfo=dt.UTC)
    row = rows_of(frame_of("reading", [{"record_id": "x", "read_at": at, "heart_rate": 40}]))[0]
    assert (row["read_at"], row["heart_rate"], row["respiration"], row["airway"]) == (at, 40.0, None, None)
    assert not isinstance(row["read_at"], pd.Timestamp)


def test_cells_without_a_value() -> None:
    """None, and what pandas uses as missing."""
    assert [text_of(value) for value in (None, float("nan"), pd.NaT, pd.NA, " a ", 3)] == ["", "", "", "", "a", "3"]
    assert [number_of(value) for value in (None, float("nan"), pd.NA, 0)] == [None, None, None, 0.0]


def test_names_of_cubs() -> None:
    """The id, else number, den and day: also in keys by which cubs are counted."""
    row = {"cub_id": None, "cub_no": 2.0, "den_label": "D-1", "date": dt.date(2026, 3, 7)}
    assert cub_name(row | {"cub_id": "OB-1-26a"}) == "OB-1-26a"
    assert cub_name(row) == "cub 2 of D-1, 2026-03-07"
    names = [cub_name(row | change) for change in ({}, {"cub_no": 3.0}, {"den_label": "D-2"}, {"cub_no": None})]
    assert len({animal_key(name) for name in names}) == 4


def test_teeth() -> None:
    """Each tooth with its state; alone it is through the gum."""
    assert read_teeth("uc LC=felt; ui3=absent") == {"uc": "through", "lc": "felt", "ui3": "absent"}
    assert read_teeth(None) == read_teeth("  ") == {}


@pytest.mark.parametrize(("text", "said"), [("c", "'c' is no tooth"), ("uc=no", "no tooth"), ("uc uc=felt", "twice")])
def test_what_is_no_tooth(text, said) -> None:
    """Told by its word."""
    with pytest.raises(ValueError, match=said):
        read_teeth(text)


def test_lists_in_a_cell() -> None:
    """Semicolons or commas, folded."""
    assert listed(" Blood;  Ear  tag,;") == ("blood", "ear tag")
    assert listed(None) == ()


def test_ids_last_and_differ() -> None:
    """Made from study, kind and row."""
    assert record_uuid("s", "cub", "k") == record_uuid("s", "cub", "k")
    assert len({record_uuid(s, k, r) for s in "st" for k in ("cub", "mark") for r in "kl"}) == 8
