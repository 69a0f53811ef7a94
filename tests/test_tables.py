"""The den-type table: counts that add up, notes in every format, numbers that survive writing."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Callable

import pandas as pd
import pytest

from densite import tables
from densite.compare.frequencies import ALL_CLASSES, METHODS, NO_CLASS, NOT_RECORDED
from densite.errors import StatisticsError
from densite.tables import DenTypeTable, as_csv, as_json, as_markdown, as_text, den_type_table

TYPES = ("tree", "ground bed", "rock ledge", "brush")
CLASSES = ("urban", "suburban", "rural")
DEFINITION = "Gradient: housing density within 1000 m. Classes: urban: less than 0.1 ha per unit (source)."


def dens() -> pd.DataFrame:
    """Return 60 dens of 30 females, one of unknown type, one without type, two without class."""
    rows = [
        {
            "den_type": TYPES[(i // 2 + i % 3) % 4],
            "landscape_class": ("suburban", "rural", "rural")[i % 3],
            "female": f"OB-{i // 2:03d}",
            "class_certain": i % 5 != 0,
            "reason": "",
        }
        for i in range(60)
    ]
    frame = pd.DataFrame(rows).astype({"class_certain": object})
    frame.loc[0, "den_type"], frame.loc[1, "den_type"] = "unknown", None
    frame.loc[[2, 3], ["landscape_class", "class_certain"]] = None
    frame.loc[[2, 3], "reason"] = ["outside the layer 'population'", ""]
    frame.loc[4, "female"] = " "
    frame.loc[5, "class_certain"] = None
    return frame


@pytest.fixture(name="table")
def made() -> DenTypeTable:
    """Return the table of the dens above."""
    return den_type_table(dens(), definition=DEFINITION, types=TYPES, classes=CLASSES)


def test_counts_add_up_to_the_dens_handed_in(table: DenTypeTable) -> None:
    """Nothing is dropped: classes, no class, unknown and missing types hold all 60."""
    groups = table.frame.groupby("landscape_class")["n"].sum()
    assert groups[ALL_CLASSES] == groups[list(CLASSES)].sum() == 58
    assert groups[ALL_CLASSES] + groups[NO_CLASS] == table.counts["dens"] == 60
    assert {name: table.counts[name] for name in table.counts if name != "dens"} == {
        "dens_with_class": 58, "dens_without_class": 2, "dens_of_unknown_type": 1, "dens_without_type": 1,
        "dens_without_female": 1, "females": 30, "dens_of_uncertain_class": 11, "dens_of_unchecked_class": 1,
    }  # fmt: skip


def test_footnotes_tell_what_is_unknown_missing_or_uncertain(table: DenTypeTable) -> None:
    """One sentence each, with the reasons why a class is missing."""
    notes = " ".join(table.footnotes)
    for part in (
        "60 dens in all, of 30 known females", "2 dens have no landscape class",
        "outside the layer 'population' (1)", "1 dens are of unknown type", "1 dens have no type at all",
        "1 dens have no known female",
        "The class of 11 of 58 dens is uncertain", "1 dens could not be checked",
    ):  # fmt: skip
        assert part in notes


@pytest.mark.parametrize("write", [as_text, as_markdown, as_csv, as_json])
def test_every_format_carries_definition_method_and_caution(
    table: DenTypeTable, write: Callable[[DenTypeTable], str]
) -> None:
    """Whoever gets one file alone can still read it rightly."""
    told = " ".join(re.sub(r"\\(.)", r"\1", write(table)).split())
    for part in (
        DEFINITION, "Dens of one female are not independent", "t with females - 1 degrees of freedom",
        "first female recorded", "The class of 11 of 58 dens is uncertain", NO_CLASS, "unknown", NOT_RECORDED,
    ):  # fmt: skip
        assert part in told
    assert not re.search(r"p[- ]value|chi|significan", told, re.IGNORECASE)


def test_text_fits_a_terminal_and_shows_the_rows_numbers(table: DenTypeTable) -> None:
    """No line over 100 columns; the first suburban row holds its count, share and both intervals."""
    lines = as_text(table).splitlines()
    assert max(map(len, lines)) <= 100
    row = table.frame.query("landscape_class == 'suburban' and den_type == 'tree'").iloc[0]
    line = next(line for line in lines if line.startswith("suburban"))
    assert line.split()[:5] == ["suburban", str(row["dens"]), str(row["females"]), "tree", str(row["n"])]
    numbers = re.findall(r"\d+\.\d", line)
    expected = [row[name] for name in ("share", "lower", "upper", "wilson_lower", "wilson_upper")]
    assert numbers == [f"{100 * value:.1f}" for value in expected]


def test_long_class_names_are_wrapped_and_kept(table: DenTypeTable) -> None:
    """A name of 120 letters runs down its column."""
    name = "very thinly settled valley bottoms with summer cabins and old fields, " * 2
    frame = dens().assign(landscape_class=name.strip())
    long = den_type_table(frame, definition=DEFINITION, types=TYPES, classes=[name.strip()])
    text = as_text(long)
    assert max(map(len, text.splitlines())) <= 100
    first = [line[: 100 - 62 - 12].strip() for line in text.splitlines()]
    assert name.strip() in " ".join(first)
    assert len(as_text(table).splitlines()) < len(text.splitlines()) + 30


def test_csv_reads_back_to_the_same_numbers(table: DenTypeTable) -> None:
    """Tidy rows, no comment lines, the definition as a column."""
    back = pd.read_csv(io.StringIO(as_csv(table)), keep_default_na=False, na_values=[""], dtype=str)
    numbers = [*table.frame.select_dtypes("number").columns, "confidence"]
    back[numbers] = back[numbers].astype(float)  # as Python reads them: pandas 2 rounds when it parses numbers itself
    pd.testing.assert_frame_equal(back[table.frame.columns], table.frame, check_exact=True, check_dtype=False)
    assert set(back["class_definition"]) == {DEFINITION}
    assert set(back["confidence"]) == {0.95}


def test_json_reads_back_to_the_same_numbers(table: DenTypeTable) -> None:
    """Missing numbers are null, which is JSON; NaN is not."""
    text = as_json(table)
    told = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    for column in table.frame.columns:
        expected = [None if pd.isna(value) else value for value in table.frame[column].tolist()]
        assert [row[column] for row in told["rows"]] == expected
    assert told["counts"]["dens"] == 60
    assert told["interval_methods"].items() <= METHODS.items()
    empty = [row for row in told["rows"] if row["landscape_class"] == "urban"]
    assert all(row["share"] is None and row["n"] == 0 for row in empty)


def test_markdown_has_one_line_per_row_and_equal_columns(table: DenTypeTable) -> None:
    """Every row of the pipe table has as many cells as its head."""
    lines = [line for line in as_markdown(table).splitlines() if line.startswith("|")]
    assert len(lines) == len(table.frame) + 2
    assert {line.count("|") for line in lines} == {9}


def test_markdown_does_not_let_names_become_markup() -> None:
    """A polygon's name comes from someone's file."""
    name = "<img src=x onerror=alert(1)> | *hill*\nside"
    frame = dens().assign(landscape_class=name)
    text = as_markdown(den_type_table(frame, definition=DEFINITION, types=TYPES, classes=[name]))
    assert r"\<img src=x onerror=alert(1)> \| \*hill\* side" in text
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", line)) for line in rows} == {9}


def test_an_empty_class_shows_dashes(table: DenTypeTable) -> None:
    """Urban has no dens: no share, no interval, and its rows stand."""
    line = next(line for line in as_text(table).splitlines() if line.startswith("urban"))
    assert line.split() == ["urban", "0", "0", "tree", "0", "-", "-", "-"]


def test_another_confidence_is_named() -> None:
    """A 90 % interval says so in its head and its note."""
    table = den_type_table(dens(), definition=DEFINITION, types=TYPES, classes=CLASSES, confidence=0.9)
    assert "90 % interval" in as_text(table)
    assert "90 % intervals" in table.method


def test_table_without_certainty_makes_no_claim_about_it() -> None:
    """Dens without the column class_certain have no footnote on it."""
    table = den_type_table(
        dens().drop(columns=["class_certain", "reason"]), definition=DEFINITION, types=TYPES, classes=CLASSES
    )
    assert not any("uncertain" in note for note in table.footnotes)


def test_no_dens() -> None:
    """An empty register gives a table that says so in every format."""
    table = den_type_table(dens().iloc[:0], definition=DEFINITION, types=TYPES, classes=CLASSES)
    assert table.footnotes[0] == "0 dens in all, of 0 known females."
    assert math.isnan(table.frame["share"].iloc[0])
    for write in tables.WRITERS.values():
        assert "0 dens in all" in write(table)


def test_missing_columns_and_definition_are_told() -> None:
    """What, and what is needed."""
    with pytest.raises(StatisticsError, match="lack the column female; needed: den_type"):
        den_type_table(dens().drop(columns="female"), definition=DEFINITION, types=TYPES, classes=CLASSES)
    with pytest.raises(StatisticsError, match="sentence that defines"):
        den_type_table(dens(), definition=" ", types=TYPES, classes=CLASSES)
