"""XML files of crews walked through by expat, which knows the line; entities of their own are refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.parsers import expat

from densite.errors import IntakeError

LARGEST = 2**28  # bytes
MOST = 200_000  # waypoints or placemarks of one file, which are held at once


class XmlWalk:
    """Walks through a file and tells of tags, without their prefixes, and of texts; ``way`` leads to where it is."""

    def __init__(
        self,
        *,
        start: Callable[[str, dict[str, str]], None],
        end: Callable[[str], None],
        text: Callable[[str], None],
    ) -> None:
        self.way: list[str] = []
        self._start, self._end = start, end
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._open
        self.parser.EndElementHandler = self._close
        self.parser.CharacterDataHandler = text
        self.parser.EntityDeclHandler = _refuse

    @property
    def line(self) -> int:
        """The line at which the walk is."""
        return self.parser.CurrentLineNumber

    def _open(self, tag: str, attributes: dict[str, str]) -> None:
        tag = tag.rpartition(":")[2]
        self.way.append(tag)
        self._start(tag, attributes)

    def _close(self, tag: str) -> None:
        self._end(tag.rpartition(":")[2])
        self.way.pop()

    def through(self, path: Path, what: str) -> None:
        """Walk through a file.

        Parameters
        ----------
        path : Path
            The file.
        what : str
            What it should be, for messages: GPX, KML.

        Raises
        ------
        IntakeError
            It is no XML, declares entities, or is larger than 256 MiB.
        """
        if path.stat().st_size > LARGEST:
            raise IntakeError(f"{path.name} is larger than {LARGEST // 2**20} MiB: hand it in in smaller parts")
        try:
            with path.open("rb") as file:
                self.parser.ParseFile(file)
        except _Refused:
            raise IntakeError(
                f"{path.name} is no readable {what}: it declares entities, which no GPS unit writes"
            ) from None
        except (expat.ExpatError, ValueError, LookupError) as error:  # the last two: of an encoding that it names
            raise IntakeError(f"{path.name} is no readable {what}: {error}") from None


class _Refused(Exception):  # noqa: N818 - a signal out of the parser
    """Ends the walk at a declared entity."""


def _refuse(*_: Any) -> None:
    raise _Refused


def too_many(name: str, what: str) -> IntakeError:
    """Return the error of a file that holds more than can be held at once.

    Parameters
    ----------
    name : str
        The file's name.
    what : str
        What it holds: waypoints, placemarks.

    Returns
    -------
    IntakeError
    """
    return IntakeError(f"{name} holds more than {MOST} {what}: hand it in in smaller parts")
