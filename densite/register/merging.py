"""Another crew's copy of a register merged into this one: joined by id, part by part, conflicts left to a person.

What either side knew when it made a change is read from the journals (:mod:`densite.register.lineage`):
a value yields to one that was made by somebody who knew it. Values made without knowing each other are
a conflict, and the record stays as it is here until a person has settled it.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import Connection, select

from densite.animalterms import KINDS
from densite.errors import RegisterError
from densite.register import doubles, journal, schema
from densite.register.backend import info
from densite.register.conflicts import Choice, Conflict, Key
from densite.register.heeding import unheeded
from densite.register.lineage import MERGE
from densite.register.opening import open_register
from densite.register.sides import Merged, Sides
from densite.register.store import Register, writer
from densite.register.taking import take_table

_BESIDE = ("", "-wal", "-journal")  # a register, and what lies beside it while it is in use
_TRIES, _NAP_S = 20, 0.1


class _DryRun(Exception):  # noqa: N818 - a signal to roll back, no error
    """Leaves the transaction without keeping it."""


def merge(
    register: Register, other: Path, *, choices: Mapping[Key, Choice] | None = None, who: str = "",
    dry_run: bool = False,
) -> Merged:  # fmt: skip
    """Take into a register what another crew's copy of it holds; the other file is never changed.

    Merging again changes nothing; merging both ways gives equal records. One transaction: all or nothing.

    Parameters
    ----------
    register : Register
        Open register, on either engine.
    other : Path
        The other crew's GeoPackage; an older version is brought up in a copy of ours.
    choices : mapping of tuple to Choice, optional
        What a person chose, as :func:`densite.register.conflicts.read_choices` reads it.
    who : str
        Who merges; as for :meth:`Register.writing` where left blank.
    dry_run : bool
        Say what would happen and change nothing.

    Returns
    -------
    Merged

    Raises
    ------
    RegisterError
        The other register is missing, damaged, of another study, or its journal's chain is broken.
    """
    merged = Merged(other.name, dry_run=dry_run)
    with _opened(other, register) as copy, copy.reading() as theirs, contextlib.suppress(_DryRun):
        _verify(theirs, other)
        with register.writing(source=f"{MERGE}{other.name}", who=who) as mine:
            fork = common_entries(mine, theirs)
            sides = Sides(register, mine, theirs, other.name, who or writer(), fork, choices or {}, merged)
            for name in schema.JOURNALED:
                take_table(sides, schema.metadata.tables[name])
            _merge_forks(sides)
            merged.unheeded.extend(unheeded(sides))
            if dry_run:
                raise _DryRun
    return merged


@contextlib.contextmanager
def _opened(path: Path, register: Register) -> Iterator[Register]:
    """Open a copy of another register, with what its write-ahead log holds; the file itself is only read."""
    own = getattr(register.backend, "path", None)
    if not path.is_file():
        raise RegisterError(f"no register at {path}: name the other crew's GeoPackage. Nothing was merged")
    if own is not None and path.samefile(own):
        raise RegisterError(f"{path} is this register itself: name the other crew's copy. Nothing was merged")
    with TemporaryDirectory(prefix="densite-") as folder:
        copy = Path(folder) / path.name
        _copy_whole(path, copy)
        with _told_of(path, copy), open_register(copy, keep=False) as opened:
            _same_study(opened, register, path)
            yield opened


def _copy_whole(path: Path, copy: Path) -> None:
    """Copy a register with its log as they are at one moment, though another program may be writing into them."""
    for _ in range(_TRIES):
        before = _stamps(path)
        for ending in _BESIDE:
            copy.with_name(copy.name + ending).unlink(missing_ok=True)
            with contextlib.suppress(FileNotFoundError):
                shutil.copyfile(path.with_name(path.name + ending), copy.with_name(copy.name + ending))
        if _stamps(path) == before:
            return
        time.sleep(_NAP_S)
    raise RegisterError(
        f"register {path} is being written by another program: close it there, or wait until it is done, and try "
        "again. Nothing was merged"
    )


def _stamps(path: Path) -> list[tuple[int, int] | None]:
    """Return size and time of change of a register's files."""
    files = (path.with_name(path.name + ending) for ending in _BESIDE)
    found = [file.stat() if file.is_file() else None for file in files]
    return [(told.st_size, told.st_mtime_ns) if told else None for told in found]


@contextlib.contextmanager
def _told_of(path: Path, copy: Path) -> Iterator[None]:
    """Name the other crew's file in errors, not our copy of it; errors of our own register stay as they are."""
    try:
        yield
    except RegisterError as error:
        said = str(error)
        if str(copy) not in said:
            raise
        said = said.replace(str(copy), str(path)).split(". Nothing was ")[0]  # its ways out are for our own
        way = "Ask the other crew for a new copy. " if "damaged" in said else ""
        raise RegisterError(f"{said}. {way}Nothing was merged") from None


def _same_study(opened: Register, register: Register, path: Path) -> None:
    with opened.reading() as theirs, register.reading() as mine:
        owners = info(theirs, "study_id"), info(mine, "study_id")
    if owners[0] != owners[1]:
        raise RegisterError(
            f"register {path} belongs to the study with id {owners[0]}, this one to {owners[1]}: record ids are made "
            "from it, so the two cannot be joined. Hand in its crew files instead. Nothing was merged"
        )


def _verify(theirs: Connection, path: Path) -> None:
    """Refuse a register whose file is damaged or whose journal was tampered with."""
    out = "Nothing was merged. Ask for a new copy, or for their last backup; `densite check --deep` there tells more"
    said = theirs.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
    lost = theirs.exec_driver_sql("PRAGMA foreign_key_check").first()
    if said != "ok" or lost is not None:
        raise RegisterError(
            f"register {path} is damaged: {said if lost is None else 'records without their den'}. {out}"
        )
    number = journal.broken(theirs)
    if number is not None:
        raise RegisterError(f"register {path}: its journal's chain is broken at entry {number}. {out}")


def common_entries(mine: Connection, theirs: Connection) -> int:
    """Find where two copies of one register parted.

    Parameters
    ----------
    mine, theirs : Connection
        Reading or writing.

    Returns
    -------
    int
        Number of the last journal entry that both have; 0 where there is none.
    """
    low, high = 0, min(journal.last_seal(mine)[0], journal.last_seal(theirs)[0])
    while low < high:  # each hash stands for all entries before it
        middle = (low + high + 1) // 2
        seals = [_seal_at(connection, middle) for connection in (mine, theirs)]
        low, high = (middle, high) if seals[0] == seals[1] != (0, "") else (low, middle - 1)
    return low


def _seal_at(connection: Connection, seq: int) -> tuple[int, str]:
    s = schema.journal_seal.c
    row = connection.execute(select(s.seq, s.hash).where(s.seq <= seq).order_by(s.seq.desc()).limit(1)).first()
    return (int(row.seq), str(row.hash)) if row else (0, "")


def _merge_forks(sides: Sides) -> None:
    """Ask which of two corrections of one record holds; withdraw the other as a person has chosen."""
    for kind in KINDS:
        told = doubles.corrections(sides.mine, kind)
        while _settle_a_fork(sides, kind, told):  # one at a time: a correction may stand in two forks
            sides.result.settled += 1
            told = doubles.corrections(sides.mine, kind)
        sides.result.conflicts.extend(told)
        sides.result.doubts.extend(doubles.both_withdrawn(sides.mine, kind))


def _settle_a_fork(sides: Sides, kind: str, forks: Sequence[Conflict]) -> bool:
    """Withdraw one correction as a person has chosen; tell whether there was one."""
    for told in forks:
        choice = sides.choice(told)
        if choice is not None and choice.keep != "value":
            sides.say(f"settled with {sides.name}: {told.mine if choice.keep == 'mine' else told.theirs} kept")
            drop = told.theirs if choice.keep == "mine" else told.mine
            sides.result.heeded.add(told.key)
            doubles.withdraw(sides.register, sides.mine, kind, drop, study_id=info(sides.mine, "study_id"))
            return True
    return False
