"""A file that is there whole, or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(path: Path, data: bytes) -> None:
    """Write a file beside itself, then put it in its place; only its owner can read it.

    Parameters
    ----------
    path : Path
        The file; one of that name is replaced. Its folder must be there.
    data : bytes
        All that it shall hold.

    Raises
    ------
    OSError
        It cannot be written; what stood there is as it was, and nothing is left beside it.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        Path(name).replace(path)
    finally:
        Path(name).unlink(missing_ok=True)
