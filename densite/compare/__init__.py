"""Statistics on arrays and frames; this room knows no files, layers or maps."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from densite.compare.comparison import Comparison, compare
    from densite.compare.question import Question
    from densite.compare.resample import Chance

__all__ = ["Chance", "Comparison", "Question", "compare"]

_HOMES = {"Chance": "resample", "Comparison": "comparison", "Question": "question", "compare": "comparison"}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used: one part of the room needs few of the others."""
    if name in _HOMES:
        return getattr(import_module(f"densite.compare.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'densite.compare' has no attribute '{name}'")
