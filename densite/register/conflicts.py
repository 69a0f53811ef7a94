"""Conflicts of a merge: listed in a table, a row a field, and settled by a person in the same table."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

import shapely
from pydantic import ValidationError
from sqlalchemy import Table

from densite.animals import model_of
from densite.animalterms import KINDS
from densite.errors import IntakeError
from densite.intake.csvfile import DELIMITERS, encoding_of
from densite.intake.rejects import guarded, unguarded
from densite.records import DenSite, Visit, problems_of
from densite.register.columns import as_text, encode_point
from densite.register.schema import JOURNALED
from densite.wholefile import write_whole

PREFIX = "conflicts-"
SETTLED = "settled-"
KEPT = ("mine", "theirs", "value")
POINT = "place"  # the heading for geom: latitude and longitude in WGS 84

Key = tuple[str, str, str]
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Conflict:
    """One field that two registers hold differently, all as text, with whose values they are."""

    table: str
    record: str
    label: str
    field: str
    before: str
    mine: str
    theirs: str
    mine_by: str = ""
    mine_at: str = ""
    theirs_by: str = ""
    theirs_at: str = ""
    why: str = ""

    @property
    def key(self) -> Key:
        """What tells it from others."""
        return self.table, self.record, self.field

    @property
    def seen(self) -> str:
        """A mark of the two values, which a spreadsheet leaves as it is."""
        return f"v{hashlib.sha256(json.dumps([*self.key, self.mine, self.theirs]).encode()).hexdigest()[:10]}"

    def __str__(self) -> str:
        """Read as ``den D-1: slope_deg: was 20; mine 22 (K. R., ...); theirs 25 (L. M., ...)``."""
        mine, theirs = (_by(*told) for told in ((self.mine_by, self.mine_at), (self.theirs_by, self.theirs_at)))
        was = f"was {self.before}; " if self.before else ""
        why = f" [{self.why}]" if self.why else ""
        shown = (self.mine or "nothing", self.theirs or "nothing")
        return f"{self.table} {self.label}: {self.field}: {was}mine {shown[0]}{mine}; theirs {shown[1]}{theirs}{why}"


def _by(who: str, at: str) -> str:
    return f" ({who}, {at[:16].replace('T', ' ')})" if who else ""


@dataclass(frozen=True, slots=True)
class Choice:
    """What a person wants kept of a conflict, the mark of the two values that the person saw, and where that stands."""

    keep: str
    value: str
    seen: str
    mine: str = field(default="", compare=False)
    theirs: str = field(default="", compare=False)
    file: str = field(default="", compare=False)
    line: int = field(default=0, compare=False)


_HEADINGS = [*(f.name for f in fields(Conflict)), "seen"]


def write_conflicts(
    conflicts: Sequence[Conflict], folder: Path, other: str, *, settled: Path | None = None,
    choices: Mapping[Key, Choice] | None = None,
) -> Path:  # fmt: skip
    """Write conflicts to ``conflicts-<other>.csv`` with empty columns for a person's choice.

    A file into which somebody has written is never written over, unless it is the very file handed in.

    Parameters
    ----------
    conflicts : sequence of Conflict
        What to settle.
    folder : Path
        The study's ``out``.
    other : str
        Name of the other register's file, without its ending.
    settled : Path, optional
        The file that was handed in.
    choices : mapping of tuple to Choice, optional
        What stood in it: choices that wait for others are written again.

    Returns
    -------
    Path
        The file written.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path, number = folder / f"{PREFIX}{other}.csv", 2
    while path.exists() and not (settled is not None and path.samefile(settled)) and _begun(path):
        path, number = folder / f"{PREFIX}{other}-{number}.csv", number + 1
    write_whole(path, _table(conflicts, choices or {}).encode("utf-8-sig"))
    return path


def _table(conflicts: Sequence[Conflict], choices: Mapping[Key, Choice]) -> str:
    """Write conflicts as CSV, with the choices that still fit their values."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow([*_HEADINGS, "keep", "value"])
    for told in conflicts:
        chosen = choices.get(told.key)
        again = [chosen.keep, guarded(chosen.value)] if chosen and chosen.seen == told.seen else ["", ""]
        writer.writerow([*map(guarded, asdict(told).values()), told.seen, *again])
    return file.getvalue()


def _begun(path: Path) -> bool:
    """Tell whether a person has written into a file of conflicts; one that cannot be read counts as such."""
    try:
        return bool(read_choices(path))
    except (IntakeError, OSError):
        return True


def set_aside(settled: Path) -> Path:
    """Rename a file of which every conflict is settled, so that it is not taken for open work.

    Parameters
    ----------
    settled : Path
        The file that was handed in.

    Returns
    -------
    Path
        Its new name; unchanged where it has a name of its own.
    """
    if not settled.name.startswith(PREFIX):
        return settled
    stem, number = f"{SETTLED}{settled.stem.removeprefix(PREFIX)}", 2
    path = settled.with_name(f"{stem}.csv")
    while path.exists():
        path, number = settled.with_name(f"{stem}-{number}.csv"), number + 1
    return settled.replace(path)


def read_choices(path: Path) -> dict[Key, Choice]:
    """Read what a person wants kept.

    Parameters
    ----------
    path : Path
        From :func:`write_conflicts`, filled in; conflicts without a choice are passed over.

    Returns
    -------
    dict of tuple to Choice
        By table, record and field.

    Raises
    ------
    IntakeError
        Columns are missing, or a word under keep is none of ours; all such lines at once.
    """
    with path.open(encoding=encoding_of(path), newline="") as file:
        delimiter = max(DELIMITERS, key=file.readline().count)
        file.seek(0)
        reader = csv.DictReader(file, delimiter=delimiter)
        missing = [name for name in (*_HEADINGS, "keep", "value") if name not in (reader.fieldnames or ())]
        if missing:
            raise IntakeError(f"{path.name} line 1: no column {', '.join(missing)}; hand in the file that merge wrote")
        rows = [(reader.line_num, row) for row in reader]
    return _choices(rows, path.name)


def _choices(rows: Sequence[tuple[int, Mapping[str | None, Any]]], name: str) -> dict[Key, Choice]:
    found: dict[Key, Choice] = {}
    wrong: list[str] = []
    for line, cells in rows:
        row = {k: unguarded(v or "") for k, v in cells.items() if k}
        keep, value = row["keep"].strip().casefold(), row["value"].strip()
        key = (row["table"], row["record"], row["field"])
        if None in cells:
            wrong.append(f'{name} line {line}: more cells than headings; put a value with commas in quotes: "a, b"')
        elif (keep and keep not in KEPT) or (value and keep in ("mine", "theirs")):
            wrong.append(f"{name} line {line}: keep '{keep}', value '{value}'; write mine or theirs, or a value alone")
        elif keep or value:
            chosen = Choice(keep or "value", value, row["seen"], row["mine"], row["theirs"], name, line)
            if found.setdefault(key, chosen) != chosen:
                wrong.append(f"{name} line {line}: chosen otherwise in line {found[key].line}; leave one of the two")
    if wrong:
        raise IntakeError("\n".join(wrong) + "\nNothing was merged")
    return found


def shown(column: str, value: Any) -> str:
    """Write a value of a record as text.

    Parameters
    ----------
    column : str
        Its column.
    value : object
        The value, or None.

    Returns
    -------
    str
        A place as latitude and longitude in WGS 84 [deg]; blank for None.
    """
    if value is None:
        return ""
    if column == "geom":
        point = shapely.from_wkb(value)
        return f"{point.y!r} {point.x!r}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return as_text(value) if isinstance(value, dt.datetime) else str(value)


def heading(column: str) -> str:
    """Name a column as a person knows it.

    Parameters
    ----------
    column : str
        A column of the register.

    Returns
    -------
    str
        ``place`` for the geometry.
    """
    return POINT if column == "geom" else column


def typed(table: Table, row: Row, column: str, text: str) -> Any:
    """Read a value that a person wrote, checked by the record's model.

    Parameters
    ----------
    table : Table
        The record's table.
    row : mapping
        The record as it is.
    column : str
        The column that the value is for.
    text : str
        The value; blank for none.

    Returns
    -------
    object
        Of the column's type.

    Raises
    ------
    ValueError
        No such record may have this value; the message says what may stand there.
    """
    if column == "withdrawn" and table.name in ("den", "visit"):
        if text.casefold() not in ("", "yes"):
            raise ValueError(f"withdrawn '{text}'; allowed: yes, or blank")
        return text.casefold() or None
    if column == "geom":
        latitude, longitude = _point(text)
        return typed(table, dict(row) | {"geom": encode_point(longitude, latitude)}, "", "")
    given = {column: text} if column else {}
    try:
        record = _model(table).model_validate(_told(table, row) | given)
    except ValidationError as error:
        raise ValueError("; ".join(problem.message for problem in problems_of(error))) from None
    value = getattr(record, column) if column else row["geom"]
    return str(value) if isinstance(value, uuid.UUID) else value


def _point(text: str) -> tuple[float, float]:
    try:
        latitude, longitude = (float(word) for word in text.replace(",", " ").split())
    except ValueError:
        raise ValueError(f"place '{text}'; write latitude and longitude in WGS 84: 43.51234 -115.52123") from None
    return latitude, longitude


def impossible(table: Table, row: Row) -> str:
    """Say why no record may hold these values.

    Parameters
    ----------
    table : Table
        The record's table.
    row : mapping
        Values by column.

    Returns
    -------
    str
        Blank where it may.
    """
    try:
        _model(table).model_validate(_told(table, row))
    except ValidationError as error:
        return "; ".join(problem.message for problem in problems_of(error))
    return ""


def _model(table: Table) -> Any:
    models: dict[str, Any] = {"den": DenSite, "visit": Visit}
    return models.get(table.name) or model_of(KINDS[table.name.removesuffix("_record")])


def _told(table: Table, row: Row) -> dict[str, Any]:
    """Turn a row into what the record's model takes."""
    own = JOURNALED[table.name] == "record_id"
    told = {k: v for k, v in row.items() if v is not None and k != "fid" and (own or k != "withdrawn")}
    if "geom" in told:
        point = shapely.from_wkb(told.pop("geom"))
        told |= {"longitude": point.x, "latitude": point.y}
    return told
