"""The search for the nearest piece against all pairs, one by one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from densite import nearest
from densite.nearest import curve_order, nearest_places, stations


def plain(points: np.ndarray, at: np.ndarray, joined: np.ndarray) -> np.ndarray:
    """Distances to the nearest of all places and pieces, one pair after another."""
    return np.array([min(pieces_away(point, at, joined)) for point in points])


def pieces_away(point: np.ndarray, at: np.ndarray, joined: np.ndarray) -> list[float]:
    """Distances from one point to every place and piece."""
    found = [float(np.linalg.norm(point - place)) for place in at]
    for i in np.flatnonzero(joined[:-1]):
        step = at[i + 1] - at[i]
        share = np.clip((point - at[i]) @ step / (step @ step), 0, 1) if step @ step > 1e-30 else 0.0
        found.append(float(np.linalg.norm(point - at[i] - share * step)))
    return found


def away(points: np.ndarray, at: np.ndarray, joined: np.ndarray, threads: int = 1) -> np.ndarray:
    """Distances by the module."""
    return np.linalg.norm(points - nearest_places(points, stations(at, joined), threads=threads), axis=1)


@st.composite
def scenes(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points, places and which of these are joined; whole numbers make ties, duplicates, pieces of length 0."""
    width, size = draw(st.integers(2, 3)), draw(st.integers(1, 40))
    number = draw(st.sampled_from([st.integers(-4, 4), st.floats(-1e5, 1e5, allow_subnormal=False)]))
    at = draw(arrays(float, (size, width), elements=number))
    points = draw(arrays(float, (draw(st.integers(1, 12)), width), elements=number))
    return points, at, draw(arrays(bool, size))


@given(scenes())
@settings(max_examples=300, deadline=None)
def test_it_is_the_nearest_of_all_pairs(scene: tuple[np.ndarray, np.ndarray, np.ndarray]) -> None:
    """Random places and pieces in the plane and in space: the same distance as by all pairs."""
    np.testing.assert_allclose(away(*scene), plain(*scene), rtol=1e-9, atol=1e-5)


@pytest.mark.parametrize("longest", [1.0, 30.0, 3000.0])
def test_long_pieces_among_many_short_ones(longest: float) -> None:
    """Where the nearest piece's ends are far and hundreds of other places nearer, it is found."""
    rng = np.random.default_rng(5)
    at = np.cumsum(rng.normal(0, longest, (600, 2)) * rng.pareto(1.0, (600, 1)), axis=0) % 1000
    joined = rng.random(600) < 0.7
    points = rng.uniform(0, 1000, (200, 2))
    np.testing.assert_allclose(away(points, at, joined), plain(points, at, joined), rtol=1e-9, atol=1e-6)


def test_a_piece_whose_ends_are_the_farthest_places() -> None:
    """1000 places around the middle of a long piece: a point on the piece is still at distance 0."""
    ring = np.random.default_rng(1).normal(size=(1000, 2))
    ring *= 5 / np.linalg.norm(ring, axis=1)[:, None]
    at = np.vstack([ring, [(-100.0, 0.0), (100.0, 0.0)]])
    joined = np.arange(1002) == 1000
    assert away(np.array([(0.5, 0.0)]), at, joined) == pytest.approx(0, abs=1e-9)


def test_many_equal_places() -> None:
    """A star of 3000 pieces from one place, and 3000 places that are equal, end in finite time."""
    bearing = np.linspace(0, 2 * np.pi, 3000, endpoint=False)
    star = np.zeros((6000, 2))
    star[1::2] = 100 * np.column_stack([np.sin(bearing), np.cos(bearing)])
    points = np.array([(3.0, 4.0), (0.0, 300.0)])
    np.testing.assert_allclose(away(points, star, np.arange(6000) % 2 == 0), [0.0, 200.0], atol=0.006)
    np.testing.assert_allclose(away(points, np.zeros((3000, 2)), np.zeros(3000, bool)), [5.0, 300.0])


def test_threads_and_batches_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    """The places are equal to the last bit for any number of threads and any batch."""
    rng = np.random.default_rng(2)
    line = stations(rng.normal(0, 100, (5000, 3)).cumsum(axis=0), rng.random(5000) < 0.9)
    points = rng.uniform(0, 1e4, (4000, 3))
    whole = nearest_places(points, line)
    monkeypatch.setattr(nearest, "BATCH", 77)
    monkeypatch.setattr(nearest, "MOST_PAIRS", 500)
    np.testing.assert_array_equal(nearest_places(points, line, threads=3), whole)


def test_the_curve_visits_every_cell_once() -> None:
    """On a 16 x 16 grid the keys are all different, and blocks of 4 x 4 cells are visited whole."""
    x, y = (part.ravel().astype(float) for part in np.meshgrid(np.arange(16), np.arange(16)))
    key = curve_order(x, y)
    assert len(set(key.tolist())) == 256
    order = np.argsort(key)
    blocks = (x[order] // 4 + 4 * (y[order] // 4)).reshape(16, 16)
    assert (blocks == blocks[:, :1]).all()
    assert len(curve_order(x[:0], y[:0])) == 0
    assert curve_order(np.ones(3), np.ones(3)).tolist() == [0, 0, 0]
