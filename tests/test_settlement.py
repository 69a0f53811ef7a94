"""Degree of urbanisation against an independent labelling, and the shapes that tell rules apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from densite.settlement import labelled, urbanisation

CORNERS = np.ones((3, 3), int)


def same_groups(ours: np.ndarray, theirs: np.ndarray) -> bool:
    """Compare two labellings that may number groups differently."""
    pairs = {(int(a), int(b)) for a, b in zip(ours.ravel(), theirs.ravel(), strict=True)}
    return len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs})


@given(arrays(bool, st.tuples(st.integers(1, 12), st.integers(1, 12))), st.booleans())
@settings(max_examples=200, deadline=None)
def test_groups_are_those_of_scipy_ndimage(mask: np.ndarray, corners: bool) -> None:
    """scipy.ndimage.label, by sides and by sides and corners, on any mask."""
    expected, _ = ndimage.label(mask, structure=CORNERS if corners else None)
    assert same_groups(labelled(mask, corners=corners), expected)


def reference(people: np.ndarray) -> np.ndarray:
    """Class cells with scipy.ndimage throughout: label, generic 3x3 counts, binary_fill_holes."""
    centre = np.zeros(people.shape, int)
    groups, count = ndimage.label(people >= 1500)
    for number in range(1, count + 1):
        if people[groups == number].sum() >= 50_000:
            centre[groups == number] = number
    around = CORNERS - np.array([[0, 0, 0], [0, 1, 0], [0, 0, 0]])
    while True:
        votes = [
            (n, ndimage.convolve((centre == n).astype(int), around, mode="constant")) for n in set(centre[centre > 0])
        ]
        joins = [(n, (centre == 0) & (v >= 5)) for n, v in votes]
        if not any(cells.any() for _, cells in joins):
            break
        for number, cells in joins:
            centre[cells] = number
    filled = centre.copy()
    for number in set(centre[centre > 0]):
        # Background joined by sides is what binary_fill_holes fills with its usual structure.
        holes = ndimage.binary_fill_holes(centre == number) & (centre != number)
        gaps, gap_count = ndimage.label(holes)
        for gap in range(1, gap_count + 1):
            if (gaps == gap).sum() < 15 and not (centre[gaps == gap] > 0).any():
                filled[gaps == gap] = number
    groups, count = ndimage.label(people >= 300, structure=CORNERS)
    sums = ndimage.sum_labels(people, groups, np.arange(count + 1))
    cluster = (groups > 0) & (sums[groups] >= 5000)
    return np.where(filled > 0, 0, np.where(cluster, 1, 2))


@pytest.mark.parametrize("seed", range(12))
def test_urbanisation_on_made_populations(seed: int) -> None:
    """Towns of several sizes on a 60 x 60 km grid, rough at their edges and with holes."""
    draw = np.random.default_rng(seed)
    rows, cols = np.mgrid[:60, :60]
    people = draw.gamma(0.6, 60, (60, 60))
    for _ in range(7):
        row, col, width = draw.uniform(5, 55), draw.uniform(5, 55), draw.uniform(1.5, 6)
        people += draw.uniform(500, 6000) * np.exp(-((rows - row) ** 2 + (cols - col) ** 2) / (2 * width**2))
    people *= draw.gamma(4, 0.25, (60, 60))
    expected = reference(people)
    assert {0, 1, 2} <= set(expected.ravel())
    assert np.array_equal(urbanisation(people), expected)


def town(cells: list[tuple[int, int]], people: float, *, size: int = 20) -> np.ndarray:
    """Return an empty land with so many people in each of the cells."""
    grid = np.zeros((size, size))
    for row, col in cells:
        grid[row, col] = people
    return grid


@pytest.mark.parametrize(("people", "code"), [(1499.9, 1), (1500.0, 0), (1500.1, 0)])
def test_density_of_an_urban_centre(people: float, code: int) -> None:
    """1500 people per km2 and more, here in 5 x 7 cells (at least 52,496 people)."""
    cells = [(r, c) for r in range(5, 10) for c in range(5, 12)]
    assert urbanisation(town(cells, people))[7, 7] == code


@pytest.mark.parametrize(("people", "code"), [(1999.9, 1), (2000.0, 0), (2000.1, 0)])
def test_people_of_an_urban_centre(people: float, code: int) -> None:
    """25 cells of 2000 are 50,000 people."""
    cells = [(r, c) for r in range(5, 10) for c in range(5, 10)]
    assert urbanisation(town(cells, people))[7, 7] == code


@pytest.mark.parametrize(("people", "code"), [(299.9, 2), (300.0, 1), (300.1, 1)])
def test_density_of_an_urban_cluster(people: float, code: int) -> None:
    """300 people per km2 and more, here in 20 cells (at least 5998 people)."""
    cells = [(r, c) for r in range(5, 9) for c in range(5, 10)]
    assert urbanisation(town(cells, people))[6, 6] == code


@pytest.mark.parametrize(("people", "code"), [(499.9, 2), (500.0, 1), (500.1, 1)])
def test_people_of_an_urban_cluster(people: float, code: int) -> None:
    """Ten cells of 500 are 5000 people."""
    cells = [(5, c) for c in range(5, 15)]
    assert urbanisation(town(cells, people))[5, 7] == code


def test_corners_join_clusters_but_not_centres() -> None:
    """Two squares of 4 x 4 cells of 1600 that touch by a corner: 51,200 together, 25,600 each."""
    cells = [(r + shift, c + shift) for shift in (0, 4) for r in range(4, 8) for c in range(4, 8)]
    touching = urbanisation(town(cells, 1600))
    assert set(touching[4:8, 4:8].ravel()) == {1}
    beside = [(r, c) for r in range(4, 8) for c in range(4, 12)]
    assert set(urbanisation(town(beside, 1600))[4:8, 4:12].ravel()) == {0}
    small = [(4, 4), (5, 5)]
    assert urbanisation(town(small, 2500))[4, 4] == 1
    assert urbanisation(town([(4, 4), (6, 6)], 2500))[4, 4] == 2


def ring(rows: int, cols: int) -> np.ndarray:
    """Return a centre two cells thick around an empty gap of so many cells."""
    grid = np.zeros((20, 20))
    grid[3 : 7 + rows, 3 : 7 + cols] = 3000
    grid[5 : 5 + rows, 5 : 5 + cols] = 0
    return grid


@pytest.mark.parametrize(("rows", "cols", "code"), [(3, 3, 0), (4, 4, 0), (4, 5, 2), (5, 5, 2)])
def test_gaps_under_fifteen_square_kilometres_are_filled(rows: int, cols: int, code: int) -> None:
    """Smoothing takes the corners first: 5 and 12 cells are filled, 16 and 21 are not.

    No gap of 14 or 15 cells outlasts the smoothing, so the bound cannot be pinned closer.
    """
    assert urbanisation(ring(rows, cols))[6, 6] == code


def test_edges_are_smoothed_by_five_of_eight_and_repeated() -> None:
    """A notch one cell wide and three deep closes from its bottom: 5, then 5, then 5 neighbours."""
    grid = np.zeros((20, 20))
    grid[4:10, 4:11] = 2000
    grid[4:7, 7] = 0
    codes = urbanisation(grid)
    assert codes[4:7, 7].tolist() == [0, 0, 0]
    assert codes[3, 7] == 2


def test_four_of_eight_do_not_smooth() -> None:
    """A cell on a straight edge has three neighbours in the centre, one in an inner corner has five."""
    grid = np.zeros((20, 20))
    grid[4:12, 4:8] = 2000
    grid[8:12, 8:12] = 2000
    codes = urbanisation(grid)
    assert codes[7, 8] == 0
    assert (codes[6, 8], codes[7, 10], codes[3, 5]) == (2, 2, 2)


def test_people_are_counted_before_gaps_are_filled() -> None:
    """A ring of 32 cells of 1550 has 49,600 people; 1400 in its gap do not make it a centre."""
    grid = np.zeros((20, 20))
    grid[4:10, 4:10] = 1550
    grid[6:8, 6:8] = 350
    assert urbanisation(grid)[4, 4] == 1


def test_unknown_cells_are_not_called_rural() -> None:
    """Missing population is missing, except where a centre closes over it."""
    grid = town([(r, c) for r in range(5, 10) for c in range(5, 12)], 2000)
    grid[7, 8] = np.nan
    grid[0, 0] = np.nan
    codes = urbanisation(grid)
    assert (codes[7, 8], codes[0, 0], codes[0, 1]) == (0, -1, 2)


def test_land_without_people_is_rural() -> None:
    """No groups at all is no error."""
    assert set(urbanisation(np.zeros((3, 4))).ravel()) == {2}
