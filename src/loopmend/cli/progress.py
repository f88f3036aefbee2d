"""Show on a terminal how far a search is, and let Ctrl-C end it with the best that it has."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from loopmend.cli import STOPPED

PATIENCE_S = 1.0
"""Seconds after which a search shows how far it is, and between two looks."""

STOPPING = "stopping when the solver comes to the end of its step; Ctrl-C again stops at once"


class SearchProgress:
    """What a search under way is asked to go on by.

    The solver lets no handler of Python run until it comes to the end of its step, which may take long; so a thread
    beside it shows how far the search is and notes Ctrl-C. Nothing is written meanwhile that could be left in halves.
    """

    def __init__(self) -> None:
        self.stopped = False
        self._state = ""
        self._began = time.monotonic()
        self._shown = 0

    def go_on(self, state: str) -> bool:
        """Take in how far the search is; False once it shall stop."""
        self._state = state
        return not self.stopped

    def tell(self, signals: int) -> None:
        """Watch a descriptor that a byte comes from for every signal, until it closes."""
        while True:
            if not select.select([signals], [], [], PATIENCE_S)[0]:
                self._show(f"{time.monotonic() - self._began:.0f} s, {self._state}" if self._state else "")
                continue
            numbers = os.read(signals, 1)
            if not numbers:
                break
            if numbers[0] == signal.SIGINT:
                self._interrupt()
        self._show("")

    def _interrupt(self) -> None:
        """Stop at the end of the step, the second time at once."""
        if self.stopped:
            self._show("")
            os.write(2, b"stopped\n")
            os._exit(STOPPED)
        self.stopped = True
        self._show("")
        sys.stderr.write(f"{STOPPING}\n")
        sys.stderr.flush()

    def _show(self, words: str) -> None:
        """Write over the line before, where a person watches; nothing in a file or a pipe."""
        if sys.stderr.isatty() and (words or self._shown):
            sys.stderr.write(f"\r{words.ljust(self._shown)}" + "\r" * (not words))
            sys.stderr.flush()
            self._shown = len(words)


@contextmanager
def watched_search() -> Iterator[SearchProgress]:
    """Give what a search asks whether to go on; while inside, Ctrl-C stops the search and not the program."""
    progress = SearchProgress()
    if threading.current_thread() is not threading.main_thread():
        yield progress  # signals are none of its business
        return
    out, into = os.pipe()
    os.set_blocking(into, False)
    handler = signal.signal(signal.SIGINT, _noted)
    wakeup = signal.set_wakeup_fd(into, warn_on_full_buffer=False)
    teller = threading.Thread(target=progress.tell, args=(out,), daemon=True)
    teller.start()
    try:
        yield progress
    finally:
        signal.set_wakeup_fd(wakeup)
        signal.signal(signal.SIGINT, handler)
        os.close(into)
        teller.join()
        os.close(out)


def _noted(_number: int, _frame: FrameType | None) -> None:
    """Do nothing: the thread beside has the signal."""
