"""The exact test of a table of any size, by counting all tables or by drawing them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import special, stats

from densite.compare.resample import TIE, Floats, Ints
from densite.errors import StatisticsError

MOST_TABLES = 200_000  # counted one by one; above, tables are drawn


def exact_p(table: Ints, *, draws: int, rng: np.random.Generator) -> tuple[float, str]:
    """Return the chance of a table at most as likely as this one, given both margins.

    Parameters
    ----------
    table : ndarray of int, shape (r, c)
        Counts, no row or column empty.
    draws : int
        Number of tables to draw where there are too many to count.
    rng : Generator
        Where chance comes from.

    Returns
    -------
    tuple of float and str
        The p-value [1], and in words how it was had.

    Raises
    ------
    StatisticsError
        A row or column is empty, or a count below 0.

    Notes
    -----
    Drawn: (b + 1) / (B + 1) with B draws, b of them at most as likely up to rounding. (The test for
    larger tables in SciPy drops draws that are exactly as likely as the table.) Sources: Freeman &
    Halton 1951, Biometrika 38: 141-149; Phipson & Smyth 2010, doi:10.2202/1544-6115.1585.
    """
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    if (table < 0).any() or not (rows.all() and columns.all()):
        raise StatisticsError("an exact test needs counts of 0 or more, and no empty row or column")
    limit = _log_chance(table[None].astype(np.float64))[0] + TIE
    all_tables = _counted(rows, columns)
    if all_tables is None:
        drawn = _log_chance(stats.random_table(rows, columns).rvs(draws, random_state=rng).astype(np.float64))
        p = float((np.count_nonzero(drawn <= limit) + 1) / (draws + 1))
        error = np.sqrt(p * (1 - p) / draws)
        return p, f"{draws} tables drawn (standard error of p {error:.2g})"
    logs = _log_chance(all_tables)
    return float(min(1.0, np.exp(logs[logs <= limit]).sum())), f"all {len(logs)} tables with these margins"


def _log_chance(tables: Floats) -> Floats:
    """Return the log of each table's chance given its margins."""
    n = tables.sum(axis=(1, 2))
    margins = special.gammaln(tables.sum(axis=1) + 1).sum(axis=1) + special.gammaln(tables.sum(axis=2) + 1).sum(axis=1)
    return np.asarray(margins - special.gammaln(n + 1) - special.gammaln(tables + 1).sum(axis=(1, 2)))


def _counted(rows: Ints, columns: Ints) -> Floats | None:
    """Return all tables with these margins; None where there are too many."""
    if _about(rows, columns) > 2 * MOST_TABLES:  # counting up to the limit would take half a second in vain
        return None
    found = []
    for table in _tables(tuple(map(int, rows)), tuple(map(int, columns))):
        found.append(table)
        if len(found) > MOST_TABLES:
            return None
    return np.array(found, dtype=np.float64)


def _about(rows: Ints, columns: Ints) -> float:
    """Return about how many tables have these margins (Gail & Mantel 1977, J. Am. Stat. Assoc. 72: 859-862)."""
    c = len(columns)
    if c < 2:
        return 1.0
    variance = (rows * (rows + c)).sum() * (c - 1) / (c**2 * (c + 1))
    off = ((columns - columns.mean()) ** 2).sum() * (c - 1) / (c * variance)
    logs = (special.gammaln(rows + c) - special.gammaln(rows + 1) - special.gammaln(c)).sum()
    logs += (c - 1) / 2 * np.log((c - 1) / (2 * np.pi * c * variance)) + np.log(c) / 2 - off / 2
    return float(np.exp(min(logs, 700.0)))


def _tables(rows: tuple[int, ...], columns: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Yield all tables with these margins, row by row."""
    if len(rows) == 1:
        yield (columns,)
        return
    for first in _rows(rows[0], columns):
        left = tuple(column - cell for column, cell in zip(columns, first, strict=True))
        for rest in _tables(rows[1:], left):
            yield (first, *rest)


def _rows(total: int, most: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
    """Yield all rows with this sum, no cell above its most."""
    if len(most) == 1:
        if total <= most[0]:
            yield (total,)
        return
    least = max(0, total - sum(most[1:]))
    for cell in range(least, min(total, most[0]) + 1):
        for rest in _rows(total - cell, most[1:]):
            yield (cell, *rest)
