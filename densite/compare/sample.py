"""Which dens are compared: re-use, moves, unknown females and lumped types, each by a stated rule."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import pandas as pd

from densite.compare.frequencies import NOT_RECORDED, UNKNOWN
from densite.errors import StatisticsError

Reuse: TypeAlias = Literal["once", "each winter"]
Moved: TypeAlias = Literal["all", "first"]
NoFemale: TypeAlias = Literal["own", "leave out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How dens become rows of a comparison; chosen before looking at the results.

    ``reuse``: a den site used in several winters counts once, for its first known female, or once for
    each winter and female. ``moved``: of several dens of a female in one winter all count, or the
    first. ``no_female``: a den without a known female stands for a female of its own, or is left out.
    ``lumps`` gives a new type's name with the types that go into it. A winter that begins in
    ``winter_month`` or later belongs to the next year.
    """

    reuse: Reuse = "once"
    moved: Moved = "all"
    no_female: NoFemale = "own"
    lumps: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    winter_month: int = 8

    @property
    def fingerprint(self) -> str:
        """Twelve digits that change with any lumping, to hold against a rule written down before."""
        text = json.dumps({name: sorted(types) for name, types in self.lumps.items()}, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:12]


@dataclass(frozen=True, slots=True)
class Sample:
    """The dens of a comparison.

    ``frame`` has a row for each den or use of one: the columns of the dens that were given, and
    ``den_id``, ``female`` ('' where unknown), ``winter`` (year of its January, missing without a
    date) and the lumped ``den_type``. ``types`` are in order, ``told`` says each rule with its counts.
    """

    frame: pd.DataFrame
    types: tuple[str, ...]
    told: tuple[str, ...]


def sample_of(dens: pd.DataFrame, visits: pd.DataFrame, *, types: Sequence[str], rules: Rules) -> Sample:
    """Make the rows of a comparison of dens and of the visits to them.

    Parameters
    ----------
    dens : DataFrame
        One row a den site, its id as index, with ``den_type``; other columns are passed on.
    visits : DataFrame
        ``den_id``, ``female``, ``observed_on`` (ISO date); missing where not known.
    types : sequence of str
        All den types in order; unknown and blank ones are passed on and belong to none of them.
    rules : Rules
        What counts.

    Returns
    -------
    Sample

    Raises
    ------
    StatisticsError
        A lumping rule names a type that there is not, twice, or that is also left as it is.
    """
    names = _lumped_names(types, rules)
    uses = _uses(visits.loc[visits["den_id"].isin(dens.index)], dens.index, rules.winter_month)
    chosen, told = uses, []
    for step in (_by_reuse, _by_moves, _by_female):
        chosen, words = step(chosen, rules)
        told.append(words)
    frame = dens.drop(columns=["female"], errors="ignore").loc[chosen["den_id"]].reset_index(drop=True)
    frame = frame.assign(
        den_id=chosen["den_id"].to_numpy(), female=chosen["female"].to_numpy(), winter=chosen["winter"].to_numpy(),
        den_type=frame["den_type"].map(lambda kind: names.get(kind, kind)),
    )  # fmt: skip
    return Sample(frame, tuple(dict.fromkeys(names.values())), (_size(frame), *told, _lumping(rules)))


def winter_of(days: pd.Series[Any], *, month: int = 8) -> pd.Series[Any]:
    """Return the winter of each day, named by the year of its January.

    Parameters
    ----------
    days : Series
        Dates, or ISO text; missing where not known.
    month : int
        First month that belongs to the next year's winter (August: common practice, no source).

    Returns
    -------
    Series of Int64
    """
    dates = pd.to_datetime(days.astype("string"), errors="coerce")
    return (dates.dt.year + (dates.dt.month >= month)).astype("Int64")


def _lumped_names(types: Sequence[str], rules: Rules) -> dict[str, str]:
    """Return the name under which each type is counted, in the order of types."""
    lumped = [(old, new) for new, olds in rules.lumps.items() for old in olds]
    olds = [old for old, _ in lumped]
    allowed = [kind for kind in types if kind not in (UNKNOWN, NOT_RECORDED)]
    if strange := [old for old in olds if old not in allowed]:
        raise StatisticsError(f"[compare.lump]: '{strange[0]}' is no den type; allowed: {', '.join(allowed)}")
    if len(set(olds)) < len(olds):
        twice = next(old for old in olds if olds.count(old) > 1)
        raise StatisticsError(f"[compare.lump]: '{twice}' is in more than one new type; name it once")
    kept = set(allowed) - set(olds)
    if clash := kept & set(rules.lumps):
        raise StatisticsError(
            f"[compare.lump]: '{clash.pop()}' names a type that is left as it is; lump it too or choose another"
        )
    named = dict(lumped)
    return {kind: named.get(kind, kind) for kind in allowed}


def _uses(visits: pd.DataFrame, dens: pd.Index[Any], month: int) -> pd.DataFrame:
    """Return one row for each den, female and winter, by date within a den; a den without a visit has one too."""
    seen = visits.assign(
        female=visits["female"].astype("string").fillna("").str.strip(),
        winter=winter_of(visits["observed_on"], month=month),
    )
    seen = seen.sort_values("observed_on", kind="stable", na_position="last")
    named = seen.loc[seen["female"] != "", "den_id"]
    seen = seen.loc[(seen["female"] != "") | ~seen["den_id"].isin(named)]
    seen = seen.drop_duplicates(["den_id", "female", "winter"])
    # a visit without a date is no further use where the same female has a dated one; those come first
    again = seen["winter"].isna() & seen.duplicated(["den_id", "female"])
    seen = seen.loc[~again, ["den_id", "female", "winter", "observed_on"]]
    uses = pd.DataFrame({"den_id": dens}).merge(seen, on="den_id", how="left")
    return uses.fillna({"female": ""})


def _by_reuse(uses: pd.DataFrame, rules: Rules) -> tuple[pd.DataFrame, str]:
    """Count a den used again once, or in each winter."""
    first = uses.drop_duplicates("den_id")
    again = uses.loc[~uses.index.isin(first.index)]
    others = again.loc[again["female"] != again["den_id"].map(first.set_index("den_id")["female"])]
    sites = again["den_id"].nunique()
    said = f"used again in a later winter or by another female: {_count(sites, 'den site')}"
    said += f" ({others['den_id'].nunique()} by another female)" if len(others) else ""
    if rules.reuse == "once":
        return first, f"{said}; a den site counts once, for its first known female"
    return uses, f"{said}; each use counts"


def _by_moves(uses: pd.DataFrame, rules: Rules) -> tuple[pd.DataFrame, str]:
    """Count all dens of a female in one winter, or the first."""
    dated = uses.loc[(uses["female"] != "") & uses["winter"].notna()]
    dated = dated.sort_values("observed_on", kind="stable")
    later = dated.index[dated.duplicated(["female", "winter"])]
    said = f"more than one den of a female in a winter: {_count(len(later), 'further den')}"
    if rules.moved == "all":
        return uses, f"{said}; all count"
    return uses.drop(index=later), f"{said}, left out: her first den of a winter counts"


def _by_female(uses: pd.DataFrame, rules: Rules) -> tuple[pd.DataFrame, str]:
    """Take a den without a known female for one of a female of its own, or leave it out."""
    unknown = uses.index[uses["female"] == ""]
    said = f"without a known female: {_count(len(unknown), 'den')}"
    if rules.no_female == "own":
        return uses, f"{said}; each stands for a female of its own"
    return uses.drop(index=unknown), f"{said}, left out"


def _size(frame: pd.DataFrame) -> str:
    females = frame.loc[frame["female"] != "", "female"].nunique()
    winters = frame["winter"].dropna()
    when = f" in the winters {int(winters.min())} to {int(winters.max())}" if len(winters) else ""
    return f"{_count(len(frame), 'den')} of {_count(females, 'known female')}{when}"


def _lumping(rules: Rules) -> str:
    if not rules.lumps:
        return "no den types lumped"
    return f"den types lumped by rule {rules.fingerprint}: {'; '.join(_lumps(rules))}"


def _lumps(rules: Rules) -> Iterator[str]:
    for name, types in rules.lumps.items():
        yield f"{name} = {' + '.join(types)}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
