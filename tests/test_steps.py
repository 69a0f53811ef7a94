"""Ways between a female's dens: distances, far ones, two places on a day."""

import numpy as np
import pytest
from made_questions_of_dens import dens_at, visits_to
from pyproj import Geod

from densite.review.steps import far_steps, few_steps, on_one_day, steps

EARTH = Geod(ellps="GRS80")


def study(females=20, far_km=30.0):
    """Twenty females with three dens in rising years, 0.8 to 1.5 km apart; the last one's middle den lies off."""
    rng = np.random.default_rng(2)
    points, seen = [], []
    for female in range(females):
        home = (-115.5 + 0.02 * female, 43.5)
        for year in range(3):
            away = far_km * 1000 if (female, year) == (females - 1, 1) else year * rng.uniform(800, 1500)
            points.append(EARTH.fwd(*home, 90, away)[:2])
            seen.append((f"d{len(points) - 1}", f"{2020 + year}-02-01", f"OB-{female:03d}"))
    return dens_at(len(points), xy=points), visits_to(*seen)


def test_ways_are_geodesics_in_order_of_days() -> None:
    """Two ways of three dens; a second visit to a den and a den without a female add none."""
    xy = [(-115, 43), (-115, 43.01), (-115.02, 43.01), (-114, 43)]
    visits = visits_to(("d1", "2021-02-01", "OB-001"), ("d0", "2020-02-01", "OB-001"), ("d2", "2022-02-01", "OB-001"),
                       ("d1", "2023-02-01", "OB-001"), ("d3", "2020-02-01", ""))  # fmt: skip
    made = steps(dens_at(4, xy=xy), visits)
    assert made[["start", "end"]].to_numpy().tolist() == [["d0", "d1"], ["d1", "d2"]]
    expected = [EARTH.inv(*xy[0], *xy[1])[2], EARTH.inv(*xy[1], *xy[2])[2]]
    assert made["distance_m"].to_numpy() == pytest.approx(expected, rel=1e-9)


def test_the_den_that_lies_off_is_asked_about() -> None:
    """Both ways to and from it are told at the one den, and nothing else is."""
    dens, visits = study()
    found = list(far_steps(dens, visits))
    assert [f.den_id for f in found] == ["d58", "d58"]
    assert {f.other_id for f in found} == {"d57", "d59"}
    assert "30.0 km from D-57, another den of OB-019" in found[0].problem.message


def test_sound_ways_and_few_ways_say_nothing() -> None:
    """No far den; with fewer than 30 ways a line says why nothing is judged."""
    assert list(far_steps(*study(far_km=1.0))) == []
    assert few_steps(*study()) == ""
    assert list(far_steps(*study(females=10))) == []
    assert few_steps(*study(females=10)) == "ways between a female's dens, for want of 30 (20)"


def test_two_places_on_one_day() -> None:
    """1111 m of latitude less 2 times 5 m of uncertainty; another day or female is no pair."""
    dens = dens_at(2, xy=[(-115, 43), (-115, 43.01)])
    visits = visits_to(("d0", "2020-02-01", "OB-001"), ("d1", "2020-02-01", "OB-001"))
    (found,) = on_one_day(dens, visits, apart_m=1000)
    assert (found.den_id, found.other_id, found.problem.field) == ("d1", "d0", "female")
    assert "recorded here and at D-0, 1111 m away, on 2020-02-01" in found.problem.message
    assert list(on_one_day(dens, visits, apart_m=1102)) == []
    for other in (("d1", "2020-02-02", "OB-001"), ("d1", "2020-02-01", "OB-002")):
        assert list(on_one_day(dens, visits_to(("d0", "2020-02-01", "OB-001"), other), apart_m=10)) == []
