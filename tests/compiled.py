"""Many registers opened by one test: a statement is compiled once for all of them, not once an engine."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Engine, event


class _Compiled(dict[Any, Any]):
    """SQLAlchemy's compiled statements by all but the engine they were first compiled for."""

    def get(self, key: tuple[Any, ...], default: Any = None) -> Any:
        return super().get(key[1:], default)

    def __setitem__(self, key: tuple[Any, ...], value: Any) -> None:
        super().__setitem__(key[1:], value)


_COMPILED = _Compiled()


def _share(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        connection.execution_options(compiled_cache=_COMPILED)


def _hurry(connection: Connection) -> None:
    if connection.dialect.name == "sqlite":
        connection.connection.cursor().execute("PRAGMA synchronous = OFF")


def share_compiled() -> None:
    """Share compiled statements among all registers of this process that are files."""
    event.listen(Engine, "engine_connect", _share)


@contextlib.contextmanager
def compiled_once(*, to_disk: bool = True) -> Iterator[None]:
    """Share compiled statements inside a block; and, where no test asks what outlives a crash, wait for no disk."""
    listeners = [_share] if to_disk else [_share, _hurry]
    for listener in listeners:
        event.listen(Engine, "engine_connect", listener)
    try:
        yield
    finally:
        for listener in listeners:
            event.remove(Engine, "engine_connect", listener)
