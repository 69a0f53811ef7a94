"""Which dens are compared: each rule on a handful of dens, with its count in words."""

from __future__ import annotations

import pandas as pd
import pytest

from densite.compare.sample import Rules, Sample, sample_of, winter_of
from densite.errors import StatisticsError

TYPES = ("tree", "ground bed", "rock ledge", "brush", "unknown")
DENS = pd.DataFrame(
    {"den_type": ["tree", "brush", "rock ledge", "unknown", "tree"], "slope_deg": [1.0, 2.0, 3.0, 4.0, 5.0]},
    index=["a", "b", "c", "d", "e"],
)
VISITS = pd.DataFrame(
    [
        ("a", "OB-002", "2021-02-11"),
        ("a", "OB-001", "2020-01-20"),  # the first female, though the file names her second
        ("a", "OB-001", "2020-03-01"),
        ("a", None, "2020-03-02"),
        ("b", "OB-001", "2020-02-20"),  # moved within the winter
        ("c", "OB-003", "2019-12-31"),
        ("c", "OB-003", "2021-01-01"),
        ("d", " ", "2021-01-05"),
    ],
    columns=["den_id", "female", "observed_on"],
)


def sampled(**rules: object) -> Sample:
    """The five dens under some rules."""
    return sample_of(DENS, VISITS, types=TYPES, rules=Rules(**rules))


def rows(sample: Sample) -> list[tuple[str, str, int | None]]:
    """Den, female and winter of each row."""
    frame = sample.frame
    winters = [None if pd.isna(w) else int(w) for w in frame["winter"]]
    return list(zip(frame["den_id"], frame["female"], winters, strict=True))


def test_a_den_counts_once_for_its_first_female() -> None:
    """The default: all five dens, the unvisited one too."""
    sample = sampled()
    assert rows(sample) == [
        ("a", "OB-001", 2020), ("b", "OB-001", 2020), ("c", "OB-003", 2020), ("d", "", 2021), ("e", "", None),
    ]  # fmt: skip
    assert list(sample.frame["slope_deg"]) == [1, 2, 3, 4, 5]
    assert sample.types == TYPES[:4]
    assert sample.told == (
        "5 dens of 2 known females in the winters 2020 to 2021",
        "used again in a later winter or by another female: 2 den sites (1 by another female); "
        "a den site counts once, for its first known female",
        "more than one den of a female in a winter: 1 further den; all count",
        "without a known female: 2 dens; each stands for a female of its own",
        "no den types lumped",
    )


def test_each_use_counts_when_asked() -> None:
    """A den used by two females, and one used in two winters, have two rows each."""
    sample = sampled(reuse="each winter")
    assert rows(sample)[:2] == [("a", "OB-001", 2020), ("a", "OB-002", 2021)]
    assert [row[2] for row in rows(sample) if row[0] == "c"] == [2020, 2021]
    assert list(sample.frame["slope_deg"]) == [1, 1, 2, 3, 3, 4, 5]


def test_moves_and_unknown_females_can_be_left_out() -> None:
    """Of OB-001's two dens of one winter the first stays; dens without a female go."""
    sample = sampled(moved="first", no_female="leave out")
    assert rows(sample) == [("a", "OB-001", 2020), ("c", "OB-003", 2020)]
    assert "1 further den, left out" in sample.told[2]
    assert "2 dens, left out" in sample.told[3]


def test_lumped_types_take_the_first_ones_place() -> None:
    """The rule has a fingerprint that any change of it changes, and not the order of its names."""
    rules = {"ground or brush": ("brush", "ground bed")}
    sample = sampled(lumps=rules)
    assert sample.types == ("tree", "ground or brush", "rock ledge")
    assert list(sample.frame["den_type"]) == ["tree", "ground or brush", "rock ledge", "unknown", "tree"]
    fingerprint = Rules(lumps=rules).fingerprint
    assert f"rule {fingerprint}: ground or brush = brush + ground bed" in sample.told[-1]
    assert Rules(lumps={"ground or brush": ("ground bed", "brush")}).fingerprint == fingerprint
    assert Rules(lumps={"ground or brush": ("ground bed", "tree")}).fingerprint != fingerprint


@pytest.mark.parametrize(
    ("lumps", "said"),
    [
        ({"x": ("cave",)}, "'cave' is no den type; allowed: tree, ground bed"),
        ({"x": ("unknown",)}, "'unknown' is no den type"),
        ({"x": ("tree",), "y": ("tree",)}, "'tree' is in more than one"),
        ({"tree": ("brush",)}, "'tree' names a type that is left"),
    ],
)
def test_a_lumping_that_cannot_be(lumps, said) -> None:
    """One message that names the type."""
    with pytest.raises(StatisticsError, match=said):
        sampled(lumps=lumps)


def test_no_dens_and_no_visits() -> None:
    """Nothing fails where there is nothing."""
    assert rows(sample_of(DENS.iloc[:0], VISITS, types=TYPES, rules=Rules())) == []
    none = sample_of(DENS, VISITS.iloc[:0], types=TYPES, rules=Rules())
    assert rows(none)[0] == ("a", "", None)
    assert none.told[0] == "5 dens of 0 known females"


def test_winters_are_named_by_their_january() -> None:
    """July belongs to the winter before, August to the next."""
    found = winter_of(pd.Series(["2020-07-31", "2020-08-01", None, "2021-01-31"]))
    assert found.tolist() == [2020, 2021, pd.NA, 2021]


def test_the_first_den_of_a_winter_is_the_first_by_date() -> None:
    """Though its label comes later; and an undated visit is no further use."""
    dens = DENS.iloc[:2]
    visits = pd.DataFrame(
        [("a", "OB-001", "2020-03-01"), ("b", "OB-001", "2020-01-05"), ("b", "OB-001", None)],
        columns=["den_id", "female", "observed_on"],
    )
    first = sample_of(dens, visits, types=TYPES, rules=Rules(moved="first"))
    assert rows(first) == [("b", "OB-001", 2020)]
    each = sample_of(dens, visits, types=TYPES, rules=Rules(reuse="each winter"))
    assert rows(each) == [("a", "OB-001", 2020), ("b", "OB-001", 2020)]
