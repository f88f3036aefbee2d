"""Keep a solver's stray lines off standard output, where a machine answer must stand alone.

HiGHS as shipped with SciPy 1.17 prints a line from compiled code now and then, whatever its options say.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading
from collections.abc import Iterator

_ONE_AT_A_TIME = threading.Lock()


@contextlib.contextmanager
def quiet_standard_output() -> Iterator[None]:
    """Send what compiled code writes to standard output nowhere, until the block ends (POSIX only)."""
    try:
        flush = ctypes.CDLL(None).fflush
    except (TypeError, OSError, AttributeError):  # no C library by that way: let it print
        yield
        return
    with _ONE_AT_A_TIME:
        flush(None)
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        try:
            yield
        finally:
            flush(None)
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)
