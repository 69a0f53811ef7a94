"""Copies of one register that crews carry apart: made, changed at random, merged, compared."""

from __future__ import annotations

import datetime as dt
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from densite.animals import record_uuid
from densite.records import DenSite, Visit, den_uuid, visit_uuid
from densite.register import Register, create_register, journal, open_register, schema
from densite.register.columns import encode_point
from densite.register.conflicts import Choice, Conflict

STUDY = "7e570000-0000-4000-8000-000000000001"
NOW = dt.datetime(2026, 3, 1, 12, 30, 15, 250000, tzinfo=dt.UTC)
DAY = dt.date(2026, 2, 24)


def den(label: str, lon: float = -115.5, lat: float = 43.5, **fields: Any) -> DenSite:
    """Return a den whose id is made from its label, as intake does."""
    told = {"den_type": "tree", "recorded_at": NOW} | fields
    return DenSite(den_id=den_uuid(STUDY, label), label=label, longitude=lon, latitude=lat, **told)


def visit(of: DenSite | str, key: str, **fields: Any) -> Visit:
    """Return a visit of a den, or of the den with that id."""
    den_id = of if isinstance(of, str) else of.den_id
    told = {"observed_on": DAY, "recorded_at": NOW} | fields
    return Visit(visit_id=visit_uuid(STUDY, key), den_id=den_id, row_key=key, **told)


def animal(key: str, **fields: Any) -> dict[str, Any]:
    """Return a record of an animal."""
    told = {"animal": f"OB-{key}", "sex": "female", "source_file": "animals.csv", "source_line": 2}
    return {"record_id": str(record_uuid(STUDY, "animal", key)), "row_key": key, "recorded_at": NOW,
            "as_recorded": "{}"} | told | fields  # fmt: skip


def id_of(label: str) -> str:
    """Return the id of a den by its label."""
    return str(den_uuid(STUDY, label))


def made(path: Path, *labels: str, study_id: str = STUDY) -> Path:
    """Make a register with a den, a visit and an animal for each label; closed again."""
    with create_register(path, study_id=study_id) as register, register.writing(source="crew.csv", who="K. R.") as c:
        dens = [den(label, lon=-115.5 + i / 100, slope_deg=20.0) for i, label in enumerate(labels)]
        register.add(c, dens, [visit(d, f"visit {d.label}") for d in dens])
        register.add_records(c, "animal", [animal(label) for label in labels])
    return path


def copied(path: Path, name: str) -> Path:
    """Copy a closed register."""
    return Path(shutil.copy(path, path.with_name(f"{name}.gpkg")))


def held(register: Register) -> dict[tuple[str, str], dict[str, Any]]:
    """Return all records of a register, from its journal alone, checked against its tables."""
    found = {}
    with register.reading() as connection:
        for name, key in schema.JOURNALED.items():
            table = schema.metadata.tables[name]
            rows = connection.execute(table.select()).mappings()
            state = journal.state(connection, table)
            assert state == {row[key]: {n: v for n, v in row.items() if n != "fid"} for row in rows}
            found |= {(name, record): row for record, row in state.items()}
    return found


def entry_count(register: Register) -> int:
    """Count journal entries, whose chain must be whole."""
    with register.reading() as connection:
        assert journal.broken(connection) is None
        assert journal.unsealed(connection) == 0
        return len(list(journal.entries(connection)))


def change(register: Register, of: str, who: str = "K. R.", **values: Any) -> None:
    """Change a den."""
    with register.writing(source="correct", reason="seen again", who=who) as connection:
        register.change(connection, "den", id_of(of), values)


def in_gis(path: Path, statement: str, *values: Any) -> None:
    """Change a register's file without densite."""
    with sqlite3.connect(path) as other:
        other.execute(statement, values)
    other.close()


def choices(conflicts: list[Conflict], keep: str = "mine", value: str = "") -> dict[Any, Choice]:
    """Choose the same for every conflict."""
    return {conflict.key: Choice(keep, value, conflict.seen) for conflict in conflicts}


# --- random histories ---

_VALUES: dict[str, list[Any]] = {
    "slope_deg": [None, 10.0, 20.0, 30.0], "canopy_pct": [None, 40.0], "notes": [None, "wet", "dry"],
    "den_type": ["tree", "brush"], "aspect_deg": [90.0, 180.0],
}  # fmt: skip
_OWN = st.sampled_from(sorted(_VALUES))


@st.composite
def _changed(draw: Any) -> tuple[str, int, dict[str, Any]]:
    name = draw(_OWN)
    return "change", draw(st.integers(0, 9)), {name: draw(st.sampled_from(_VALUES[name]))}


_steps = st.one_of(
    _changed(), _changed(), _changed(),
    st.tuples(st.just("move"), st.integers(0, 9), st.integers(1, 3)),
    st.tuples(st.just("gis"), st.integers(0, 9), st.sampled_from(["wet", "seen from afar"])),
    st.tuples(st.just("den"), st.integers(10, 14), st.sampled_from([10.0, 20.0])),
    st.tuples(st.just("visit"), st.integers(0, 9), st.integers(0, 5)),
    st.tuples(st.just("withdraw"), st.integers(0, 9), st.just(0)),
    st.tuples(st.just("unvisit"), st.integers(0, 9), st.just(0)),
    st.tuples(st.just("correct"), st.integers(0, 9), st.sampled_from(["male", "female"])),
)  # fmt: skip
histories = st.lists(_steps, max_size=8)
Step = tuple[str, int, Any]


@dataclass(frozen=True)
class _Turn:
    """One step of one crew."""

    register: Register
    connection: Any
    label: str
    number: int
    told: Any
    own: str


def live(register: Register, history: list[Step], own: str) -> None:
    """Let a crew live through a history; a step that its register cannot take is passed over."""
    for what, number, told in history:
        labels = sorted(register.dens(every=True, only=("label",))["label"])
        label = labels[number % len(labels)]
        with register.writing(source="crew", who=own) as connection:
            _STEPS[what](_Turn(register, connection, label, number, told, own))


def _change(turn: _Turn) -> None:
    turn.register.change(turn.connection, "den", _named(turn), turn.told)


def _move(turn: _Turn) -> None:
    there = {"geom": encode_point(-115.0 + turn.told / 10, 43.0)}
    turn.register.change(turn.connection, "den", _named(turn), there)


def _gis(turn: _Turn) -> None:
    turn.connection.exec_driver_sql("DELETE FROM journal_context")
    turn.connection.exec_driver_sql("UPDATE den SET cover_notes = ? WHERE label = ?", (turn.told, turn.label))


def _den(turn: _Turn) -> None:
    fresh = den(f"D-{turn.number}", slope_deg=turn.told, recorded_at=NOW + dt.timedelta(seconds=turn.told))
    if str(fresh.den_id) not in _ids(turn, schema.den):
        turn.register.add(turn.connection, [fresh], [visit(fresh, f"visit {fresh.label} {turn.told}")])


def _visit(turn: _Turn) -> None:
    by = turn.own if turn.told < 3 else "both"
    fresh = visit(_named(turn), f"{turn.label} by {by} {turn.told}")
    if str(fresh.visit_id) not in _ids(turn, schema.visit):
        turn.register.add(turn.connection, [], [fresh])


def _withdraw(turn: _Turn) -> None:
    turn.register.change(turn.connection, "den", _named(turn), {"withdrawn": "yes"})


def _unvisit(turn: _Turn) -> None:
    ids = sorted(_ids(turn, schema.visit))
    turn.register.change(turn.connection, "visit", ids[turn.number % len(ids)], {"withdrawn": "yes"})


def _correct(turn: _Turn) -> None:
    table = schema.record_tables["animal"]
    rows = turn.connection.execute(table.select().order_by(table.c.row_key)).mappings().all()
    replaced = {row["corrects"] for row in rows}
    ids = [row["record_id"] for row in rows if row["record_id"] not in replaced and row["withdrawn"] != "yes"]
    if ids:
        told = ids[turn.number % len(ids)]
        row = animal(f"{told} {turn.own} {turn.told}", animal="OB-1", sex=turn.told, corrects=told)
        turn.register.add_records(turn.connection, "animal", [row | {"correction_reason": "typed wrong"}])


_STEPS = {
    "change": _change, "move": _move, "gis": _gis, "den": _den, "visit": _visit, "withdraw": _withdraw,
    "unvisit": _unvisit, "correct": _correct,
}  # fmt: skip


def _named(turn: _Turn) -> str:
    query = schema.den.select().where(schema.den.c.label == turn.label)
    return str(turn.connection.execute(query).mappings().one()["den_id"])


def _ids(turn: _Turn, table: Any) -> set[str]:
    key = schema.JOURNALED[table.name]
    return {row[key] for row in turn.connection.execute(table.select()).mappings()}


def opened(*paths: Path) -> list[Register]:
    """Open several registers."""
    return [open_register(path) for path in paths]
