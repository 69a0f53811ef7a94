"""What a zip file may unfold to: its own list of contents is looked at before anything is unpacked."""

from __future__ import annotations

import lzma
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from densite.errors import IntakeError

MIB = 2**20
_FREE = 8 * MIB  # so much may come out of a member however small it was packed
_RATIO = 200  # text that people write is packed 5 to 20 times

# What reading a damaged archive may raise; a password asked for is a RuntimeError.
DAMAGED: tuple[type[Exception], ...] = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, NotImplementedError, RuntimeError, OSError, ValueError,
)  # fmt: skip


@dataclass(slots=True)
class Allowance:
    """What may still be unpacked from one thing that was handed in, archives in it included. [bytes]"""

    members: int = 5000
    total: int = 512 * MIB
    depth: int = 3

    def take(self, size: int, name: str) -> None:
        """Take a member from the allowance.

        Parameters
        ----------
        size : int
            What it unfolds to. [bytes]
        name : str
            For messages.

        Raises
        ------
        IntakeError
            The allowance is used up.
        """
        self.members -= 1
        self.total -= size
        if self.members < 0 or self.total < 0:
            raise IntakeError(
                f"{name}: more than 5000 files, or 512 MiB, would come out of it. Hand in its files in smaller parts"
            )


@contextmanager
def opened(path: Path, what: str) -> Iterator[zipfile.ZipFile]:
    """Open a zip file.

    Parameters
    ----------
    path : Path
        The file.
    what : str
        What it should be, for messages: a zip archive, an XLSX workbook.

    Yields
    ------
    ZipFile

    Raises
    ------
    IntakeError
        It is none, or damaged.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            yield archive
    except DAMAGED as error:
        raise IntakeError(f"{path.name} is no readable {what}: {error or type(error).__name__}") from None


def trouble(member: zipfile.ZipInfo) -> str:
    """Say why a member must not be unpacked; blank where nothing stands against it.

    Parameters
    ----------
    member : ZipInfo
        As the archive lists it. What its sizes say binds: no more is ever read out of it.

    Returns
    -------
    str
    """
    kind = stat.S_IFMT(member.external_attr >> 16)
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR):
        return "is a link or a device, no file"
    if member.flag_bits & 0x1:
        return "is locked with a password: unpack it and hand in its files"
    if member.file_size > _FREE and member.file_size > _RATIO * max(member.compress_size, 1):
        return f"would unfold to {member.file_size // MIB} MiB out of {member.compress_size // 1024} KiB"
    return ""
