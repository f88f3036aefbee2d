"""Write a file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from loopmend.errors import DataError


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
    except OSError as fault:
        if passing is not None:
            passing.unlink(missing_ok=True)
        remedy = "write to a folder that is there and that you may write to"
        raise DataError.about(path.name, "file", "cannot be written", fault.strerror, remedy) from fault
