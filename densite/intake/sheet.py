"""A table as it came, before anybody knows what its headings mean: headings, and its first rows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from densite.errors import IntakeError
from densite.intake.crewfile import KINDS, read_crew_file
from densite.intake.csvfile import headings_of, read_csv
from densite.intake.fieldfile import is_field_file
from densite.intake.kinds import DEN_VISITS
from densite.intake.part import Part
from densite.intake.parts import ENDINGS, LAYERS, WORKBOOKS
from densite.intake.rawrow import RawRow
from densite.intake.vector import read_layers
from densite.intake.xlsx import read_workbook
from densite.settings import IntakeSettings
from densite.terms import Term

ROWS = 2000  # so many rows are looked at
LONGEST_KEY = 40  # of a key in a waypoint's words; longer ones are prose with a colon in it


@dataclass(frozen=True, slots=True)
class Sheet:
    """Headings in the order of the file, and rows as written under them. ``datum_known``: the format fixes it."""

    file: str
    headings: tuple[str, ...]
    rows: tuple[RawRow, ...]
    datum_known: bool = False

    def cells(self, heading: str) -> list[str]:
        """Return what stands under a heading, blanks left out."""
        return [cell for row in self.rows if (cell := (row.raw.get(heading) or "").strip())]


def read_sheets(path: Path, settings: IntakeSettings) -> list[Sheet]:
    """Read a crew file as tables, whatever their headings.

    Parameters
    ----------
    path : Path
        A text table, a workbook, a file of points or layers.
    settings : IntakeSettings
        Its encoding; the mapping is not used.

    Returns
    -------
    list of Sheet
        One for each sheet or layer, with at most 2000 rows each.

    Raises
    ------
    IntakeError
        The file cannot be read, has no headings of somebody's own, or holds no rows.
    """
    _refuse(path)
    ending, blank = path.suffix.lower(), settings.model_copy(update={"columns": {}})
    if ending in WORKBOOKS:
        return _of_parts(read_workbook(path, name=path.name, settings=blank, told=DEN_VISITS, anyway=True))
    if ending in LAYERS:
        return _of_parts(read_layers(path, name=path.name, settings=blank, told=DEN_VISITS, anyway=True))
    if KINDS[ending] == "CSV":
        rows = tuple(islice(_table(path, settings), ROWS))
        return [_sheet(path.name, rows, headings_of(path, encoding=settings.encoding))]
    return [_sheet(path.name, tuple(map(_with_described, islice(read_crew_file(path, blank), ROWS))))]


def _refuse(path: Path) -> None:
    """Refuse what has no headings of somebody's own."""
    ending = path.suffix.lower()
    if path.is_dir() or ending == ".zip":
        raise IntakeError(f"{path.name} holds several files: --learn takes them one by one")
    if not path.is_file():
        raise IntakeError(f"{path}: no such file")
    if ending not in (*KINDS, *WORKBOOKS, *LAYERS):
        raise IntakeError(f"{path.name}: kind not known; allowed endings: {', '.join(ENDINGS)}")
    if KINDS.get(ending) == "photograph" or (ending in KINDS and is_field_file(path)):
        raise IntakeError(f"{path.name} has no headings to learn: hand it in as it is")


def _of_parts(parts: Iterator[Part]) -> list[Sheet]:
    """Read the first rows of each part; those that bring none were told to be empty or no points."""
    return [_sheet(part.file, tuple(islice(part.rows, ROWS))) for part in parts if not part.rowless]


def _sheet(name: str, rows: tuple[RawRow, ...], headings: list[str] | None = None) -> Sheet:
    if not rows:
        raise IntakeError(f"{name} holds headings but no rows: values are needed to learn what they mean")
    found = headings or list(dict.fromkeys(heading for row in rows for heading in row.raw))
    fixed = all(row.raw.get("datum") or row.raw.get("epsg") for row in rows)
    return Sheet(name, tuple(heading for heading in found if not heading.startswith("(more")), rows, datum_known=fixed)


def _table(path: Path, settings: IntakeSettings) -> Iterator[RawRow]:
    """Read a text table with its own headings as columns, so that each is known and none is refused."""
    own = [Term(heading, heading, "text", "file", "") for heading in headings_of(path, encoding=settings.encoding)]
    return read_csv(path, mapping={}, encoding=settings.encoding, terms=own)


def _with_described(row: RawRow) -> RawRow:
    """Take ``Typ: tree; Hang: 31`` in a waypoint's words apart: intake leaves keys that it does not know in them."""
    pairs = [part.partition(":") for part in (row.raw.get("notes") or "").split(";")]
    described = {key.strip(): value.strip() for key, colon, value in pairs if colon and key.strip() and value.strip()}
    return RawRow(row.file, row.line, row.values, described | row.raw) if _are_keys(described) else row


def _are_keys(described: Mapping[str, str]) -> bool:
    return bool(described) and all(len(key) <= LONGEST_KEY for key in described)
