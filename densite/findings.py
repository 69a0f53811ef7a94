"""A comparison written down: for a terminal, a document, a spreadsheet, a program."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace

import pandas as pd

from densite.compare.comparison import Comparison
from densite.compare.result import AS_IF_INDEPENDENT, Block, Result, as_frame, p_in_words
from densite.intake.rejects import guarded_csv
from densite.tables import escaped, piped, wrapped

WIDTH = 100
TITLE = "Do dens differently near people?"
PERSON = (
    "Dens of one female are not independent, because females repeat den types: chance and intervals are taken over "
    "females. Rows marked 'dens' treat dens as if they were independent and claim too much."
)
CAUSE = (
    "An association along the gradient is no proof of its cause. Elevation, cover, distances and sun change toward "
    "people whether or not there are dens: a trend at dens is a choice only where it differs from that of the ground."
)

HEADS = ("row", "what", "where", "estimate", "interval", "p", "adjusted", "dens", "females", "by")


def as_text(comparison: Comparison, *, full: bool = True, width: int = WIDTH) -> str:
    """Lay a comparison out for a terminal.

    Parameters
    ----------
    comparison : Comparison
        What was found.
    full : bool
        All rows with their methods, or only the answer and the headline rows.
    width : int
        Width of the terminal, at least 90. [characters]

    Returns
    -------
    str
    """
    number = _numbers(comparison)
    lines = [TITLE, *wrapped(comparison.definition, width), ""]
    lines += [line for sentence in _answer(comparison, number) for line in wrapped(sentence, width)]
    if full:
        for block in comparison.blocks:
            lines += ["", _heading(block), *_rows(block.results, number, width), *_explained(block.results, width)]
    else:
        main = [_alone(result, block) for block in comparison.blocks for result in block.results if result.headline]
        lines += ["", "Main rows; all rows with methods and sources: --full", *_rows(main, number, width)]
    lines += _unsaid(comparison, width)
    lines += ["", *(line for note in (*comparison.told, PERSON, CAUSE) for line in wrapped(note, width))]
    return "\n".join(lines) + "\n"


def as_csv(comparison: Comparison) -> str:
    """Write one tidy row for each result, with method, assumptions and source.

    Parameters
    ----------
    comparison : Comparison
        What was found.

    Returns
    -------
    str
        CSV with a header line; numbers to four digits, missing ones empty. What cannot be said follows as rows whose
        ``note`` says why.
    """
    frame = as_frame(map(_rounded, comparison.results))
    unsaid = pd.DataFrame(
        [{"part": told.part, "what": told.what, "note": f"cannot be said: {told.why}"} for told in comparison.unsaid],
        columns=["part", "what", "note"],
    )
    frame.insert(0, "row", range(1, len(frame) + 1))
    whole = pd.concat([frame.astype(object), unsaid.astype(object)]) if len(unsaid) else frame
    return guarded_csv(whole[["row", *as_frame([]).columns]])


def as_markdown(comparison: Comparison) -> str:
    """Write a comparison as Markdown.

    Parameters
    ----------
    comparison : Comparison
        What was found.

    Returns
    -------
    str
        The answer, a pipe table for each part with its methods below, and the notes.
    """
    number = _numbers(comparison)
    lines = [f"# {TITLE}", "", escaped(comparison.definition), "", *map(escaped, _answer(comparison, number))]
    for block in comparison.blocks:
        if block.results:
            lines += ["", f"## {escaped(_heading(block))}", "", piped(HEADS), piped(["---"] * len(HEADS))]
            lines += [piped(_cells(result, number)) for result in block.results]
            lines += ["", *(f"- {escaped(text)}" for text in _notes(block.results))]
    if comparison.unsaid:
        lines += ["", "## What cannot be said", ""]
        lines += [f"- {escaped(f'{told.what}: {told.why}')}" for told in comparison.unsaid]
    lines += ["", "## Rules and choices", "", *(f"- {escaped(note)}" for note in (*comparison.told, PERSON, CAUSE))]
    return "\n".join(lines) + "\n"


def as_json(comparison: Comparison) -> str:
    """Write a comparison as JSON.

    Parameters
    ----------
    comparison : Comparison
        What was found.

    Returns
    -------
    str
        One object; numbers to four digits, missing ones null. Each sentence of the answer names the keys of its rows.
    """
    told = {
        "title": TITLE,
        "definition": comparison.definition,
        "answer": [asdict(sentence) for sentence in comparison.answer],
        "results": [asdict(_rounded(result)) for result in comparison.results],
        "cannot_be_said": [asdict(unsaid) for unsaid in comparison.unsaid],
        "rules_and_choices": list(comparison.told),
        "cautions": [PERSON, CAUSE],
    }
    return json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


WRITERS: Mapping[str, Callable[[Comparison], str]] = {
    "txt": as_text,
    "csv": as_csv,
    "md": as_markdown,
    "json": as_json,
}


def _rounded(result: Result) -> Result:
    """Round to four digits: a median can be one den's own value, which its decimals would find in a layer."""
    return replace(
        result, estimate=_short(result.estimate), lower=_short(result.lower), upper=_short(result.upper),
        p=_short(result.p), p_adjusted=_short(result.p_adjusted),
    )  # fmt: skip


def _short(number: float | None) -> float | None:
    return None if number is None else float(f"{number:.4g}")


def _numbers(comparison: Comparison) -> dict[str, int]:
    """Return the row of each key in the table."""
    return {result.key: row for row, result in enumerate(comparison.results, start=1)}


def _answer(comparison: Comparison, number: Mapping[str, int]) -> Iterator[str]:
    """Yield each sentence with the rows in which its figures stand."""
    for sentence in comparison.answer:
        rows = ", ".join(str(number[key]) for key in sentence.rows)
        yield f"{sentence.text} [row{'s' if len(sentence.rows) > 1 else ''} {rows}]" if rows else sentence.text


def _heading(block: Block) -> str:
    return block.title or block.part.replace("-", " ").capitalize()


def _alone(result: Result, block: Block) -> Result:
    """Return a main row as it reads outside its part's table."""
    what = result.what if block.title and block.title in result.what else f"{_heading(block)}: {result.what}"
    return replace(result, what=what, where="", headline=False)


def _rows(results: Sequence[Result], number: Mapping[str, int], width: int) -> Iterator[str]:
    """Yield the lines of a part's table; a long description goes on in the next line."""
    table = [HEADS, *(_cells(result, number) for result in results)]
    sizes = [max(len(row[i]) for row in table) for i in range(len(HEADS))]
    left = max(24, width - sum(sizes[3:]) - sizes[0] - len(sizes) + 1)
    for row in table:
        said = textwrap.wrap(", ".join(text for text in row[1:3] if text), left, subsequent_indent="  ") or [""]
        figures = " ".join(f"{cell:>{size}}" for cell, size in zip(row[3:], sizes[3:], strict=True))
        yield f"{row[0]:>{sizes[0]}} {said[0]:<{left}} {figures}".rstrip()
        yield from (f"{'':>{sizes[0]}} {more}" for more in said[1:])


def _cells(result: Result, number: Mapping[str, int]) -> list[str]:
    """Return what stands in a row; a unit of several words goes with the description."""
    short = " " not in result.unit
    unit = f" {result.unit}" if short and result.unit not in ("", "1") else ""
    told = result.unit.split(" per unit of ")[0] + " per unit" if " per unit of " in result.unit else result.unit
    span = [result.lower, result.upper]
    interval = "" if None in span else " to ".join(_number(end) for end in span if end is not None)
    return [
        str(number[result.key]), ("* " if result.headline else "") + result.what,
        result.where if short else f"{result.where} [{told.strip()}]".strip(),
        "" if result.estimate is None else f"{_number(result.estimate)}{unit}", interval, _chance(result.p),
        _chance(result.p_adjusted), str(result.dens), str(result.females), result.proof,
    ]  # fmt: skip


def _explained(results: Sequence[Result], width: int) -> Iterator[str]:
    for text in _notes(results):
        yield from textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")


def _notes(results: Sequence[Result]) -> Iterator[str]:
    """Yield each method, assumption, source and remark of some rows once, with the rows it stands for."""
    seen: dict[str, list[str]] = {}
    for result in results:
        interval = f"; interval: {result.interval}" if result.interval else ""
        said = f"{result.method}{interval}. Assumes {_assumed(result)}. Source: {result.source}."
        seen.setdefault(said, []).append(result.what)
        if result.note:
            seen.setdefault(f"{result.note}.", []).append(f"{result.what}, {result.where}".strip(", "))
    for said, whats in seen.items():
        yield f"{'; '.join(dict.fromkeys(whats))}: {said}"


def _assumed(result: Result) -> str:
    return (
        result.assumes
        if not result.assumes.startswith(AS_IF_INDEPENDENT)
        else f"dens to be independent: {result.assumes}"
    )


def _unsaid(comparison: Comparison, width: int) -> list[str]:
    if not comparison.unsaid:
        return []
    said = (f"{told.what}: {told.why}" for told in comparison.unsaid)
    return ["", "What cannot be said", *(line for text in said for line in wrapped(text, width))]


def _number(value: float) -> str:
    """Write a number with three significant digits, without an exponent where people would write none."""
    if value == 0 or 1e-4 <= abs(value) < 1e6:
        digits = 2 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))))
        return f"{value:.{min(digits, 6)}f}"
    return f"{value:.2e}"


def _chance(p: float | None) -> str:
    return "" if p is None else p_in_words(p)
