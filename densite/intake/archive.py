"""Folders and zip archives of crew files: what is in them, unpacked within limits into a scratch folder only."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import zipfile
from collections.abc import Iterator
from itertools import islice
from pathlib import Path, PurePosixPath

from densite.errors import IntakeError
from densite.intake.part import CrewFile
from densite.intake.rawrow import shown, whole
from densite.intake.ziplimits import DAMAGED, Allowance, opened, trouble

ARCHIVES = (".zip", ".kmz")
_HIDDEN = ("__macosx", "thumbs.db", "desktop.ini")  # what systems leave behind
_LONGEST_NAME = 200  # bytes; file systems bear 255


def files_in(path: Path, scratch: Path, *, allowance: Allowance, name: str = "") -> Iterator[CrewFile]:
    """List the files of a folder or an archive, archives in it unpacked; any other file is listed as it is.

    Parameters
    ----------
    path : Path
        A file or a folder.
    scratch : Path
        A private folder into which archives are unpacked.
    allowance : Allowance
        What may be unpacked; used up here.
    name : str
        How people know it; its own name by default.

    Yields
    ------
    CrewFile
        In order of name; those that must not be read say why.

    Raises
    ------
    IntakeError
        There is no such file, or the archive itself is refused.
    """
    name = name or shown(path.name or path.resolve().name)
    if path.is_dir():
        yield from _of_folder(path, scratch, allowance, name)
    elif not path.is_file():
        raise IntakeError(f"{path}: no such file")
    elif path.suffix.lower() in ARCHIVES:
        yield from _of_archive(path, scratch, allowance, name)
    else:
        yield CrewFile(name, path)


def _of_folder(folder: Path, scratch: Path, allowance: Allowance, name: str) -> Iterator[CrewFile]:
    if (folder / "study.toml").is_file():
        raise IntakeError(f"{name} is a study folder: name the crew files that are to be taken in")
    if (folder / "datapackage.json").is_file() and "densite_export" in _start(folder / "datapackage.json"):
        raise IntakeError(f"{name} is an export of densite: hand in that folder by itself, unpacked")
    for path in sorted(folder.iterdir(), key=lambda p: p.name):
        own = f"{name}/{shown(path.name)}"
        if _is_hidden(path.name):
            continue
        if path.is_symlink() or not (path.is_dir() or path.is_file()):
            yield CrewFile(own, path, "is a link or a device, no file")
            continue
        allowance.take(0, name)
        yield from _inner(path, scratch, allowance, own)


def _inner(path: Path, scratch: Path, allowance: Allowance, name: str) -> Iterator[CrewFile]:
    """List what is inside; a folder or archive that is refused as a whole stops nothing beside it."""
    try:
        yield from files_in(path, scratch, allowance=allowance, name=name)
    except IntakeError as error:
        said = str(error)
        yield CrewFile(
            name, path, said.removeprefix(f"{name} ").removeprefix(f"{path.name} ").removeprefix(f"{name}: ")
        )


def _of_archive(path: Path, scratch: Path, allowance: Allowance, name: str) -> Iterator[CrewFile]:
    if allowance.depth == 0:
        raise IntakeError(f"{name} lies too deep: archive in archive in archive. Unpack it")
    place = scratch / f"{len(list(islice(scratch.iterdir(), 10_000)))}"
    place.mkdir(mode=0o700)
    refused = list(_unpacked(path, place, allowance, name))
    yield from refused
    allowance.depth -= 1
    try:
        yield from _of_folder(place, scratch, allowance, name)
    finally:  # also where it is refused, so that archives beside it are not taken to lie deeper
        allowance.depth += 1


def _unpacked(path: Path, place: Path, allowance: Allowance, name: str) -> Iterator[CrewFile]:
    """Unpack an archive; yield what is refused of it."""
    with opened(path, "zip archive") as archive:
        for member in archive.infolist():
            own = f"{name}/{shown(member.filename)}"
            if member.is_dir() or any(map(_is_hidden, _path_of(member).parts)):
                continue
            allowance.take(member.file_size, name)
            if said := trouble(member) or _unpack(archive, member, place):
                yield CrewFile(own, path, said)


def _unpack(archive: zipfile.ZipFile, member: zipfile.ZipInfo, place: Path) -> str:
    """Unpack a member below a folder; say why it cannot be."""
    parts = _path_of(member).parts
    if not parts or any(_leads_away(part) for part in parts):
        return "has a name that leads out of the archive, or that no file may have"
    target = place.joinpath(*parts)
    try:
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        with target.open("xb") as file, archive.open(member) as packed:
            shutil.copyfileobj(packed, file)
    except FileExistsError:
        return "stands twice in the archive, or a file has the name of a folder"
    except DAMAGED as error:
        with contextlib.suppress(OSError):
            target.unlink(missing_ok=True)
        return f"is damaged: {error or type(error).__name__}"
    return ""


def _path_of(member: zipfile.ZipInfo) -> PurePosixPath:
    return PurePosixPath(member.filename.replace("\\", "/"))


def _leads_away(part: str) -> bool:
    drive = re.fullmatch("[A-Za-z]:", part) is not None
    return part in ("/", "..") or "\0" in part or drive or len(os.fsencode(whole(part))) > _LONGEST_NAME


def _is_hidden(name: str) -> bool:
    return (name.startswith(".") and name.strip(".") != "") or name.casefold() in _HIDDEN


def _start(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(4096).decode("utf-8", "replace")
