"""Litters, birth dates and growth written down: for people, spreadsheets, documents and programs."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from densite.births import ANY_WINTER, BirthTable, shown
from densite.compare.result import p_in_words
from densite.growth import AND_CALIBRATION, OVER_FEMALES, Growth
from densite.intake.rejects import guarded_csv
from densite.litters import MOST_LISTED, LitterTable
from densite.tables import WIDTH, escaped, piped, wrapped

LIGHTEST_SHOWN = 10
COVERED = (
    "A {level} interval: had other females of the same kind been met in the same winters{anew}, {level} of such "
    "intervals would hold the true value."
)
ANEW = ", and the calibration been made anew"
BY_ITSELF = (
    "Each comparison stands by itself: of {many} without any true difference, about one looks like one by chance."
)


@dataclass(frozen=True, slots=True)
class Part:
    """One table for people: its heading, heads and cells; the first column to the left, the others to the right."""

    heading: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """Results in words: what a planner reads first, tables, what must be known, and all numbers as frames."""

    title: str
    lead: tuple[str, ...]
    parts: tuple[Part, ...]
    notes: tuple[str, ...]
    frames: Mapping[str, pd.DataFrame]


def told_litters(table: LitterTable) -> Told:
    """Put litter sizes and sex ratios into words.

    Parameters
    ----------
    table : LitterTable
        The numbers.

    Returns
    -------
    Told
    """
    level, whole = _level(table.confidence), table.frame.iloc[0]
    lead = [f"Mean litter size {whole['mean']:.2f} cubs{_within(whole, '.2f', level)}: "
            f"{_counted(whole['litters'], 'litter')} of {_counted(whole['females'], 'female')}."]  # fmt: skip
    if not math.isnan(whole["male_share"]):
        ends = (whole["share_lower"], whole["share_upper"])
        sexed = _counted(whole["male_cubs"] + whole["female_cubs"], "sexed cub")
        lead.append(f"Males are {_percent(whole['male_share'])} of {sexed}{_between(ends, _percent, level)}; "
                    f"{_counted(whole['unsexed_cubs'], 'cub')} not sexed.")  # fmt: skip
    listed = (*(str(n) for n in range(1, MOST_LISTED)), f"{MOST_LISTED}+")
    sizes = Part(
        "Litter size, and litters of so many cubs", ("", "litters", "females", "mean", level, *listed),
        tuple(_grouped(table.frame, _size_cells)),
    )  # fmt: skip
    sexes = Part(
        "Sex of cubs", ("", "males", "females", "not sexed", "males", level),
        tuple(_grouped(table.frame, _sex_cells)),
    )  # fmt: skip
    notes = (_covered(level), *_reasons(table.frame, "group"), *_compared(table.tests, table.confidence),
             table.method, *table.notes)  # fmt: skip
    frames = {"litters": table.frame, "tests": table.tests}
    return Told("Litters by den type, landscape class and winter", tuple(lead),
                (sizes, sexes, _tests(table.tests, level)), notes, frames)  # fmt: skip


def told_births(table: BirthTable) -> Told:
    """Put birth dates into words.

    Parameters
    ----------
    table : BirthTable
        The numbers.

    Returns
    -------
    Told
    """
    level, whole = _level(table.confidence), table.frame.iloc[0]
    ends = (whole["lower"], whole["upper"])
    lead = [table.ages_from] if table.ages_from else []
    lead += [f"Litters were born on {shown(whole['mean'])} on average{_between(ends, shown, level)}: "
            f"{_counted(whole['litters'], 'litter')} of {_counted(whole['females'], 'female')}."]  # fmt: skip
    if not math.isnan(whole["q10"]):
        early, late = (_between((whole[f"q{q}_lower"], whole[f"q{q}_upper"]), shown, level) for q in (10, 90))
        lead.append(f"About one litter in ten is born before {shown(whole['q10'])}{early}, nine in ten before "
                    f"{shown(whole['q90'])}{late}, if true dates follow a normal distribution.")  # fmt: skip
    if whole["shared_se"] > 0:
        lead.append(f"The calibration alone leaves the mean uncertain by about {2 * whole['shared_se']:.1f} d either "
                    "way, however many litters are measured.")  # fmt: skip
    dates = Part(
        "Birth dates", ("", "litters", "known", "females", "mean", level, "median", "first", "last"),
        tuple(_grouped(table.frame, _date_cells)),
    )  # fmt: skip
    spread = Part(
        "Spread of true birth dates", ("", "SD of estimates", "true SD", level, "10 %", "50 %", "90 %"),
        tuple(_grouped(table.frame, _spread_cells)),
    )  # fmt: skip
    notes = (
        _covered(level, ANEW if (table.frame["known"] < table.frame["litters"]).any() else ""),
        *_reasons(table.frame, "group", "sd_why"),
        *_compared(table.tests, table.confidence),
        table.method,
        *table.notes,
    )
    frames = {"births": table.frame, "tests": table.tests, "litters": table.litters.reset_index()}
    return Told("Birth dates of litters by landscape class and winter", tuple(lead),
                (dates, spread, _tests(table.tests, level)), notes, frames)  # fmt: skip


def told_growth(found: Growth) -> Told:
    """Put the growth of cubs into words.

    Parameters
    ----------
    found : Growth
        The numbers.

    Returns
    -------
    Told
    """
    level, frame = _level(found.confidence), found.frame
    lead = [found.ages_from] if found.ages_from else []
    lead += [f"{_counted(len(frame), 'weighed cub')} of {_counted(frame['litter'].nunique(), 'litter')} and "
            f"{_counted(frame['female'].nunique(), 'female')}."]  # fmt: skip
    if found.fit is not None:
        ends = (found.rate_lower, found.rate_upper)
        only = "; the calibration's error is not in the interval" if OVER_FEMALES in found.notes else ""
        lead.append(f"At {found.fit.middle_d:.0f} days the study's cubs grow by {found.rate_g_per_d:.0f} g a day"
                    f"{_between(ends, _whole, level)}{only}.")  # fmt: skip
    if found.too_slow >= 0.005:  # else 0 %
        lead.append(f"Since ages are estimates it may be told up to {_percent(found.too_slow)} too slow, if the "
                    "calibration's cubs were of a wider range of ages than these.")  # fmt: skip
    if found.why:
        lead.append(f"{found.why[:1].upper()}{found.why[1:]}.")
    flagged = frame[frame["said"] != ""].sort_values("standing")
    light = Part(
        "The lightest of each litter, lightest for its age first", ("", "age d", "mass g", "of litter's mean", "SD",
        "lighter are"), tuple(_light_cells(row) for row in flagged.head(LIGHTEST_SHOWN).to_dict("records")),
    )  # fmt: skip
    more = len(flagged) - LIGHTEST_SHOWN
    notes = (f"{more} more litters' lightest cubs stand in the csv and json.",) if more > 0 else ()
    frames = {"cubs": frame.reset_index(), "curve": found.curve}
    if not math.isnan(found.rate_lower):
        notes = (*notes, _covered(level, ANEW if AND_CALIBRATION in found.notes else ""))
    return Told("Mass of cubs against age", tuple(lead), (light,), (*notes, *found.notes), frames)


def as_text(told: Told, *, width: int = WIDTH) -> str:
    """Lay results out for a terminal.

    Parameters
    ----------
    told : Told
        Results in words.
    width : int
        Width of sentences; a table may be wider. [characters]

    Returns
    -------
    str
    """
    lines = [told.title, "", *(line for sentence in told.lead for line in wrapped(sentence, width))]
    for part in told.parts:
        if part.rows:
            lines += ["", part.heading, *_laid_out(part)]
    return "\n".join([*lines, "", *(line for note in told.notes for line in wrapped(note, width))]) + "\n"


def as_markdown(told: Told) -> str:
    """Write results as Markdown.

    Parameters
    ----------
    told : Told
        Results in words.

    Returns
    -------
    str
    """
    lines = [f"### {told.title}", "", *(escaped(sentence) for sentence in told.lead)]
    for part in told.parts:
        if part.rows:
            rule = ["---", *["--:"] * (len(part.heads) - 1)]
            lines += ["", f"#### {part.heading}", "", piped(part.heads), piped(rule), *map(piped, part.rows)]
    return "\n".join([*lines, "", *(f"- {escaped(note)}" for note in told.notes)]) + "\n"


def as_csv(told: Told) -> str:
    """Write all numbers as tidy rows: ``part`` says of which frame a row is, ``notes`` what must be known.

    Parameters
    ----------
    told : Told
        Results in words.

    Returns
    -------
    str
    """
    columns = ["part", *dict.fromkeys(name for frame in told.frames.values() for name in frame.columns), "notes"]
    notes = " ".join((*told.lead, *told.notes))
    rows = [
        {"part": part, "notes": notes, **row}
        for part, frame in told.frames.items() for row in frame.to_dict("records")
    ]  # fmt: skip
    return guarded_csv(pd.DataFrame(rows, columns=columns, dtype=object))


def as_json(told: Told) -> str:
    """Write everything as JSON; missing numbers are null.

    Parameters
    ----------
    told : Told
        Results in words.

    Returns
    -------
    str
    """
    frames = {name: [_plain_row(row) for row in frame.to_dict("records")] for name, frame in told.frames.items()}
    whole = {"title": told.title, "lead": list(told.lead), "notes": list(told.notes), **frames}
    return json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


WRITERS: Mapping[str, Callable[[Told], str]] = {
    "txt": as_text,
    "csv": as_csv,
    "md": as_markdown,
    "json": as_json,
}


def _plain_row(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return values that JSON knows."""
    return {str(name): _plain(value) for name, value in row.items()}


def _plain(value: Any) -> Any:
    if value is None or pd.isna(value):
        return None
    if hasattr(value, "isoformat"):
        return value.isoformat()
    value = value.item() if hasattr(value, "item") else value
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _laid_out(part: Part) -> Iterator[str]:
    """Yield the lines of a table."""
    cells = [part.heads, *part.rows]
    widths = [max(len(row[i]) for row in cells) for i in range(len(part.heads))]
    for place, row in enumerate(cells):
        first, *others = (text.rjust(size) for text, size in zip(row, widths, strict=True))
        yield "  ".join([row[0].ljust(len(first)), *others]).rstrip()
        if place == 0:
            yield "-" * (sum(widths) + 2 * (len(widths) - 1))


def _tests(tests: pd.DataFrame, level: str) -> Part:
    """Return what is compared, in words."""
    rows = [
        (f"{row['what']}, {row['where']}" if row["unit"] else row["what"], str(row["litters"]), str(row["females"]),
         *_estimate(row), "-" if math.isnan(row["p"]) else p_in_words(row["p"]))
        for row in tests.to_dict("records") if not row["why"] or not math.isnan(row["estimate"])
    ]  # fmt: skip
    return Part("What is compared", ("", "litters", "females", "estimate", level, "p"), tuple(rows))


def _estimate(row: Mapping[Any, Any]) -> tuple[str, str]:
    """Return an estimate and its interval; a share of variance says little to people and is left out."""
    if not row["unit"]:
        return "", ""
    unit = row["unit"].split()[0]  # of a slope: 'cubs per unit of', and the gradient is named before
    return f"{row['estimate']:+.2f} {unit}", _range((row["lower"], row["upper"]), lambda end: f"{end:+.2f}")


def _grouped(
    frame: pd.DataFrame, cells: Callable[[Mapping[Any, Any]], tuple[str, ...]]
) -> Iterator[tuple[str, ...]]:  # fmt: skip
    """Yield the cells of each group, with a line of its own before the first den type, class and winter."""
    by = frame["by"].iloc[0]
    for row in frame.to_dict("records"):
        told = cells(row)
        if row["by"] != by:
            by = row["by"]
            yield (f"by {by}", *[""] * (len(told) - 1))
        yield told


def _size_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Return a row of litter sizes."""
    of = [str(row[f"of_{n}"]) for n in range(1, MOST_LISTED)] + [str(row[f"of_{MOST_LISTED}_or_more"])]
    ends = _range((row["lower"], row["upper"]), lambda end: f"{end:.2f}")
    return (row["group"], str(row["litters"]), str(row["females"]), f"{row['mean']:.2f}", ends, *of)


def _sex_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Return a row of sexes."""
    numbers = [str(row[name]) for name in ("male_cubs", "female_cubs", "unsexed_cubs")]
    share = "-" if math.isnan(row["male_share"]) else _percent(row["male_share"])
    return (row["group"], *numbers, share, _range((row["share_lower"], row["share_upper"]), _percent))


def _date_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Return a row of birth dates."""
    winter = int(row["group"]) if row["by"] == "winter" else ANY_WINTER
    mean, *days = (shown(row[name], winter=winter) for name in ("mean", "median", "first", "last"))
    counts = [str(row[name]) for name in ("litters", "known", "females")]
    ends = _range((row["lower"], row["upper"]), lambda day: shown(day, winter=winter))
    return (row["group"], *counts, mean, ends, *days)


def _spread_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Return a row of spreads."""
    sds = ["-" if math.isnan(row[name]) else f"{row[name]:.1f} d" for name in ("sd_estimated", "sd")]
    ends = _range((row["sd_lower"], row["sd_upper"]), lambda end: f"{end:.1f}")
    return (row["group"], *sds, ends, *(shown(row[name]) or "-" for name in ("q10", "q50", "q90")))


def _light_cells(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """Return a row of a litter's lightest cub."""
    return (
        row["cub"],
        f"{row['age_d']:.0f}",
        f"{row['mass_g']:.0f}",
        f"{100 * row['in_litter']:.0f} %",
        f"{row['standing']:+.1f}",
        f"{row['percentile']:.0f} %",
    )


def _reasons(frame: pd.DataFrame, name: str, *others: str) -> Iterator[str]:
    """Yield for each reason the groups that go without an interval."""
    said = [
        f"{', '.join(own[name])}: {why}."
        for column in ("why", *others) for why, own in frame[frame[column] != ""].groupby(column, sort=False)
    ]  # fmt: skip
    yield from dict.fromkeys(said)


def _compared(tests: pd.DataFrame, confidence: float) -> Iterator[str]:
    """Yield what comparisons assume, that each stands by itself, and what could not be compared."""
    told = tests[tests["p"].notna() | tests["lower"].notna()]
    assumed = dict.fromkeys(part for text in told["assumes"] for part in text.split("; ") if part)
    if assumed:
        yield f"Comparisons assume: {'; '.join(assumed)}."
    if len(told) > 1:
        yield BY_ITSELF.format(many=round(1 / (1 - confidence)))
    missing = tests[tests["estimate"].isna() & (tests["why"] != "")]
    yield from (f"{row['what']}, {row['where']}: {row['why']}." for row in missing.to_dict("records"))


def _covered(level: str, anew: str = "") -> str:
    return COVERED.format(level=level, anew=anew)


def _level(confidence: float) -> str:
    return f"{100 * confidence:g} %"


def _within(row: Any, form: str, level: str) -> str:
    return _between((row["lower"], row["upper"]), lambda end: format(end, form), level)


def _between(ends: tuple[float, float], write: Callable[[float], str], level: str) -> str:
    """Return an interval in brackets, or that there is none."""
    return f" (no {level} interval)" if math.isnan(ends[0]) else f" ({level} interval {_range(ends, write)})"


def _range(ends: Iterable[float], write: Callable[[float], str]) -> str:
    """Return an interval, a dash where there is none."""
    lower, upper = ends
    return "-" if math.isnan(lower) else f"{write(lower)} to {write(upper)}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _whole(number: float) -> str:
    return f"{number:.0f}"


def _counted(number: Any, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
