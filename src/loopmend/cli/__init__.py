"""The command line: arguments in, text or JSON out.

Exit code 0 (done), 1 (refused), 2 (wrong usage) or 130 (stopped with Ctrl-C).
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

STOPPED = 130
"""Exit code of what was stopped with Ctrl-C, as shells have it: 128 and the number of the signal."""


def main() -> None:
    """Run the command line, keeping standard output for the answer alone."""
    with _stopping_at_once():
        from loopmend.cli.commands import app  # noqa: PLC0415 - takes seconds, and may be stopped meanwhile
    keep_output_clean()
    app()


@contextmanager
def _stopping_at_once() -> Iterator[None]:
    """Let Ctrl-C end the process with one line: nothing has begun yet, and no library gets to see it."""
    before = signal.getsignal(signal.SIGINT)
    if before is not signal.default_int_handler:
        yield  # whoever started this has it ignored
        return
    signal.signal(signal.SIGINT, _stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _stop(_number: int, _frame: FrameType | None) -> None:
    os.write(2, b"\nstopped\n" if os.isatty(2) else b"stopped\n")
    os._exit(STOPPED)


def keep_output_clean() -> None:
    """Send what compiled libraries print by themselves to standard error: the solver of restorations does.

    A letter that the terminal does not know is spelled out, as on standard error: an answer never fails for it.
    """
    sys.stdout.flush()
    answer = os.dup(1)
    os.dup2(2, 1)
    encoding = sys.stdout.encoding
    sys.stdout = open(answer, "w", encoding=encoding, errors="backslashreplace", buffering=1)  # noqa: PTH123, SIM115
