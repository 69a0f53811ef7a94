"""A comparison written down: every row in every form, nothing that breaks a table."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pandas as pd
import pytest
from made_questions import question

from densite import findings
from densite.compare import Chance, Comparison, compare
from densite.compare.result import Unsaid


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    """A small study's comparison."""
    return compare(question(females=30), chance=Chance(permutations=199, bootstraps=199))


def test_csv_has_every_row_and_what_cannot_be_said(comparison) -> None:
    """Numbers as they are, missing ones empty."""
    rows = list(csv.DictReader(io.StringIO(findings.as_csv(comparison))))
    assert len(rows) == len(comparison.results) + len(comparison.unsaid)
    for number, (row, result) in enumerate(zip(rows, comparison.results, strict=False), start=1):
        assert (int(row["row"]), row["key"], row["method"]) == (number, result.key, result.method)
        assert row["p"] == "" if result.p is None else float(row["p"]) == pytest.approx(result.p, rel=1e-3)
        assert len(row["estimate"].lstrip("-0.").split("e")[0].replace(".", "").rstrip("0")) <= 4
    assert rows[-1]["note"].startswith("cannot be said: ")
    assert "nan" not in findings.as_csv(comparison)
    bare = replace(comparison, blocks=tuple(replace(block, unsaid=()) for block in comparison.blocks))
    assert len(pd.read_csv(io.StringIO(findings.as_csv(bare)))) == len(comparison.results)


def test_json_is_one_object_for_programs(comparison) -> None:
    """Sentences carry the keys of their rows."""
    told = json.loads(findings.as_json(comparison))
    assert [result["key"] for result in told["results"]] == [result.key for result in comparison.results]
    keys = {result["key"] for result in told["results"]}
    assert told["answer"]
    assert all(set(sentence["rows"]) <= keys for sentence in told["answer"])


def test_text_fits_the_terminal_and_numbers_its_rows(comparison) -> None:
    """A sentence's rows are those of the table; all methods are told in the full text."""
    short, full = findings.as_text(comparison, full=False), findings.as_text(comparison)
    assert len(full) > 3 * len(short)
    first = comparison.answer[0]
    number = [result.key for result in comparison.results].index(first.rows[0]) + 1
    assert f"{first.text} [row {number}]" in " ".join(short.split())
    assert max(len(line) for line in short.splitlines()) <= 110
    flat = " ".join(full.split())
    for result in comparison.results:
        assert " ".join(result.method.split()) in flat
        assert " ".join(result.source.split()) in flat


def test_markdown_tables_hold_their_columns(comparison) -> None:
    """A pipe in a name does not break a row."""
    block = comparison.blocks[0]
    odd = replace(block, results=(replace(block.results[0], what="a | b <c>"), *block.results[1:]))
    text = findings.as_markdown(replace(comparison, blocks=(odd, *comparison.blocks[1:])))
    lines = [line for line in text.splitlines() if line.startswith("|")]
    assert {line.replace("\\|", "").count("|") for line in lines} == {len(findings.HEADS) + 1}
    assert " <c>" not in text


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0.0, "0.00"),
        (-2.4149, "-2.41"),
        (176.4, "176"),
        (0.03794, "0.0379"),
        (1234567.0, "1.23e+06"),
        (1e-7, "1.00e-07"),
    ],
)
def test_numbers_have_three_digits(number, text) -> None:
    """And no exponent where people write none."""
    assert findings._number(number) == text


def test_nothing_found_is_told(comparison) -> None:
    """A comparison of nothing but what cannot be said has its reasons."""
    blocks = (replace(comparison.blocks[0], results=(), unsaid=(Unsaid("x", "the trend", "one den"),)),)
    text = findings.as_text(replace(comparison, blocks=blocks, answer=()))
    assert "What cannot be said\nthe trend: one den" in text
