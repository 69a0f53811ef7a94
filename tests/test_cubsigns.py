"""Eyes, teeth and season speak only against a whole interval."""

import datetime as dt

import pytest

from densite.cubsigns import out_of_season, signs


def fields(lower, upper, **cub) -> list[str]:
    """Return which fields speak."""
    return [field for field, _ in signs(cub, lower, upper)]


@pytest.mark.parametrize(
    ("cub", "lower", "upper", "speaks"),
    [
        ({"eyes": "closed"}, 44.1, 60, ["eyes"]),
        ({"eyes": "closed"}, 43.9, 60, []),
        ({"eyes": "open"}, 20, 43.9, ["eyes"]),
        ({"eyes": "open"}, 20, 44.1, []),
        ({"eyes": "opening"}, 1, 2, []),
        ({"eyes": None, "teeth": None}, 1, 2, []),
        ({"eyes": float("nan"), "teeth": float("nan")}, 1, 2, []),
        ({"teeth": "ui1"}, 30, 53, ["teeth"]),
        ({"teeth": "ui1"}, 30, 55, []),
        ({"teeth": "ui1=absent li1=felt"}, 55, 70, ["teeth"]),
        ({"teeth": "up4=absent"}, 55, 70, []),
        ({"teeth": "uc"}, 30, 55.9, ["teeth"]),
        ({"teeth": "uc"}, 30, 56.1, []),
        ({"teeth": "uc=felt"}, 55, 70, []),
        ({"teeth": "uc=felt lc=absent"}, 63.1, 70, ["teeth"]),
        ({"teeth": "uc=felt lc"}, 63.1, 70, []),
        ({"teeth": "no tooth"}, 1, 2, []),
        ({"eyes": "closed", "teeth": "uc"}, float("nan"), float("nan"), []),
    ],
)
def test_signs(cub, lower, upper, speaks) -> None:
    """Eyes at 44 d, teeth at 54 d, canine at 56 to 63 d; a cheek tooth says nothing by its lack."""
    assert fields(lower, upper, **cub) == speaks


def test_signs_name_their_source() -> None:
    """Captive cubs for the eyes, common practice for the canine."""
    ((_, eyes),) = signs({"eyes": "closed"}, 50, 60)
    ((_, canine),) = signs({"teeth": "lc"}, 20, 30)
    assert "50 to 60 d" in eyes
    assert "captive cubs, Mesa-Cruz et al. 2020" in eyes
    assert "common practice, no source" in canine


@pytest.mark.parametrize(
    ("first", "last", "outside"),
    [
        ((2026, 1, 1), (2026, 1, 1), False), ((2025, 12, 31), (2025, 12, 31), True),
        ((2026, 2, 22), (2026, 3, 1), False), ((2026, 2, 23), (2026, 3, 1), True),
        ((2025, 12, 20), (2026, 1, 1), False), ((2025, 12, 1), (2026, 3, 1), False),
    ],
)  # fmt: skip
def test_season(first, last, outside) -> None:
    """1 January to 22 February, both ends within; told with its source."""
    said = out_of_season(dt.date(*first), dt.date(*last))
    assert bool(said) == outside
    assert not outside or "thesis, Virginia 1995-96" in said
