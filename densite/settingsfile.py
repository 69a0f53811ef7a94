"""study.toml as a file that people keep: lines are added to it, and not one of theirs is touched."""

from __future__ import annotations

import json
import os
import re
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from densite import settings
from densite.errors import SettingsError
from densite.terms import spelled

_COLUMNS = "intake.columns"


def add_to_intake(folder: Path, *, columns: Mapping[str, str], values: Mapping[str, str]) -> Path:
    """Add headings and settings to ``[intake]`` of a study's study.toml.

    The file is written beside itself and then put in its place, so that it is there whole at any time.

    Parameters
    ----------
    folder : Path
        Study folder.
    columns : mapping of str to str
        Headings with the column that each means.
    values : mapping of str to str
        Settings such as ``decimal``.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    SettingsError
        Something else is said there already of a heading or setting, the file is laid out so that lines cannot be
        added safely, or somebody changed it meanwhile. It is then as it was.
    """
    path = Path(os.path.realpath(folder / settings.FILE_NAME))
    before = path.read_bytes()
    try:
        text = before.decode("utf-8")
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path} is not UTF-8 ({error.reason}). Save it as UTF-8") from None
    after = with_additions(text, columns=columns, values=values)
    settings.parse(after.removeprefix("\ufeff"), where=str(path))
    if after != text:
        _replace(path, before, after.encode())
    return path


def with_additions(text: str, *, columns: Mapping[str, str], values: Mapping[str, str]) -> str:
    """Return the text of a study.toml with lines added under ``[intake]`` and ``[intake.columns]``.

    What results is read again: it must say what the text said, and what was to be added, and nothing else.

    Parameters
    ----------
    text : str
        Valid TOML.
    columns, values : mapping of str to str
        As for :func:`add_to_intake`; what is said there already is left out.

    Returns
    -------
    str
        Every line of the old text, in its order, with its line ends.

    Raises
    ------
    SettingsError
        As for :func:`add_to_intake`.
    """
    told = tomllib.loads(text.removeprefix("\ufeff"))
    intake = told.get("intake", {})
    new_columns = _new(columns, intake.get("columns", {}), "[intake.columns]")
    new_values = _new(values, intake, "[intake]")
    wanted = told | {"intake": intake | new_values}
    if new_columns:
        wanted["intake"]["columns"] = intake.get("columns", {}) | new_columns
    for section, added in (("intake", new_values), (_COLUMNS, new_columns)):
        text = _section_grown(text, section, added)
    if _read(text) != wanted:
        lines = [f"{_quoted(key)} = {_quoted(value)}" for key, value in new_columns.items()]
        lines += [f"under [intake] {key} = {_quoted(value)}" for key, value in new_values.items()]
        raise SettingsError(
            f"{settings.FILE_NAME} writes [intake] in a way in which lines cannot be added safely; nothing was "
            f"changed. Add by hand, under [{_COLUMNS}] where nothing else is said: {'; '.join(lines)}"
        )
    return text


def _new(added: Mapping[str, str], there: Mapping[str, Any], where: str) -> dict[str, str]:
    """Leave out what is said already; refuse what contradicts it. Headings are compared as intake compares them."""
    known = {spelled(key): (key, value) for key, value in there.items()}
    for key, value in added.items():
        old = known.get(spelled(key), (key, value))
        if old[1] != value:
            raise SettingsError(
                f"{settings.FILE_NAME} {where} says {old[0]!r} = {old[1]!r} already, not {value!r}: nothing was "
                "changed. Change that line by hand if it is wrong"
            )
    return {key: value for key, value in added.items() if spelled(key) not in known}


def _read(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except ValueError:
        return None


def _section_grown(text: str, section: str, added: Mapping[str, str]) -> str:
    """Put lines into a section; make the section at the end of the text where there is none."""
    if not added:
        return text
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += end
    name = r"\s*\.\s*".join(section.split("."))
    header = re.compile(rf"\[\s*{name}\s*\]\s*(#.*)?")
    start = next((i for i, line in enumerate(lines) if header.fullmatch(line.strip())), None)
    if start is None:
        lines += [end, f"[{section}]{end}"]
        start = len(lines) - 1
    for key, value in added.items():
        at = _place(lines, start, key)
        lines.insert(at, f"{_bare(key)} = {_quoted(value)}{end}")
    return "".join(lines)


def _place(lines: list[str], start: int, key: str) -> int:
    """Return where a new line goes: below its own switched-off example, or below the section's last key."""
    own = list(_of_section(lines, start))
    example = [i for i in own if re.match(rf"\s*#\s*{re.escape(_bare(key))}\s*=", lines[i])]
    keys = [i for i in own if lines[i].strip() and not lines[i].lstrip().startswith("#")]
    if example or keys:
        return max(example or keys) + 1
    at = start + 1
    while at < len(lines) and lines[at].lstrip().startswith("#"):  # what the section says of itself
        at += 1
    return at


def _of_section(lines: list[str], start: int) -> Iterator[int]:
    for number in range(start + 1, len(lines)):
        if lines[number].lstrip().startswith("["):
            return
        yield number


def _bare(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _quoted(key)


def _quoted(text: str) -> str:
    """Write a TOML basic string: JSON's escapes are TOML's, but TOML wants DEL escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def _replace(path: Path, before: bytes, after: bytes) -> None:
    """Put the new text in the old one's place, with its rights, unless the old one has changed since it was read."""
    number, scratch = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(after)
            file.flush()
            os.fsync(file.fileno())
        Path(scratch).chmod(path.stat().st_mode & 0o777)
        if path.read_bytes() != before:
            raise SettingsError(f"{path} was changed by somebody else meanwhile: nothing was written. Try again")
        Path(scratch).replace(path)
    finally:
        Path(scratch).unlink(missing_ok=True)
