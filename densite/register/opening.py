"""Registers made and opened, by the path of a file or the URL of a database."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import Connection

from densite.errors import RegisterError
from densite.register import journal, migrations, schema
from densite.register.backend import Backend, has_register, info, version_in
from densite.register.geopackage import GeoPackage, is_database
from densite.register.store import Register

PRIVATE = 0o600  # a register holds exact den places; SQLite gives its log beside it the same rights


def is_url(target: str | Path) -> bool:
    """Tell the URL of a database from the path of a file.

    Parameters
    ----------
    target : str or Path
        As study.toml or a command names the register.

    Returns
    -------
    bool
    """
    return isinstance(target, str) and "://" in target


def create_register(target: str | Path, *, study_id: str) -> Register:
    """Make a new, empty register.

    Parameters
    ----------
    target : str or Path
        File to make, which must not exist; or the URL of a database whose schema holds no register.
    study_id : str
        ``study.id`` of study.toml.

    Returns
    -------
    Register

    Raises
    ------
    RegisterError
        There is one already, or it cannot be written.
    """
    if is_url(target):
        backend = _backend(target, writable=True)
        _make(backend, study_id)
        return Register(backend)
    path = Path(target)
    if path.exists():
        raise RegisterError(f"register {target} exists already: it is never overwritten")
    scratch = path.with_name(f".{path.name}.part")  # so that a register is there whole, or not at all
    try:
        for left in scratch.parent.glob(f"{scratch.name}*"):
            left.unlink()
        os.close(os.open(scratch, os.O_CREAT | os.O_EXCL | os.O_RDWR, PRIVATE))
        making = GeoPackage(scratch)
        _make(making, study_id)
        making.engine.dispose()
        scratch.rename(path)
    finally:
        for left in scratch.parent.glob(f"{scratch.name}*"):
            left.unlink(missing_ok=True)
    return Register(GeoPackage(path))


def _make(backend: Backend, study_id: str) -> None:
    with _let_go_of(backend), backend.told_as_errors():
        connection = backend.engine.connect().execution_options(densite_writes=True)
        with connection, connection.begin():
            _fill(backend, connection, study_id)


def _fill(backend: Backend, connection: Connection, study_id: str) -> None:
    """Lay out a register where there is none, and say whose it is."""
    if has_register(connection):
        raise RegisterError(f"register {backend.where} exists already: it is never overwritten")
    backend.lay_out(connection)
    told = {"schema_version": str(schema.SCHEMA_VERSION), "study_id": study_id}
    connection.execute(schema.study_info.insert(), [{"key": key, "value": value} for key, value in told.items()])
    journal.seal(connection)


@contextlib.contextmanager
def _let_go_of(backend: Backend) -> Iterator[None]:
    """Close what was opened where making or opening a register fails."""
    try:
        yield
    except BaseException:
        backend.engine.dispose()
        raise


def open_register(target: str | Path, *, study_id: str = "", keep: bool = True) -> Register:
    """Open a register that exists.

    Parameters
    ----------
    target : str or Path
        The register's file, or the URL of a database.
    study_id : str
        ``study.id`` of study.toml, which must be the register's own; not compared where blank.
    keep : bool
        Make a backup before an older register is brought up; without, only for a copy that nobody else knows.

    Returns
    -------
    Register

    Raises
    ------
    RegisterError
        It is missing, damaged, in use, no register, newer than this program, or of another study; or it is older
        and cannot be brought up.
    """
    backend = _backend(target, writable=is_url(target) or _writable(Path(target)))
    register = Register(backend)
    with _let_go_of(backend):
        with register.reading() as connection:
            version, owner = version_in(connection), info(connection, "study_id")
        _refuse(backend, version=version, owner=owner, study_id=study_id)
        if version < schema.SCHEMA_VERSION:
            _refuse_unwritable(backend, version)
            migrations.bring_up(register, keep=keep)
    return register


def look_up(target: str | Path, *, study_id: str = "") -> Register:
    """Open a register to read it as it is: a file is not written, and an older version not brought up.

    Parameters
    ----------
    target, study_id
        As for :func:`open_register`.

    Returns
    -------
    Register
        Of this version or an earlier one, of which the tables of today may be missing.

    Raises
    ------
    RegisterError
        As for :func:`open_register`.
    """
    if not is_url(target):
        _writable(Path(target))
    register = Register(_backend(target, writable=False))
    with _let_go_of(register.backend):
        with register.reading() as connection:
            version, owner = version_in(connection), info(connection, "study_id")
        _refuse(register.backend, version=version, owner=owner, study_id=study_id)
    return register


def _backend(target: str | Path, *, writable: bool) -> Backend:
    if is_url(target):
        from densite.register.postgis import PostGIS  # psycopg is an extra

        return PostGIS(str(target))
    return GeoPackage(Path(target), writable=writable)


def _writable(path: Path) -> bool:
    """Look at a file before SQLite does, which would write into an empty one."""
    if path.is_dir():
        raise RegisterError(f"{path} is a folder, no register: name the file in study.toml [register]")
    if not path.is_file():
        raise RegisterError(f"no register at {path}: `densite new` makes one with a study folder")
    if path.stat().st_size == 0:
        raise RegisterError(f"{path} is empty, damaged or no GeoPackage: restore a backup")
    if not is_database(path):
        raise RegisterError(f"{path} is damaged or no GeoPackage. Nothing was changed")
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)


def _refuse_unwritable(backend: Backend, version: int) -> None:
    """An older register has no journal, and read as a present one it would be half-read."""
    if not backend.writable:
        raise RegisterError(
            f"register {backend.where} has version {version}, this program reads {schema.SCHEMA_VERSION}; it cannot "
            "be brought up: the file or its folder is read-only. Copy the study folder to a disk of yours and open it "
            "there. Nothing was read"
        )


def _refuse(backend: Backend, *, version: int, owner: str, study_id: str) -> None:
    where = backend.where
    if version == 0:
        raise RegisterError(f"{where} is no densite register: its study_info table is missing")
    if version > schema.SCHEMA_VERSION:
        raise RegisterError(
            f"register {where} has version {version}, this program knows {schema.SCHEMA_VERSION}: "
            "update densite. Nothing was read"
        )
    if study_id and owner != study_id:
        raise RegisterError(
            f"register {where} belongs to the study with id {owner}, study.toml says {study_id}: "
            "record ids are made from it. Mend id in study.toml, or name the right register"
        )
