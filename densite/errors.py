"""What went wrong, where, what was expected and what to do next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from unicodedata import category


class DensiteError(Exception):
    """A user's mistake or a broken input, told in one message without a traceback."""


class SettingsError(DensiteError):
    """study.toml is missing, unreadable, or holds something that densite does not know."""


class PlaceError(DensiteError):
    """A coordinate, datum, zone or bearing that cannot be understood."""


class IntakeError(DensiteError):
    """A crew file that cannot be read at all (single rows are reported as problems instead)."""


class RegisterError(DensiteError):
    """The register is missing, locked, damaged, or newer than this program."""


class LayerError(DensiteError):
    """A map layer is missing, unreadable, without CRS, or does not fit its purpose."""


class PointsError(DensiteError):
    """Points that cannot be drawn, read or written as asked."""


class CampaignError(DensiteError):
    """A campaign that cannot be started, or whose parts do not belong together."""


class StatisticsError(DensiteError):
    """Numbers from which the asked-for statistic cannot be computed."""


class MapError(DensiteError):
    """A map that cannot be drawn from what there is."""


class TransponderError(DensiteError, ValueError):
    """A text that is no transponder code beyond doubt; ``meant`` is the code that it may stand for, or ''."""

    def __init__(self, message: str, *, meant: str = "") -> None:
        super().__init__(f"{message}{f': {meant} meant?' if meant else ''}")
        self.meant = meant


def seen(text: str, *, most: int = 80) -> str:
    """Write a text so that a terminal shows it and obeys nothing in it.

    Parameters
    ----------
    text : str
        Any text.
    most : int
        So many characters are shown.

    Returns
    -------
    str
        On one line; control and direction characters as ``\\x1b``.
    """
    shown = "".join(c if c.isprintable() or category(c) == "Zs" else ascii(c)[1:-1] for c in text[: most + 1])
    return shown if len(text) <= most else f"{shown[:most]}..."


class Level(StrEnum):
    """How much a problem weighs.

    ``error``: the row cannot be used and must be mended. ``confirm``: the row is held back until a
    person writes ``yes`` into its ``confirmed`` column. ``warning``: the row is taken; ``densite
    check`` lists it again while the record shows it. ``note``: something was done
    with the row that its author should know.
    """

    ERROR = "error"
    CONFIRM = "confirm"
    WARNING = "warning"
    NOTE = "note"

    @property
    def holds_back(self) -> bool:
        """Whether a row with this problem stays out of the register."""
        return self in (Level.ERROR, Level.CONFIRM)


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding about one value, with the place where it stands and the way out."""

    level: Level
    message: str
    field: str = ""
    value: str = ""
    file: str = ""
    line: int = 0
    hint: str = ""
    den: str = ""

    def at(self, file: str, line: int, *, den: str = "") -> Problem:
        """Return the same problem, placed in a file and, where it is known, at a den."""
        return replace(self, file=file, line=line, den=den or self.den)

    def __str__(self) -> str:
        """Read as ``crew.csv line 14: den_type 'cave'; allowed: tree, ...: next step``."""
        place = f"{self.file} line {self.line}: " if self.line else (f"{self.file}: " if self.file else "")
        hint = f" ({self.hint})" if self.hint else ""
        den = f"den {self.den}: " if self.den else ""
        return f"{place}{self.level}: {den}{self.message}{hint}"
