"""Write a file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from loopmend.errors import DataError

REMEDY = "write to a folder that is there and that you may write to"


def require_place(path: Path | None) -> None:
    """Refuse, before long work, a file whose folder is missing or closed to us; None is nothing to write."""
    if path is not None and not os.access(path.parent, os.W_OK):
        raise DataError.about(path.name, "file", "cannot be written", path, REMEDY)


def write_whole(path: Path, content: bytes) -> None:
    """Write under a passing name beside the path, and rename when all is there; a file of that name is replaced.

    Raises
    ------
    DataError
        If it cannot be written; nothing is left then, and a file that was there is as it was.
    """
    passing: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        passing = Path(name)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        passing.chmod(0o644)
        passing.replace(path)
    except BaseException as fault:  # Ctrl-C too leaves nothing
        if passing is not None:
            passing.unlink(missing_ok=True)
        if not isinstance(fault, OSError):
            raise
        raise DataError.about(path.name, "file", "cannot be written", fault.strerror, REMEDY) from fault
