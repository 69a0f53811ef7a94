"""Questions that a person has looked at are not asked again, and the journal keeps why."""

import pytest

from densite.errors import RegisterError
from densite.pipeline import open_study
from densite.settling import settle
from densite.studyfolder import new_study

ROW = {"den_label": "D-1", "date": "2026-02-24", "den_type": "tree", "coordinates": "42.312 N 116.412 W",
       "datum": "WGS84", "uncertainty_m": "5", "slope_deg": "72", "observer": "Z.E."}  # fmt: skip


@pytest.fixture
def study(tmp_path):
    """A study with one den of a doubtful slope."""
    new_study(tmp_path / "basin", name="Ondra Basin", crs="EPSG:32611")
    with open_study(tmp_path / "basin") as opened:
        opened.log(ROW)
        yield opened


def kinds(study) -> list[str]:
    """Return the kinds of the den's questions, that of values to derive left out."""
    return [f.kind for f in study.review().findings if f.kind != "value" and f.den_id]


def test_settled_once(study) -> None:
    """All but what is not filled in; then one column by its name."""
    assert kinds(study) == ["doubt", "missing", "missing"]
    assert settle(study.register, "D-1", study.review(), reason="read twice") == ["slope_deg"]
    assert kinds(study) == ["missing", "missing"]
    settle(study.register, "D-1", study.review(), about=["missing.aspect"], reason="snow in the mouth")
    assert not any("aspect" in f.missing for f in study.review().findings)
    assert "snow in the mouth" in str(study.history("D-1"))


@pytest.mark.parametrize(("about", "reason", "said"), [
    ((), "", "needs a reason"), (("water",), "dry", "'water'; open: slope_deg, missing.position_method"),
])  # fmt: skip
def test_what_cannot_be_settled(study, about, reason, said) -> None:
    """It says what could be."""
    with pytest.raises(RegisterError, match=said):
        settle(study.register, "D-1", study.review(), about=about, reason=reason)


def test_nothing_but_missing(study) -> None:
    """What is not filled in must be named."""
    settle(study.register, "D-1", study.review(), reason="read twice")
    with pytest.raises(RegisterError, match="name it: missing"):
        settle(study.register, "D-1", study.review(), reason="again")
