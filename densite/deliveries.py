"""A crew file handed in: read, screened, recorded in one transaction, its doubtful rows held back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from densite.errors import IntakeError, Level, Problem
from densite.exports.comeback import is_export, take_back
from densite.fieldentries import visit_again, withdrawn_there
from densite.intake.crewfile import read_crew_file
from densite.intake.part import Part
from densite.intake.rawrow import RawRow, entry_of
from densite.intake.rejects import set_aside, write_rejects
from densite.intake.rows import ReadRow, key_of, read_row
from densite.intake.screening import Known, moved, screen, settle_names
from densite.known import known_of
from densite.records import DenSite, Visit
from densite.register import Register
from densite.settings import Settings

BATCH = 2000
FEW = 20  # of so few rows only what lies near them is asked of the register
Tick = Callable[[int], None]


@dataclass(slots=True)
class Delivery:
    """What came of handing in one file, or one part of a file that holds several.

    ``left_out`` counts entries of the field form that were withdrawn before they came. A part that could not be
    read says why in ``failed``; a ``rowless`` one only has something to tell.
    """

    file: str
    rows: int = 0
    dens: int = 0
    visits: int = 0
    kind: str = ""
    records: int = 0
    known: int = 0
    problems: list[Problem] = field(default_factory=list)
    held_back: list[tuple[RawRow, str]] = field(default_factory=list)
    rejected: Path | None = None
    mended: Path | None = None
    dry_run: bool = False
    failed: str = ""
    rowless: bool = False
    left_out: int = 0
    photographs: int = 0

    @property
    def summary(self) -> str:
        """Say in one line what came of the file."""
        if self.failed or self.rowless:
            return f"{self.file}: nothing taken in"
        would = "would be " if self.dry_run else ""
        made = f"{self.kind} {self.records}" if self.kind else f"new dens {self.dens}, visits {self.visits}"
        said = (
            f"{self.file}: rows {self.rows}; {would}recorded: {made}; "
            f"known already {self.known}; held back {len(self.held_back)}"
        )
        said += f" in {self.rejected}" if self.rejected else ""
        said += f"; withdrawn on the phone {self.left_out}" if self.left_out else ""
        said += f"; photographs {self.photographs}" if self.photographs else ""
        return f"{said}; all rows are in, file renamed {self.mended.name}" if self.mended else said


class DryRun(Exception):  # noqa: N818 - a signal to roll back, no error
    """Leaves the transaction without keeping it."""


@dataclass(slots=True)
class _Batch:
    """Records waiting to be written together."""

    dens: dict[str, DenSite] = field(default_factory=dict)
    visits: list[Visit] = field(default_factory=list)

    def write(self, register: Register, connection: Connection) -> None:
        register.add(connection, list(self.dens.values()), self.visits)
        self.dens, self.visits = {}, []


def hand_in(
    path: Path,
    *,
    register: Register,
    settings: Settings,
    out: Path,
    area: Any | None = None,
    dry_run: bool = False,
    tick: Tick = lambda _: None,
) -> Delivery:
    """Take a crew file into the register.

    Good rows are recorded in one transaction; rows with errors or unconfirmed doubts are written to
    ``out/rejected-<file>.csv``. A row that is recorded already changes nothing.

    Parameters
    ----------
    path : Path
        The crew file.
    register : Register
        Open register.
    settings : Settings
        The study's settings.
    out : Path
        Folder for held-back rows.
    area : shapely geometry or Rectangle, optional
        Study boundary in WGS 84, prepared. [deg]
    dry_run : bool
        Say what would happen and change nothing.
    tick : callable
        Called with the number of rows done since the last call.

    Returns
    -------
    Delivery

    Raises
    ------
    IntakeError
        The file as a whole cannot be read; the register is unchanged.
    RegisterError
        The register cannot be written; it is unchanged.
    """
    if is_export(path):
        return _brought_back(path, register, settings, dry_run=dry_run)
    part = Part(path.name, None, read_crew_file(path, settings.intake))
    return take_visits(part, path, register=register, settings=settings, out=out, area=area, dry_run=dry_run, tick=tick)


def take_visits(
    part: Part, path: Path, *, register: Register, settings: Settings, out: Path, area: Any | None = None,
    dry_run: bool = False, tick: Tick = lambda _: None,
) -> Delivery:  # fmt: skip
    """Take the den visits of one part of a file into the register.

    Parameters
    ----------
    part : Part
        With rows of den visits.
    path : Path
        The file that was handed in.
    register, settings, out, area, dry_run, tick
        As for :func:`hand_in`.

    Returns
    -------
    Delivery

    Raises
    ------
    IntakeError, RegisterError
        As for :func:`hand_in`.
    """
    delivery = deliver(
        part.rows, part.file, register=register, settings=settings, area=area, dry_run=dry_run, tick=tick,
        finish=lambda made: hold_back(made, path, out),
    )  # fmt: skip
    if not delivery.held_back and not dry_run:
        delivery.mended = set_aside(path, out)
    return delivery


def _brought_back(path: Path, register: Register, settings: Settings, *, dry_run: bool) -> Delivery:
    """Take an export of densite's own as it was kept: screened when it first came, it is whole or refused."""
    delivery = Delivery(path.name, dry_run=dry_run)
    try:
        with register.writing(source=path.name) as connection:
            taken = take_back(path, register, connection, settings)
            if dry_run:
                raise DryRun
    except DryRun:
        pass
    delivery.rows, delivery.known = taken.rows, taken.known
    delivery.dens, delivery.visits, delivery.records = taken.dens, taken.visits, taken.records
    delivery.kind = f"dens {taken.dens}, visits {taken.visits}, records of animals"
    return delivery


def hold_back(delivery: Delivery, path: Path, out: Path) -> None:
    """Write the rows of a file that cannot go in yet, before anything else is kept.

    Parameters
    ----------
    delivery : Delivery
        What came of the file; told where the rows are.
    path : Path
        The file that was handed in.
    out : Path
        Folder for held-back rows.

    Raises
    ------
    IntakeError
        The file holds no rows.
    """
    if not delivery.rows:
        raise IntakeError(f"{delivery.file} holds headings but no rows: nothing to take in")
    if delivery.held_back and not delivery.dry_run:
        delivery.rejected = write_rejects(delivery.held_back, folder=out, handed_in=path, name=delivery.file)


def deliver(
    rows: Iterable[RawRow],
    name: str,
    *,
    register: Register,
    settings: Settings,
    area: Any | None = None,
    dry_run: bool = False,
    tick: Tick = lambda _: None,
    finish: Callable[[Delivery], None] = lambda _: None,
) -> Delivery:
    """Take raw rows into the register in one transaction; held-back rows are returned, not written.

    Parameters
    ----------
    rows : iterable of RawRow
        Rows of one file, or a single row that was typed in.
    name : str
        How the delivery is called in messages.
    register, settings, area, dry_run, tick
        As for :func:`hand_in`.
    finish : callable
        Called before anything is kept; an error in it keeps nothing.

    Returns
    -------
    Delivery

    Raises
    ------
    IntakeError, RegisterError
        As for :func:`hand_in`; the register is unchanged.
    """
    delivery = Delivery(name, dry_run=dry_run)
    about, given = if_few(iter(rows))
    try:
        with register.writing(source=name) as connection:
            known = known_of(register, settings, about=about)  # inside the lock: nobody else adds dens meanwhile
            _take_all(given, delivery, known, register, connection, settings, area, tick)
            finish(delivery)
            if dry_run:
                raise DryRun
    except DryRun:
        return delivery
    return delivery


def if_few(rows: Iterator[RawRow]) -> tuple[Sequence[RawRow], Iterator[RawRow]]:
    """Look ahead whether rows are few, so that only what they name is asked of the register.

    Parameters
    ----------
    rows : iterator of RawRow
        Rows to come; read ahead.

    Returns
    -------
    about : sequence of RawRow
        All of them where there are at most ``FEW``, else none.
    rows : iterator of RawRow
        All of them, from the first.
    """
    first = list(islice(rows, FEW + 1))
    return first if len(first) <= FEW else (), chain(first, rows)


def _take_all(
    rows: Iterator[RawRow], delivery: Delivery, known: Known, register: Register, connection: Connection,
    settings: Settings, area: Any | None, tick: Tick,
) -> None:  # fmt: skip
    now = dt.datetime.now(dt.UTC)
    batch = _Batch()
    while chunk := list(islice(rows, BATCH)):
        for raw in chunk:
            delivery.rows += 1
            key = key_of(raw)
            if not _came_before(raw, key, delivery, known, connection, settings):
                _take(read_row(raw, settings, now=now, key=key), delivery, known, batch, register, connection, area)
        batch.write(register, connection)
        tick(len(chunk))


def _came_before(
    raw: RawRow, key: str, delivery: Delivery, known: Known, connection: Connection, settings: Settings
) -> bool:
    """Tell whether a row brings nothing to record: known already, or an entry that was changed or withdrawn."""
    if entry_of(raw.values) and key in known.rows and (found := visit_again(raw, connection, settings)):
        hold(raw, found, delivery)
        return True
    if key not in known.rows and withdrawn_there(raw):
        delivery.left_out += 1
        return True
    return _repeats(raw, key, delivery, known)


def hold(raw: RawRow, found: list[Problem], delivery: Delivery) -> None:
    """Hold a row back for a person to look at.

    Parameters
    ----------
    raw : RawRow
        The row.
    found : list of Problem
        What is to be looked at.
    delivery : Delivery
        Added to.
    """
    delivery.problems.extend(found)
    delivery.held_back.append((raw, "; ".join(map(told, found))))


def _repeats(raw: RawRow, key: str, delivery: Delivery, known: Known) -> bool:
    """Tell whether a row is recorded already; one that stands twice in its file is noted."""
    source = known.rows.get(key)
    if source is None:
        return False
    delivery.known += 1
    if source.startswith(f"{raw.file} line ") and not source.endswith(f" {raw.line}"):
        said = f"repeats {source}: counted once"
        delivery.problems.append(Problem(Level.NOTE, said, file=raw.file, line=raw.line))
    return True


def _take(
    row: ReadRow, delivery: Delivery, known: Known, batch: _Batch, register: Register, connection: Connection,
    area: Any | None,
) -> None:  # fmt: skip
    row = settle_names(row, known)
    problems = [*row.problems, *screen(row, known, area)]
    delivery.problems.extend(problems)
    stops = [p for p in problems if p.level.holds_back and not (p.level is Level.CONFIRM and row.confirmed)]
    if stops or row.den is None or row.visit is None:
        delivery.held_back.append((row.raw, "; ".join(told(p) for p in stops)))
        return
    _record(row.den, row.visit, delivery, known, batch, register, connection)


def _record(
    den: DenSite, visit: Visit, delivery: Delivery, known: Known, batch: _Batch, register: Register,
    connection: Connection,
) -> None:  # fmt: skip
    key = str(den.den_id)
    if key not in known.dens:
        batch.dens[key] = den
        delivery.dens += 1
    else:
        visit = _with_blanks_filled(den, visit, known, batch, register, connection)
    batch.visits.append(visit)
    delivery.visits += 1
    known.take(den, visit)


def _with_blanks_filled(
    den: DenSite, visit: Visit, known: Known, batch: _Batch, register: Register, connection: Connection
) -> Visit:
    """Fill in what the recorded den lacks, unless the row speaks of another place or type."""
    same = known.dens[str(den.den_id)]
    if moved(den, same, known) or (den.den_type != same.den_type and "unknown" not in (den.den_type, same.den_type)):
        return visit
    if same.den_id in batch.dens:
        batch.write(register, connection)
    # a type that is known is not asked for again, so that a row that tells nothing new costs no query
    filled = register.fill_blanks(connection, den, but=() if same.den_type == "unknown" else ("den_type",))
    if "den_type" in filled:
        known.dens[same.den_id] = replace(same, den_type=den.den_type)
    return visit.model_copy(update={"filled": ",".join(filled)}) if filled else visit


def told(problem: Problem) -> str:
    """Say a problem without its place, as a held-back row carries it."""
    return problem.message + (f" ({problem.hint})" if problem.hint else "")
