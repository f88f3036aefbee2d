"""Ask the planners' question of a large circuit in processes of its own, one for each core, and answer in its order.

A server that asks in a thread of its own asks slowly, for its screens want the same interpreter; and a solve that takes
long can be stopped only where it can be ended.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO, cast

from loopmend.network.graph import Circuit
from loopmend.switching.contingency import Contingency, find_contingencies
from loopmend.switching.task import FlowSettings

FEWEST_SPANS = 300
"""Below, the start of a process costs more than it saves."""

MOST_PROCESSES = 8
CHUNK = 8
"""Spans that one process answers before the next one's turn: neighbours share what is found for their part."""


@dataclass(frozen=True, slots=True)
class _Question:
    circuit: Circuit
    settings: FlowSettings
    limits: bool
    spans: list[str]


class AnsweringProcesses(Iterator[Contingency]):
    """The answers of `find_contingencies` over all spans, in circuit order, from several processes.

    `close` ends them at once, also from another thread; who waits for an answer then gets StopIteration.
    """

    def __init__(self, circuit: Circuit, settings: FlowSettings, *, limits: bool) -> None:
        names = circuit.spans.span_id.tolist()
        chunks = [names[k : k + CHUNK] for k in range(0, len(names), CHUNK)]
        n = max(min(os.cpu_count() or 1, MOST_PROCESSES, len(chunks)), 1)
        command = [sys.executable, "-c", f"import {__name__} as asked; asked.answer_questions()"]
        self._workers: list[subprocess.Popen[bytes]] = []
        self._turns = [k % n for k, chunk in enumerate(chunks) for _ in chunk]
        self._answered = 0
        self._closed = False
        try:
            for _ in range(n):  # in sessions of their own: Ctrl-C is for the one that asks, who ends them
                one = subprocess.Popen(command, stdin=-1, stdout=-1, start_new_session=True)  # noqa: S603 - ourselves
                self._workers.append(one)
            for k, worker in enumerate(self._workers):
                asked = [name for chunk in chunks[k::n] for name in chunk]
                with cast("IO[bytes]", worker.stdin) as pipe:
                    pickle.dump(_Question(circuit, settings, limits, asked), pipe)
        except BaseException:  # Ctrl-C comes at any line
            self.close()
            raise

    def __next__(self) -> Contingency:
        """Wait for the answer on the next span; EOFError or UnpicklingError if its process ended by itself."""
        if self._closed or self._answered == len(self._turns):
            self.close()
            raise StopIteration
        pipe = cast("IO[bytes]", self._workers[self._turns[self._answered]].stdout)
        try:
            one: Contingency = pickle.load(pipe)  # noqa: S301 - from our own process
        except (EOFError, pickle.UnpicklingError, ValueError):  # a ValueError: its pipe is closed
            if self._closed:
                raise StopIteration from None
            self.close()
            raise
        self._answered += 1
        return one

    def close(self) -> None:
        """End the processes."""
        self._closed = True
        for worker in self._workers:
            worker.kill()
            with contextlib.suppress(BrokenPipeError), worker:  # closes its pipes and waits
                pass


def answer_questions() -> None:
    """Read a question from standard input and write an answer for every span to standard output, as Python objects."""
    try:
        question: _Question = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own process
    except (EOFError, pickle.UnpicklingError):
        return  # the one that asks ended before the whole of it was told
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # a stray line of a solver goes elsewhere
    found = find_contingencies(
        question.circuit, settings=question.settings, limits=question.limits, spans=question.spans
    )
    with contextlib.suppress(BrokenPipeError):
        for one in found:
            pickle.dump(one, out)
            out.flush()
