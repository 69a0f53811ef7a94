"""The exact test of a table: R's values, drawn tables against counted ones, SciPy for two by two."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from densite.compare import exact
from densite.compare.exact import exact_p
from densite.errors import StatisticsError


def p_of(table, draws: int = 999) -> float:
    """The p alone."""
    return exact_p(np.array(table), draws=draws, rng=np.random.default_rng(1))[0]


def test_values_of_r() -> None:
    """fisher.test of R 4.2.2."""
    assert p_of([[3, 1, 1], [0, 4, 2]]) == pytest.approx(0.1883116883, abs=1e-10)
    assert p_of([[45, 14], [7, 11], [1, 4]]) == pytest.approx(0.00125951, abs=1e-8)


def test_job_satisfaction_by_drawing() -> None:
    """Agresti 2002, p. 57, whose tables are too many to count: R gives .782684939."""
    table = np.array([[1, 2, 1, 0], [3, 3, 6, 1], [10, 10, 14, 9], [6, 7, 12, 11]])
    p, how = exact_p(table, draws=40_000, rng=np.random.default_rng(1))
    assert p == pytest.approx(0.782684939, abs=4 * 0.0021)
    assert how.startswith("40000 tables drawn")


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=4, max_size=4))
def test_two_by_two_as_scipy(cells) -> None:
    """SciPy's exact test of two by two tables sums the same tables."""
    table = np.array(cells).reshape(2, 2)
    if not (table.sum(axis=0).all() and table.sum(axis=1).all()):
        with pytest.raises(StatisticsError, match="no empty row"):
            p_of(table)
        return
    assert p_of(table) == pytest.approx(stats.fisher_exact(table).pvalue, abs=1e-9)


@pytest.mark.parametrize(
    "table", [[[3, 1, 1], [0, 4, 2]], [[5, 9], [12, 3]], [[4, 2, 6], [3, 3, 3], [5, 1, 2]], [[4, 1], [2, 6], [3, 3]]]
)
def test_the_number_of_tables_is_foreseen(table) -> None:
    """About as many as counting finds, so that none are counted in vain."""
    rows, columns = np.array(table).sum(axis=1), np.array(table).sum(axis=0)
    counted = len(exact._counted(rows, columns))
    assert counted / 2 < exact._about(rows, columns) < counted * 2


def test_drawn_tables_count_ties(monkeypatch) -> None:
    """Drawn, the small table of many equally likely ones has the p that counting gives."""
    table = np.array([[3, 1, 1], [0, 4, 2]])
    monkeypatch.setattr(exact, "MOST_TABLES", 3)
    p, how = exact_p(table, draws=40_000, rng=np.random.default_rng(2))
    assert "drawn" in how
    assert p == pytest.approx(0.1883116883, abs=4 * 0.002)
