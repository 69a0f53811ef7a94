"""A calibration's file, and ages with intervals from it."""

import datetime as dt
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from densite.calibration import (
    AgeRange,
    Calibration,
    Measurement,
    Residual,
    Support,
    Validation,
    as_toml,
    foretell,
    read,
    same_landmark,
    shared_error,
    write,
)  # fmt: skip
from densite.errors import SettingsError, StatisticsError

COVARIANCE = ((4.0, 0.2, -0.25), (0.2, 0.05, -0.04), (-0.25, -0.04, 0.04))


def made(**fields) -> Calibration:
    """Return a calibration with invented numbers."""
    both = (
        Measurement(column="hair_mm", landmark="top of skull", low_mm=8, high_mm=40, coefficient=1.1),
        Measurement(column="ear_mm", landmark="tragus to tip", low_mm=15, high_mm=60, coefficient=0.8),
    )
    return Calibration(**{
        "name": "test", "species": "invented bear", "source": "nobody", "invented": True, "intercept": -9.0,
        "age_d": AgeRange(low=20, high=80), "measurements": both, "covariance": COVARIANCE,
        "residual": Residual(between_sd=2.0, within_sd=1.5, degrees_of_freedom=12),
    } | fields)  # fmt: skip


def test_what_is_written_reads_back(tmp_path) -> None:
    """All fields, to the last digit, and the file says that it is invented."""
    whole = made(
        intercept=-0.1 - 1e-17, made_on=dt.date(2026, 3, 1), made_with="densite", notes='a "note"\n\x7f é',
        widest_fit_sd=math.pi, support=Support(litters=15, visits=16, cubs=40),
        validation=Validation(litters=15, rmse=2.1, bias=-1e-7, coverage=0.93, confidence=0.95),
    )  # fmt: skip
    write(whole, tmp_path / "calibration.toml")
    assert read(tmp_path / "calibration.toml") == whole
    assert "# INVENTED" in as_toml(whole)
    assert "INVENTED" not in as_toml(made(invented=False))


@given(st.text(min_size=1).filter(lambda t: t.strip() == t), st.floats(allow_nan=False, allow_infinity=False))
def test_any_name_and_number_reads_back(tmp_path_factory, name, intercept) -> None:
    """Text with quotes, control characters and other scripts; very large and small numbers."""
    if any(0xD800 <= ord(letter) <= 0xDFFF for letter in name):
        return
    path = tmp_path_factory.getbasetemp() / "any.toml"
    whole = made(name=name, intercept=intercept)
    write(whole, path)
    assert read(path) == whole


def refused(tmp_path, text: str) -> str:
    """Return why a file is refused."""
    path = tmp_path / "c.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as error:
        read(path)
    return str(error.value)


def test_all_that_is_wrong_is_told_at_once(tmp_path) -> None:
    """Missing landmark, unknown measurement, range upside down, unknown key, missing key, text for a number."""
    told = refused(tmp_path, """
        name = "x"
        species = "y"
        invented = true
        intercept = "nine"
        colour = 3
        age_d = { low = 80, high = 20 }
        [[measurements]]
        column = "hair_mm"
        low_mm = 5
        high_mm = 40
        coefficient = 1.0
        [[measurements]]
        column = "nose_mm"
        low_mm = 5
        high_mm = 40
        coefficient = 1.0
        """)  # fmt: skip
    for said in (
        "'measurements[1]': hair_mm needs its landmark", "'nose_mm': is no", "low 80 must lie below high 20",
        "unknown key 'colour'", "'source' is missing", "'intercept' = 'nine'", "hair_mm, ear_mm, zygomatic_mm",
    ):  # fmt: skip
        assert said in told


@pytest.mark.parametrize(
    ("covariance", "said"),
    [
        ("[[4.0, 0.2], [0.2, 0.05]]", "has 2 rows of 2 numbers; intercept and 2 coefficients need 3 rows of 3"),
        ("[[4.0, 0.2, 0.1], [0.3, 0.05, 0.0], [0.1, 0.0, 0.04]]", "is not symmetric"),
        ("[[4.0, 0.0, 0.0], [0.0, 0.05, 0.06], [0.0, 0.06, 0.04]]", "is not positive semidefinite"),
        ("[[4.0, 0.0, 0.0], [0.0, -0.05, 0.0], [0.0, 0.0, 0.04]]", "variance below 0"),
        ("[[4.0, 0.0, 0.0], [0.0, nan, 0.0], [0.0, 0.0, 0.04]]", "finite"),
        ("[]", "has 0 rows of no numbers"),
    ],
)
def test_no_covariance_matrix(tmp_path, covariance, said) -> None:
    """Wrong shape, not symmetric, not positive semidefinite, not a number."""
    text = as_toml(made(covariance=None)).replace("intercept =", f"covariance = {covariance}\nintercept =")
    assert said in refused(tmp_path, text)


def test_files_that_cannot_be_read(tmp_path) -> None:
    """Missing, no TOML, not UTF-8, a folder: each ends in one message."""
    with pytest.raises(SettingsError, match="densite cubs fit"):
        read(tmp_path / "none.toml")
    for text in ("name = ", f"name = {'1' * 5000}", f"name = {'[' * 5000}"):
        assert "not valid TOML" in refused(tmp_path, text)
    (tmp_path / "latin.toml").write_bytes("name = 'é'".encode("latin-1"))
    with pytest.raises(SettingsError, match="UTF-8"):
        read(tmp_path / "latin.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        read(tmp_path)


def test_two_of_a_measurement_or_none() -> None:
    """Each measurement once, at least one; a residual of nothing at all is refused."""
    twice = (made().measurements[0], made().measurements[0])
    with pytest.raises(ValueError, match="more than once: hair_mm"):
        made(measurements=twice)
    with pytest.raises(ValueError, match="at least one measurement"):
        made(measurements=())
    with pytest.raises(ValueError, match="both 0"):
        Residual(between_sd=0, within_sd=0, degrees_of_freedom=3)


def test_interval_by_hand() -> None:
    """X'Vx + between^2 + within^2 / n, t with the degrees of freedom; written out for two cubs."""
    one = foretell(made(), [[20.0, 35.0]], [2], confidence=0.9)
    x = np.array([1.0, 20.0, 35.0])
    fit = x @ np.array(COVARIANCE) @ x
    se = math.sqrt(fit + 2.0**2 + 1.5**2 / 2)
    assert one.age[0] == pytest.approx(-9 + 1.1 * 20 + 0.8 * 35)
    assert one.se[0] == pytest.approx(se)
    assert one.fit_sd[0] == pytest.approx(math.sqrt(fit))
    assert one.upper[0] - one.age[0] == pytest.approx(stats.t.ppf(0.95, 12) * se)
    assert one.age[0] - one.lower[0] == pytest.approx(stats.t.ppf(0.95, 12) * se)


def test_more_littermates_narrow_what_averages_out() -> None:
    """The interval falls with the number of cubs, and not below what littermates share."""
    se = foretell(made(), np.tile([20.0, 35.0], (5, 1)), [1, 2, 4, 100, 10**9]).se
    assert (np.diff(se) < 0).all()
    assert se[-1] > 2.0


@pytest.mark.parametrize("lacking", ["covariance", "residual"])
def test_no_interval_without_covariance_or_residual(lacking) -> None:
    """The point stays, limits are missing, and it says why."""
    bare = made(**{lacking: None})
    one = foretell(bare, [[20.0, 35.0]], [1])
    assert one.age[0] == foretell(made(), [[20.0, 35.0]], [1]).age[0]
    assert np.isnan([one.se[0], one.lower[0], one.upper[0]]).all()
    assert lacking in bare.no_interval
    assert made().no_interval == ""


def test_shared_error() -> None:
    """XVX'; its diagonal is the square of fit_sd; zeros without a covariance."""
    means = np.array([[20.0, 35.0], [10.0, 20.0], [38.0, 55.0]])
    shared = shared_error(made(), means)
    assert np.sqrt(np.diag(shared)) == pytest.approx(foretell(made(), means, [1, 1, 1]).fit_sd)
    assert shared == pytest.approx(shared.T)
    assert not shared_error(made(covariance=None), means).any()


def test_words() -> None:
    """An invented calibration is called so; landmarks are compared without case and dashes; levels are checked."""
    assert made().label == "invented calibration 'test'"
    assert made(invented=False).label == "calibration 'test'"
    assert made().measurements[0].named == "hair_mm (top of skull)"
    assert same_landmark("Top-of skull", "top of  SKULL")
    assert not same_landmark("tragus to tip", "notch to tip")
    with pytest.raises(StatisticsError, match="between 0 and 1"):
        foretell(made(), [[20.0, 35.0]], [1], confidence=95)
