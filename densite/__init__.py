"""Den sites from crew files to checked records, covariates, tables and maps."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from densite.errors import DensiteError, Problem
    from densite.pipeline import Study, open_study
    from densite.studyfolder import new_study

__all__ = ["DensiteError", "Problem", "Study", "new_study", "open_study"]

_HOMES = {
    "DensiteError": "errors", "Problem": "errors", "Study": "pipeline", "open_study": "pipeline",
    "new_study": "studyfolder",
}  # fmt: skip


def __dir__() -> list[str]:
    """List the public names."""
    return __all__


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that `densite --help` answers at once."""
    if name in _HOMES:
        return getattr(import_module(f"densite.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'densite' has no attribute '{name}'")
