"""What planners are told: counts of den types, put into a table of their own by the owner's act only.

A view of what is recorded now would tell a den of today to whoever asked yesterday: as the difference. So planners
read a table that changes by an owner's act only, and a group's numbers there are told anew only when both dens and
females differ by :data:`LEAST_FEMALES` or more from what was told: the difference of two publications is a group of
its own, and hides as many. What remains to be known: that a group has come to three females, or fallen below; and
what PostgreSQL tells every login, namely how many rows each table has had, not what stands in them.
"""

# ruff: noqa: S608 - names are words: Roles and DatabaseUrl refuse all else

from __future__ import annotations

from collections.abc import Iterator

CELL_DEG = 0.1  # width and height of the planner's cells [deg]
LEAST_FEMALES = 3  # a group of dens with fewer females is not told
WINTERS = 3  # so many winters are told together, and never in overlapping groups, which could be subtracted
TOLD = "den_types_by_cell"

_GROUP = ("west", "south", "first_winter", "den_type")


def planner_schema(own: str) -> str:
    """Name the schema of the planner's table beside a register's own.

    Parameters
    ----------
    own : str
        The register's schema.

    Returns
    -------
    str
    """
    return "densite_planner" if own == "public" else f"{own}_for_planners"


def table_of_told(own: str) -> Iterator[str]:
    """Yield the SQL that makes the planner's schema and its empty table, where they are missing.

    Parameters
    ----------
    own : str
        The register's schema.

    Yields
    ------
    str
    """
    apart = planner_schema(own)
    yield f"CREATE SCHEMA IF NOT EXISTS {apart}"
    yield f"""CREATE TABLE IF NOT EXISTS {apart}.{TOLD} (
  west numeric, south numeric, cell_deg numeric NOT NULL, first_winter integer, last_winter integer NOT NULL,
  den_type text, dens bigint NOT NULL, females bigint NOT NULL, told_on date NOT NULL,
  PRIMARY KEY ({", ".join(_GROUP)}))"""


def publication(own: str) -> str:
    """Write the SQL that tells planners the numbers of now, in one statement.

    Parameters
    ----------
    own : str
        The register's schema.

    Returns
    -------
    str
        It takes groups away that are too small now, adds new ones, and tells anew what differs enough.
    """
    told = f"{planner_schema(own)}.{TOLD}"
    same = " AND ".join(f"n.{name} = t.{name}" for name in _GROUP)
    enough = " AND ".join(f"abs(t.{name} - excluded.{name}) >= {LEAST_FEMALES}" for name in ("dens", "females"))
    return f"""WITH now_counted AS ({_counted(own)}),
gone AS (DELETE FROM {told} t WHERE NOT EXISTS (SELECT FROM now_counted n WHERE {same}))
INSERT INTO {told} AS t SELECT n.*, (now() AT TIME ZONE 'UTC')::date FROM now_counted n
ON CONFLICT ({", ".join(_GROUP)}) DO UPDATE
  SET dens = excluded.dens, females = excluded.females, told_on = excluded.told_on
  WHERE {enough}"""


def _counted(own: str) -> str:
    """Write the query that counts dens by cell, winters and type, and drops groups of few females.

    A den without a known female counts as a den but never as a female, and one female written in several ways
    ("OB-031", "ob 031") as one. A winter is named by its January and starts in July, as
    :func:`densite.records.winter_of` has it.
    """
    cells = round(1 / CELL_DEG)
    winter = "(extract(year FROM v.observed_on) + (extract(month FROM v.observed_on) >= 7)::int)::int"
    who = "nullif(lower(regexp_replace(v.female, '[[:space:]_-]', '', 'g')), '')"
    return f"""
  SELECT round(x::numeric / {cells}, 1) AS west, round(y::numeric / {cells}, 1) AS south,
    {CELL_DEG}::numeric AS cell_deg, winter AS first_winter, winter + {WINTERS - 1} AS last_winter, kind AS den_type,
    count(DISTINCT den) AS dens, count(DISTINCT who) AS females
  FROM (
    SELECT d.den_id AS den, floor(ST_X(d.geom) * {cells})::int AS x, floor(ST_Y(d.geom) * {cells})::int AS y,
      coalesce(d.den_type, 'unknown') AS kind, {winter} / {WINTERS} * {WINTERS} AS winter, {who} AS who
    FROM {own}.den d JOIN {own}.visit v ON v.den_id = d.den_id
    WHERE d.withdrawn IS DISTINCT FROM 'yes' AND v.withdrawn IS DISTINCT FROM 'yes') seen
  GROUP BY x, y, winter, kind HAVING count(DISTINCT who) >= {LEAST_FEMALES}"""
