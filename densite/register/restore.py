"""A backup put in a register's place; what was there is kept."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from densite.errors import DensiteError, Level, Problem, RegisterError
from densite.register import journal
from densite.register.backup import Contents, back_up, contents, stamp, sync
from densite.register.geopackage import GeoPackage
from densite.register.journal import Entry
from densite.register.merging import common_entries
from densite.register.soundness import look_at
from densite.register.store import Register

SHOWN = 10
_WAIT_S = 3.0
_BESIDE = ("-wal", "-shm", "-journal")


@dataclass(frozen=True, slots=True)
class Plan:
    """What a restore would do: the backup, the register's place, and what the register holds beyond the backup."""

    backup: Path
    place: Path
    holds: Contents
    doubts: Sequence[Problem] = ()
    lost: Sequence[Entry] = field(default=())
    unknown: str = ""

    def lines(self) -> Iterator[str]:
        """Say what would be lost, the newest last."""
        yield f"{self.backup}: {self.holds}"
        if not self.place.exists():
            yield f"{self.place}: there is no register, nothing can be lost"
        elif self.unknown:
            yield f"{self.place}: {self.unknown}"
        elif not self.lost:
            yield f"{self.place}: holds no record or change that is not in the backup"
        else:
            yield f"{self.place}: {len(self.lost)} journal entries are not in the backup and would be lost:"
            yield from (f"  {_told(entry)}" for entry in self.lost[:SHOWN])
            if len(self.lost) > SHOWN:
                yield f"  ... and {len(self.lost) - SHOWN} more, the last: {_told(self.lost[-1])}"


def _told(entry: Entry) -> str:
    source = f", from {entry.source}" if entry.source else ""
    return f"{entry.at} {entry.who or 'another program'}: {entry.action} {entry.table_name} {entry.record}{source}"


def plan(backup: Path, place: Path, *, study_id: str) -> Plan:
    """Look whether a backup can be put in a register's place, and what would be lost; nothing is changed.

    Parameters
    ----------
    backup : Path
        A backup, or any copy of the register.
    place : Path
        The register's file, which may be damaged or missing.
    study_id : str
        ``study.id`` of study.toml, which must be the backup's own.

    Returns
    -------
    Plan

    Raises
    ------
    RegisterError
        The backup is missing, damaged, newer than this program, of another study, or is the register itself.
    """
    if backup.exists() and place.exists() and backup.samefile(place):
        raise RegisterError(f"{backup} is this register itself: name a backup. Nothing was changed")
    if not backup.is_file():
        raise RegisterError(f"no backup at {backup}. Nothing was changed")
    doubts = look_at(backup)
    if any(problem.level is Level.ERROR for problem in doubts):
        said = "\n  ".join(problem.message for problem in doubts if problem.level is Level.ERROR)
        raise RegisterError(f"{backup} is not sound; name another backup. Nothing was changed:\n  {said}")
    with _as_it_is(backup) as register, register.reading() as connection:
        holds = contents(connection)
    if holds.study_id != study_id:
        raise RegisterError(
            f"{backup} belongs to the study with id {holds.study_id}, study.toml says {study_id}. Nothing was changed"
        )
    lost, unknown = _beyond(backup, place, holds)
    return Plan(backup, place, holds, doubts, lost, unknown)


def _beyond(backup: Path, place: Path, holds: Contents) -> tuple[list[Entry], str]:
    """List the register's journal entries that a backup does not have, or say why they are not known."""
    if not place.exists():
        return [], ""
    try:
        with _as_it_is(place) as present, present.reading() as mine:
            held = contents(mine)
            if not held.seal or not holds.seal:
                return [], f"now {held}. One of the two has no journal: what would be lost cannot be listed"
            with _as_it_is(backup) as earlier, earlier.reading() as theirs:
                return list(journal.entries(mine, after=common_entries(mine, theirs))), ""
    except (DensiteError, ValueError, TypeError) as error:
        return [], f"cannot be read, so what would be lost is not known ({str(error).split('. ')[0]})"


def _as_it_is(path: Path) -> Register:
    return Register(GeoPackage(path, writable=False))


def restore(chosen: Plan) -> Path | None:
    """Put a verified copy of a backup in the register's place, in one step; what was there is kept beside it.

    Parameters
    ----------
    chosen : Plan
        From :func:`plan`.

    Returns
    -------
    Path or None
        Where the register that was there is kept, ``register-before-restore-TIME.gpkg``, with its write-ahead log
        folded in, or beside it where the file is too damaged for that; None where there was none.

    Raises
    ------
    RegisterError
        Another program has the register open, or the copy cannot be written: all is as it was.
    """
    place = chosen.place.resolve()  # a link to a register stays a link
    scratch = place.with_name(f".{place.name}.restoring-{os.getpid()}")
    try:
        with _as_it_is(chosen.backup) as register:
            back_up(register, scratch)
        with _alone(place):
            kept = _keep(place)
            _same_rights(place, scratch)
            scratch.replace(place)
            sync(place.parent)
    except OSError as error:
        raise RegisterError(f"{place} cannot be put in place: {error.strerror or error}. {_KEPT}") from None
    finally:
        scratch.unlink(missing_ok=True)
    return kept


_KEPT = "The register is as it was, or under its name with -before-restore- beside it"


@contextlib.contextmanager
def _alone(place: Path) -> Iterator[None]:
    """Fold the write-ahead log in and hold the file's lock; a file too damaged for that is only looked at.

    Leaving the write-ahead log needs a lock that no other open connection allows, not even one that only reads.
    """
    if not place.exists():
        yield
        return
    with contextlib.closing(sqlite3.connect(place, timeout=_WAIT_S, isolation_level=None)) as own:
        try:
            own.execute("PRAGMA journal_mode = DELETE")
            own.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error) or "busy" in str(error):
                raise RegisterError(
                    f"register {place} is open in another program: close it there (a GIS?) and try again. Nothing was "
                    "changed"
                ) from None
        except sqlite3.DatabaseError:
            pass  # damaged: nothing can be folded in, and all its files are kept
        yield


def _keep(place: Path) -> Path | None:
    """Give the present register's files another name; its own name is free only where links cannot be made."""
    there = [ending for ending in ("", *_BESIDE) if place.with_name(place.name + ending).exists()]
    if not there:
        return None
    kept = _free_name(place)
    if "" in there:
        _link(place, kept)
    for ending in there:
        if ending:  # a log of the old file beside the new one would be played into it
            place.with_name(place.name + ending).rename(kept.with_name(kept.name + ending))
    return kept if "" in there else None


def _free_name(place: Path) -> Path:
    base = f"{place.stem}-before-restore-{stamp()}"
    names = (f"{base}{f'-{n}' if n else ''}{place.suffix}" for n in range(10_000))
    taken = {path.name for path in place.parent.iterdir()}
    return place.with_name(next(name for name in names if name not in taken))


def _link(place: Path, kept: Path) -> None:
    try:
        os.link(place, kept)
    except OSError:  # a file system without links: between this and the next step there is the kept file only
        place.rename(kept)


def _same_rights(place: Path, scratch: Path) -> None:
    """A register that a team shares stays shared; a new one is private."""
    if place.exists():
        scratch.chmod(stat.S_IMODE(place.stat().st_mode))
