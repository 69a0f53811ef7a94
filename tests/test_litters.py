"""Litters: gathered once each from rows, counts and visits; sizes and sexes with females as the unit of proof."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from made_litters import CLASSES, MEAN_SIZE, SIZES, TYPES, cub, dens, females, handling, made
from scipy.stats import t

from densite.animals import frame_of
from densite.compare.frequencies import clustered_share
from densite.compare.resample import Chance, Females
from densite.errors import StatisticsError
from densite.litters import PUBLISHED, litter_table, litters_of, mean_over_females, without_cubs

FEW = Chance(permutations=199)


def litters(cubs=(), handlings=(), sites=None, visits=None) -> pd.DataFrame:
    """Gather litters from rows."""
    where = dens("D-1", "D-2") if sites is None else sites
    return litters_of(frame_of("cub", cubs), frame_of("handling", handlings), where, visits)


def test_a_litter_has_its_cubs_its_den_and_its_winter() -> None:
    """Two cubs of one female on one day, one of them dead."""
    found = litters([cub(number=1, female="OB-001", sex="male"), cub(number=2, female="OB-001", sex="female",
                     dead="yes")], [handling(cubs_counted=2)])  # fmt: skip
    row = found.loc["OB-001/2026"]
    assert (row["cubs"], row["dead"], row["alive"], row["male_cubs"], row["female_cubs"]) == (2, 1, 1, 1, 1)
    assert (row["den_id"], row["den_type"], row["landscape_class"], row["gradient"]) == ("id-D-1", "tree", "urban", 3)
    assert (row["winter"], row["visits"], row["remarks"]) == (2026, 1, "")


def test_december_belongs_to_the_winter_that_follows() -> None:
    """A litter seen on 28 December is of the next year's winter."""
    assert list(litters([cub(date="2025-12-28", female="OB-001")]).index) == ["OB-001/2026"]


def test_two_visits_are_one_litter_and_the_larger_count_is_used() -> None:
    """One cub missed on the first visit: the conflict is said with its days."""
    rows = [cub(number=1, female="OB-001", sex="male"),
            *(cub(date="2026-03-10", number=n, female="OB-001") for n in (1, 2))]  # fmt: skip
    found = litters(rows)
    assert len(found) == 1
    row = found.iloc[0]
    assert (row["cubs"], row["visits"], row["counted_on"]) == (2, 2, dt.date(2026, 3, 10))
    assert "1 on 2026-02-24, 2 on 2026-03-10" in row["remarks"]
    assert (row["male_cubs"], row["unsexed_cubs"]) == (1, 1)


def test_counted_against_rows() -> None:
    """Three counted but two measured: three cubs, one of them unsexed, and it is said."""
    rows = [cub(number=n, female="OB-001", sex="female") for n in (1, 2)]
    row = litters(rows, [handling(cubs_counted=3)]).iloc[0]
    assert (row["cubs"], row["female_cubs"], row["unsexed_cubs"]) == (3, 2, 1)
    assert "3 counted, 2 with a row" in row["remarks"]
    assert litters(rows, [handling(cubs_counted=1)]).iloc[0]["cubs"] == 2


def test_a_count_alone_is_a_litter_and_a_count_of_nought_is_none() -> None:
    """Cubs that were counted but not handled; a female without cubs; one without a word about cubs."""
    hands = [handling("OB-001", cubs_counted=2), handling("OB-002", "D-2", cubs_counted=0), handling("OB-003", None)]
    found = litters([], hands)
    assert list(found.index) == ["OB-001/2026"]
    assert found.iloc[0]["unsexed_cubs"] == 2
    assert without_cubs(frame_of("cub", []), frame_of("handling", hands)) == (1, 1)


def test_cubs_known_by_id_add_up_over_visits() -> None:
    """Cubs a and b, later b and c: three cubs, each sex counted once."""
    rows = [
        cub(number=n, date=date, female="OB-001", cub_id=name, sex=sex)
        for n, date, name, sex in (
            (1, "2026-02-24", "a", "male"), (2, "2026-02-24", "b", "female"),
            (1, "2026-03-10", "b", "female"), (2, "2026-03-10", "c", "male"))
    ]  # fmt: skip
    row = litters(rows).iloc[0]
    assert (row["cubs"], row["male_cubs"], row["female_cubs"], row["unsexed_cubs"]) == (3, 2, 1, 0)
    assert "more than any visit counted" in row["remarks"]


def test_a_cub_of_two_sexes_is_unsexed() -> None:
    """The slip is told by the cub's id."""
    rows = [cub(date=date, female="OB-001", cub_id="OB-001-26a", sex=sex)
            for date, sex in (("2026-02-24", "male"), ("2026-03-10", "female"))]  # fmt: skip
    row = litters(rows).iloc[0]
    assert (row["cubs"], row["unsexed_cubs"]) == (1, 1)
    assert "OB-001-26a has two sexes" in row["remarks"]


def test_a_litter_moved_to_another_den_counts_in_the_first() -> None:
    """She moved her cubs after the visit: one litter, the den in which it was first seen."""
    rows = [cub("D-1", female="OB-001"), cub("D-2", "2026-03-10", female="OB-001")]
    (row,) = litters(rows).to_dict("records")
    assert row["den_label"] == "D-1"
    assert "seen in the dens D-1, D-2" in row["remarks"]


@pytest.mark.parametrize(
    ("rows", "hands", "visits", "female", "said"),
    [
        ([cub()], [], None, "unknown-D-1", "mother not known"),
        ([cub()], [handling(cubs_counted=1)], None, "OB-001", "from the handling"),
        ([cub(), cub(number=2, female="OB-001")], [], None, "OB-001", "from the litter's other rows"),
        ([cub()], [], pd.DataFrame({"den_id": ["id-D-1"], "observed_on": ["2026-02-24"], "female": ["OB-007"]}),
         "OB-007", "from the den's visit"),
    ],
)  # fmt: skip
def test_mothers_that_a_row_does_not_name(rows, hands, visits, female, said) -> None:
    """The mother is taken from where she is named on that day; else the litter is of a female of its own."""
    (row,) = litters(rows, hands, visits=visits).to_dict("records")
    assert row["female"] == female
    assert row["female_known"] == (female != "unknown-D-1")
    assert said in row["remarks"]


def test_two_mothers_at_one_den_are_not_guessed() -> None:
    """A blank mother between two named ones stays unknown."""
    rows = [cub(number=1, female="OB-001"), cub(number=2, female="OB-002"), cub(number=3)]
    assert set(litters(rows)["female"]) == {"OB-001", "OB-002", "unknown-D-1"}


def test_a_handling_without_den_finds_it() -> None:
    """From her cubs of that day, or from the visit of that day."""
    both = litters([cub(female="OB-001")], [handling(den=None, cubs_counted=1)])
    assert len(both) == 1
    assert both.iloc[0]["remarks"] == ""
    visits = pd.DataFrame({"den_id": ["id-D-2"], "observed_on": ["2026-02-24"], "female": ["OB-001"]})
    assert litters([], [handling(den=None, cubs_counted=1)], visits=visits).iloc[0]["den_type"] == "ground bed"


def test_dens_without_derived_values() -> None:
    """Before `densite derive` there are no classes and no gradient: the litters are there all the same."""
    row = litters([cub(female="OB-001")], sites=dens("D-1")[["label", "den_type"]]).iloc[0]
    assert row["den_type"] == "tree"
    assert pd.isna(row["landscape_class"])
    assert np.isnan(row["gradient"])


def whole(**options):
    """The table of a made study."""
    study = made()
    found = litters_of(study.cubs, study.handlings, study.dens)
    return found, litter_table(found, types=TYPES, classes=CLASSES, chance=FEW, **options)


def test_groups_add_up_to_all_litters() -> None:
    """Litters, cubs and sizes of types, classes and winters each sum to those of all."""
    found, table = whole()
    sums = table.frame.groupby("by")[["litters", "cubs", "of_1", "of_4", "male_cubs", "unsexed_cubs"]].sum()
    assert (sums == sums.loc["all litters"]).all(axis=None)
    assert sums.loc["winter", "cubs"] == found["cubs"].sum()
    assert table.frame.iloc[0]["mean"] == pytest.approx(found["cubs"].mean())


def test_the_mean_is_that_of_females_and_not_of_litters() -> None:
    """The same numbers with one female a litter give another interval; sexes are those of clustered_share."""
    found, table = whole()
    first = table.frame.iloc[0]
    alone = mean_over_females(found["cubs"].to_numpy(float), Females.of(found.index), confidence=0.95)
    assert first["lower"] != pytest.approx(alone[1])
    by = found.groupby("female")[["male_cubs", "female_cubs"]].sum()
    told = clustered_share(by["male_cubs"], by.sum(axis=1))
    assert (first["male_share"], first["share_lower"]) == pytest.approx((told.share, told.lower))


def test_too_few_females_have_no_interval_and_it_is_said() -> None:
    """Five females with two litters each: a mean without interval, tests without p."""
    rows = [cub(f"D-{j}-{w}", f"{w}-02-24", n, female=f"OB-{j}", sex="male")
            for j in range(5) for w in (2025, 2026) for n in range(1, 2 + (j + w) % 2)]  # fmt: skip
    table = litter_table(litters(rows), types=TYPES, classes=CLASSES, chance=FEW)
    first = table.frame.iloc[0]
    assert np.isnan(first["lower"])
    assert "5 females; 6 are needed" in first["why"]
    assert "6 are needed" in first["share_why"]
    assert table.tests["p"].isna().all()
    assert (table.tests["why"] != "").all()


def test_no_mean_litter_lies_below_one_cub() -> None:
    """Five single cubs and one of two: the lower limit is cut at 1, for a litter has a cub."""
    rows = [cub(f"D-{j}", number=n, female=f"OB-{j}") for j in range(6) for n in range(1, 3 if j == 0 else 2)]
    first = litter_table(litters(rows), types=TYPES, classes=CLASSES, chance=FEW).frame.iloc[0]
    assert first["lower"] == 1
    assert first["upper"] == pytest.approx(7 / 6 + t.ppf(0.975, 5) / 6)


def test_equal_litters_have_no_interval() -> None:
    """Seven litters of two cubs: their spread is not known."""
    rows = [cub(f"D-{j}", number=n, female=f"OB-{j}") for j in range(7) for n in (1, 2)]
    first = litter_table(litters(rows), types=TYPES, classes=CLASSES, chance=FEW).frame.iloc[0]
    assert first["mean"] == 2
    assert "do not differ" in first["why"]
    assert first["share_why"] == "no cub was sexed"


def test_females_without_cubs_are_told_and_not_averaged() -> None:
    """The footnote counts them; published sizes stand beside with their sources."""
    table = whole(no_litters=(4, 2))[1]
    said = " ".join(table.notes)
    assert "Females with a count of 0 cubs in a winter: 4." in said
    assert "without a word about cubs in a winter: 2." in said
    assert all(source in said for _, source in PUBLISHED)


def test_litters_that_grow_along_the_gradient() -> None:
    """A planted slope of one cub per unit is found; where classes are dealt alike there is none."""
    found, _ = whole()
    sloped = found.assign(cubs=(1 + found["gradient"]).astype(int))
    table = litter_table(sloped, types=TYPES, classes=CLASSES, chance=FEW)
    slope = table.tests.iloc[-1]
    assert slope["estimate"] == pytest.approx(1)
    assert slope["p"] == pytest.approx(1 / 200)
    classes = table.tests.set_index("what").loc["litter size among landscape classes"]
    assert classes["p"] == pytest.approx(1 / 200)
    rural = table.tests.set_index("where").loc["rural minus urban"]
    assert rural["estimate"] == pytest.approx(-2)


def test_no_litters_at_all() -> None:
    """An own error says what is missing."""
    with pytest.raises(StatisticsError, match="no cub has a row"):
        litter_table(litters(), types=TYPES, classes=CLASSES)


@pytest.mark.gate
@pytest.mark.parametrize("number", [20, 40])
def test_intervals_cover(number) -> None:
    """Of 2,000 studies, .93 to .97 of the intervals of mean litter size and of the share of males hold the truth."""
    rng = np.random.default_rng(number)
    rates = np.mean([covered(number, rng) for _ in range(2000)], axis=0)
    print(number, rates)
    assert ((rates >= 0.93) & (rates <= 0.97)).all(), rates


def covered(number: int, rng: np.random.Generator) -> tuple[bool, bool]:
    """Whether both intervals hold the truth, where females repeat a third of their litter sizes."""
    code = females(number, rng)
    own, new = rng.random(number)[code], rng.random(len(code))
    size = 1 + np.searchsorted(np.cumsum(SIZES)[:-1], np.where(rng.random(len(code)) < 1 / 3, own, new))
    _, lower, upper, _ = mean_over_females(size.astype(float), Females.of(code.astype(str)), confidence=0.95)
    males = rng.binomial(size, rng.beta(10, 10, number)[code])
    told = clustered_share(np.bincount(code, males), np.bincount(code, size))
    return lower <= MEAN_SIZE <= upper, told.lower <= 0.5 <= told.upper
