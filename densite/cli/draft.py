"""Answers of `densite log` that are not saved yet, kept in the study folder at each question."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from densite.errors import IntakeError
from densite.terms import RECORDED_TERMS

NAME = "log-draft.json"
_MOST = 20  # people who log in one study folder at the same time
_LARGEST = 1_000_000  # more than any person types [bytes]


@dataclass(slots=True)
class Answers:
    """What was answered: values by column, questions done in their order, dens said to be others."""

    values: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    apart: list[str] = field(default_factory=list)
    reused: str = ""
    begun_at: str = ""


class Draft:
    """A draft's file, which this session alone writes: readable by its owner only, replaced whole each time."""

    def __init__(self, path: Path, lock: int | None) -> None:
        self.path = path
        self._lock = lock
        self._mine = lock is not None

    def read(self) -> Answers | None:
        """Return the answers kept, None where there are none or they cannot be read."""
        try:
            with self.path.open("rb") as file:
                return _answers(json.loads(file.read(_LARGEST)))
        except (OSError, ValueError, RecursionError):
            return None

    def keep(self, answers: Answers) -> None:
        """Write the answers so that a crash leaves these or the ones before."""
        if not self._mine and self.path.exists():  # another session began meanwhile
            self.path = open_draft(self.path.parent).path
        scratch = self.path.with_suffix(".part")
        told = {
            "densite_log_draft": 1, "begun_at": answers.begun_at, "values": answers.values, "done": answers.done,
            "apart": answers.apart, "reused": answers.reused,
        }  # fmt: skip
        with contextlib.suppress(FileNotFoundError):
            scratch.unlink()  # of a crash; whatever its rights were
        handle = os.open(scratch, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(os.dup(handle), "w", encoding="utf-8") as file:
            json.dump(told, file, indent=1, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
        _locked(handle)  # before it has the draft's name, so that no other session finds it free
        self.let_go()
        scratch.replace(self.path)
        self._lock, self._mine = handle, True

    def remove(self) -> None:
        """Delete the draft: its answers are in the register, or not wanted."""
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self.let_go()

    def set_aside(self) -> Path:
        """Keep a draft that cannot be read under another name, which is returned."""
        stamp = dt.datetime.now(dt.UTC).strftime("%Y%m%dT%H%M%S")
        aside = self.path.with_name(f"{self.path.stem}-unreadable-{stamp}.json")
        self.path.replace(aside)
        self.let_go()
        return aside

    def let_go(self) -> None:
        """Let another session have the draft."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None


def open_draft(out: Path) -> Draft:
    """Take the first draft that no other session is writing.

    Parameters
    ----------
    out : Path
        The study's folder for output.

    Returns
    -------
    Draft

    Raises
    ------
    IntakeError
        Others write all that there may be.
    """
    out.mkdir(mode=0o700, exist_ok=True)
    for number in range(1, _MOST + 1):
        path = out / (NAME if number == 1 else f"log-draft-{number}.json")
        try:
            handle = os.open(path, os.O_RDWR)
        except FileNotFoundError:
            return Draft(path, None)
        if _locked(handle):
            return Draft(path, handle)
        os.close(handle)
    raise IntakeError(f"{_MOST} sessions of `densite log` are open in {out.parent}: finish one of them first")


def _locked(handle: int) -> bool:
    """Lock an open file for this session; False where another has it. Systems without locks always allow it."""
    try:
        import fcntl
    except ImportError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _answers(told: Any) -> Answers:
    """Take a draft's own columns and questions; raise ValueError where it is none."""
    if not isinstance(told, dict) or told.get("densite_log_draft") != 1:
        raise ValueError("no draft")
    known = {term.name for term in RECORDED_TERMS}
    values, done, apart = told.get("values"), told.get("done"), told.get("apart")
    if not isinstance(values, dict) or not isinstance(done, list) or not isinstance(apart, list):
        raise ValueError("no draft")
    kept = {name: text for name, text in values.items() if name in known and isinstance(text, str)}
    return Answers(
        kept, [name for name in done if isinstance(name, str) and name in known], [str(label) for label in apart],
        str(told.get("reused", "")), str(told.get("begun_at", "")),
    )  # fmt: skip
