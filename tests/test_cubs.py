"""Ages of cubs, birth dates of litters, and the one birth date that counts."""

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_cubs import DAY, cub, frame, grown, known
from test_calibration import COVARIANCE, made

from densite.calibration import foretell
from densite.cubs import cub_ages, known_births, litter_births, litter_names, one_birth_each
from densite.knownage import fit

# of made(): -9 + 1.1 x 20 + 0.8 x 35 = 41 days for a cub of 20 mm hair and 35 mm ear


def litter(*rows: dict, **options):
    """Return the only birth of some cubs."""
    births = litter_births(frame(*rows), options.pop("calibration", made()), **options)
    assert len(births.frame) == 1
    return births.frame.iloc[0]


def alone(**fields):
    """Return the age of one cub."""
    return cub_ages(frame(cub(**fields)), made()).iloc[0]


def test_one_cub_by_hand() -> None:
    """Age 41 d, born that many days before the visit; limits rounded outwards."""
    one = alone()
    told = foretell(made(), [[20.0, 35.0]], [1])
    assert one["age_d"] == pytest.approx(41)
    assert one["born_on"] == DAY - dt.timedelta(days=41)
    assert (one["lower_d"], one["upper_d"]) == (pytest.approx(told.lower[0]), pytest.approx(told.upper[0]))
    assert one["born_from"] == DAY - dt.timedelta(days=math.ceil(told.upper[0]))
    assert one["born_to"] == DAY - dt.timedelta(days=math.floor(told.lower[0]))
    assert one["reason"] == one["remarks"] == ""
    assert one["calibration"] == "invented calibration 'test'"


@pytest.mark.parametrize(("more", "days"), [(0.4, 41), (0.6, 42)])
def test_ages_are_rounded_to_the_nearest_day(more, days) -> None:
    """41.4 d is 41 d before the visit, 41.6 d is 42."""
    assert alone(hair_mm=20.0 + more / 1.1)["born_on"] == DAY - dt.timedelta(days=days)


def test_a_slip_that_nobody_confirmed_is_left_out() -> None:
    """A hair length outside the entry check: its cub is left out of the litter's mean until someone confirms it."""
    rows = (cub(1), cub(2, hair_mm=200.0))
    told = litter(*rows)
    assert (told["age_d"], told["measured"]) == (pytest.approx(41), 1)
    assert "cub 2 left out: hair_mm 200 outside 1 to 60 mm and not confirmed" in told["remarks"]
    sure = litter(rows[0], rows[1] | {"settled": "hair_mm"})
    assert "hair_mm 110.0 mm outside the calibration's" in sure["reason"]


def test_a_litter_is_one_observation() -> None:
    """Mean of its cubs, within-litter variance over their number; the interval is narrower than a cub's own."""
    one = litter(cub(1, hair_mm=19.0), cub(2, hair_mm=21.0), cub(3, ear_mm=38.0))
    told = foretell(made(), [[20.0, 36.0]], [3])
    assert one["age_d"] == pytest.approx(told.age[0])
    assert one["se_d"] == pytest.approx(told.se[0])
    assert one["se_d"] < alone()["se_d"]
    assert (one["cubs"], one["measured"], one["female"], one["known"]) == (3, 3, "OB-001", False)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"hair_landmark": None}, "hair_mm without hair_landmark: the calibration's is 'top of skull'"),
        ({"hair_landmark": "shoulder"}, "hair_landmark is 'shoulder', the calibration's is 'top of skull'"),
        ({"ear_landmark": "notch to tip"}, "ear_landmark is 'notch to tip'"),
        ({"ear_mm": None}, "ear_mm not measured"),
        ({"hair_mm": None, "ear_mm": None}, "hair_mm not measured; ear_mm not measured"),
        ({"dead": "yes"}, "dead: it may have stopped growing"),
        ({"hair_mm": 7.0}, "hair_mm 7.0 mm outside the calibration's 8 to 40 mm"),
        ({"ear_mm": 61.0, "hair_mm": 41.0}, "hair_mm 41.0 mm outside the calibration's 8 to 40 mm; ear_mm 61.0 mm"),
        ({"hair_mm": 9.0, "ear_mm": 16.0}, "age 13.7 d outside the calibration's 20 to 80 d"),
    ],
)
def test_why_there_is_no_age(fields, said) -> None:
    """The reason names it; nothing else is given, for the cub and for a litter of it."""
    for one in (alone(**fields), litter(cub(**fields))):
        assert said in one["reason"]
        assert one[["age_d", "se_d", "lower_d", "upper_d", "born_on", "born_from", "born_to"]].isna().all()


def test_landmarks_may_be_written_differently() -> None:
    """Case, dashes and spaces do not matter."""
    assert alone(hair_landmark="Top of  Skull")["reason"] == ""


def test_extrapolation_is_asked_for_and_flagged() -> None:
    """With extrapolate the age is there and the remark says what lies outside."""
    cubs = frame(cub(hair_mm=45.0))
    assert cub_ages(cubs, made()).iloc[0]["reason"]
    one = cub_ages(cubs, made(), extrapolate=True).iloc[0]
    assert one["age_d"] == pytest.approx(41 + 1.1 * 25)
    assert one["remarks"].startswith("extrapolated: hair_mm 45.0 mm outside")


def test_no_age_below_zero_even_when_asked() -> None:
    """Nothing is born after it was measured."""
    one = cub_ages(frame(cub(hair_mm=1.0, ear_mm=5.0)), made(), extrapolate=True).iloc[0]
    assert math.isnan(one["age_d"])
    assert "below 0 d" in one["reason"]
    short = cub_ages(frame(cub(hair_mm=2.0, ear_mm=11.0)), made(), extrapolate=True).iloc[0]
    assert short["age_d"] == pytest.approx(2)
    assert short["lower_d"] == 0
    assert short["born_to"] == DAY


def test_one_cub_beyond_the_range_does_not_bend_the_mean() -> None:
    """The litter's mean must lie within; the cub beyond it is used and named."""
    one = litter(cub(1, hair_mm=41.0, ear_mm=37.0), cub(2, hair_mm=37.0))
    assert one["age_d"] == pytest.approx(-9 + 1.1 * 39 + 0.8 * 36)
    assert "cub 1: hair_mm 41 mm outside 8 to 40 mm" in one["remarks"]


def test_cubs_left_out_are_named() -> None:
    """A cub without landmark is left out of the mean; a dead one is counted and told."""
    one = litter(cub(1), cub(2, hair_landmark=None, hair_mm=39.0), cub(3, dead="yes", hair_mm=12.0))
    assert (one["cubs"], one["measured"]) == (3, 1)
    assert one["age_d"] == pytest.approx(41)
    assert "cub 2 left out: hair_mm without hair_landmark" in one["remarks"]
    assert "1 of 3 cubs dead" in one["remarks"]


def test_calibration_without_covariance_gives_a_point_and_a_warning() -> None:
    """No interval, and the remark says so."""
    one = litter(cub(), calibration=made(covariance=None))
    assert one["born_on"] == DAY - dt.timedelta(days=41)
    assert one[["se_d", "lower_d", "upper_d", "born_from", "born_to"]].isna().all()
    assert "no interval: the calibration has no covariance" in one["remarks"]


def test_unlike_any_cub_of_the_calibration() -> None:
    """Short hair with long ears: each within its range, never together."""
    narrow = made(widest_fit_sd=4.0)
    odd = litter(cub(hair_mm=9.0, ear_mm=59.0), calibration=narrow)
    assert "never had together" in odd["remarks"]
    assert "never had together" not in litter(cub(), calibration=narrow)["remarks"]
    assert "never had together" not in litter(cub(hair_mm=9.0, ear_mm=59.0))["remarks"]


def test_known_births_come_first() -> None:
    """Exact, for all cubs of the litter, and it needs no calibration."""
    born = DAY - dt.timedelta(days=40)
    for calibration in (made(), None):
        one = litter(cub(1, born_on=born), cub(2), calibration=calibration)
        assert (one["age_d"], one["se_d"], one["lower_d"], one["upper_d"], one["known"]) == (40, 0, 40, 40, True)
        assert one["born_on"] == one["born_from"] == one["born_to"] == born
        assert one["calibration"] == "known birth date"
        assert one["remarks"] == ""


def test_a_known_birth_far_from_the_measurements() -> None:
    """Kept, with a remark."""
    one = litter(cub(born_on=DAY - dt.timedelta(days=58)))
    assert one["age_d"] == 58
    assert "known age 58 d outside the 95% interval" in one["remarks"]


def test_wrong_known_births() -> None:
    """After the visit: no age. Littermates that disagree: none is used, and it is told."""
    late = litter(cub(born_on=DAY + dt.timedelta(days=1)))
    assert "lies after the visit" in late["reason"]
    assert not late["known"]
    two = litter(cub(1, born_on=DAY - dt.timedelta(days=40)), cub(2, born_on=DAY - dt.timedelta(days=41)))
    assert "disagree" in two["remarks"]
    assert two["age_d"] == pytest.approx(41)
    assert not two["known"]


def test_without_calibration() -> None:
    """The reason says how to make one."""
    assert "densite cubs fit" in litter(cub(), calibration=None)["reason"]
    assert not litter_births(frame(cub(), cub(2, den_label="D-2")), None).shared.any()


def test_cubs_of_two_mothers() -> None:
    """No pooled age of two litters in one den."""
    one = litter(cub(1), cub(2, female="OB-002", born_on=DAY))
    assert "several mothers (OB-001, OB-002)" in one["reason"]
    assert one["female"] is None
    assert math.isnan(one["age_d"])


def test_signs_of_cubs_stand_in_the_remarks() -> None:
    """Eyes closed although the whole interval is older; the cub is named."""
    one = litter(cub(1, hair_mm=35.0, ear_mm=50.0, eyes="closed"), cub(2, hair_mm=35.0, ear_mm=50.0, eyes="open"))
    assert "cub 1: eyes closed at" in one["remarks"]
    assert "cub 2" not in one["remarks"]


def test_births_outside_the_season() -> None:
    """Told as plausibility, with its source."""
    one = litter(cub(date=dt.date(2026, 5, 20)))
    assert one["born_on"] == dt.date(2026, 4, 9)
    assert "thesis, Virginia 1995-96" in one["remarks"]


def test_shared_errors_of_litters() -> None:
    """XVX' between litters that were estimated; zero with known births and where there is no age."""
    cubs = frame(
        cub(1), cub(2, den_label="D-2", hair_mm=30.0), cub(3, den_label="D-3", born_on=DAY - dt.timedelta(days=40)),
        cub(4, den_label="D-4", hair_mm=None), cub(5, den_label="D-2", hair_mm=32.0),
    )  # fmt: skip
    cubs["female"] = None
    births = litter_births(cubs, made())
    x = np.array([[1, 31.0, 35], [1, 20.0, 35]])
    assert births.shared[:2, :2] == pytest.approx(x @ np.array(COVARIANCE) @ x.T)
    assert not births.shared[2:].any()
    assert not births.shared[:, 2:].any()
    assert list(births.frame["den_label"]) == ["D-2", "D-2026-01", "D-3", "D-4"]


def two_visits(**second) -> pd.DataFrame:
    """Return a litter's two visits, nine days apart, and another litter."""
    later = {"date": DAY + dt.timedelta(days=9), "den_label": "D-2026-09", "hair_mm": 24.0, "ear_mm": 41.0}
    return frame(cub(1), cub(2), cub(3, **(later | second)), cub(4, female="OB-002", den_label="D-7"))


def test_one_birth_a_litter() -> None:
    """The narrowest interval of one mother's visits in a winter stays; the other is named; shared errors go along."""
    births = litter_births(two_visits(), made())
    assert len(births.frame) == 3
    kept = one_birth_each(births)
    assert list(kept.frame["den_label"]) == ["D-2026-01", "D-7"]
    assert "the visit of 2026-03-10 gave" in kept.frame.iloc[0]["remarks"]
    assert kept.frame.iloc[1]["remarks"] == ""
    assert kept.shared == pytest.approx(births.shared[:2, :2])


def test_known_births_win_and_ages_beat_none() -> None:
    """A known birth date counts on both visits; a visit without age gives way to one with."""
    births = litter_births(two_visits(born_on=DAY - dt.timedelta(days=40)), made())
    assert births.frame.loc[births.frame["female"] == "OB-001", "known"].all()
    assert one_birth_each(births).frame["known"].sum() == 1
    kept = one_birth_each(litter_births(two_visits(hair_mm=None), made()))
    assert "the visit of 2026-03-10 gave no age" in kept.frame.iloc[0]["remarks"]
    bare = one_birth_each(litter_births(two_visits(), made(covariance=None)))
    assert list(bare.frame["date"]) == [DAY, DAY]


def test_next_winters_litter_is_another() -> None:
    """The same mother a year later; the winter is that of all records, which begins in July."""
    births = litter_births(two_visits(date=DAY.replace(year=2027)), made())
    assert len(one_birth_each(births).frame) == 3
    days = [dt.date(2025, 6, 30), dt.date(2025, 7, 31), dt.date(2025, 12, 31), dt.date(2026, 2, 28)]
    names = litter_names(frame(*(cub(n, date=day) for n, day in enumerate(days))))
    assert [name[-4:] for name in names] == ["2025", "2026", "2026", "2026"]


def test_names_of_litters() -> None:
    """By mother; by den where nobody names her; a cub without her id goes with its den."""
    rows = frame(cub(1), cub(2, female=None), cub(3, female=None, den_label="D-9"))
    assert list(litter_names(rows)) == ["OB-001 2026", "OB-001 2026", "den D-9 2026"]
    assert known_births(rows) == {"OB-001 2026": (), "den D-9 2026": ()}


def test_no_cubs() -> None:
    """Empty frames have their columns."""
    births = litter_births(frame(), made())
    assert births.frame.empty
    assert births.shared.shape == (0, 0)
    assert one_birth_each(births).frame.empty
    assert cub_ages(frame(), made()).empty
    assert {"born_on", "reason", "known"} <= set(births.frame.columns)


@given(st.floats(8, 40), st.floats(15, 60), st.integers(1, 5))
def test_birth_dates_lie_in_their_interval_and_not_after_the_visit(hair, ear, number) -> None:
    """Whatever is measured within the ranges."""
    rows = [cub(n + 1, hair_mm=hair, ear_mm=ear) for n in range(number)]
    one = litter(*rows, extrapolate=True)
    if not one["reason"]:
        assert one["born_from"] <= one["born_on"] <= one["born_to"] <= DAY
        assert one["lower_d"] <= one["age_d"] <= one["upper_d"]
        assert (DAY - one["born_from"]).days >= one["upper_d"]
        assert (DAY - one["born_to"]).days <= one["lower_d"]


def test_births_of_litters_that_grew() -> None:
    """New litters of the same law: 95 % intervals of births hold most true ones; single cubs are wider."""
    made_by = np.random.default_rng(4)
    calibration = fit(known(grown(made_by, litters=30)), validate=False).calibration
    new = known(grown(made_by, litters=60))
    frame_ = litter_births(new.assign(born_on=None), calibration, extrapolate=True).frame
    born = new.groupby("den_label")["born_on"].first()[frame_["den_label"]].to_numpy()
    inside = (frame_["born_from"] <= born) & (born <= frame_["born_to"])
    assert 0.88 <= inside.mean() <= 1
    own = cub_ages(new, calibration, extrapolate=True)
    assert own["se_d"].min() > frame_["se_d"].min()
