"""The planners' question in processes of its own: the same answers in the same order, and none stays behind."""

from __future__ import annotations

import pickle
import subprocess
import sys
from typing import Any, NoReturn

import pytest

from case.small_town import small_town
from loopmend.switching.contingency import find_contingencies
from loopmend.switching.task import FlowSettings
from loopmend.workbench import ahead_processes
from loopmend.workbench.ahead_processes import AnsweringProcesses

Workers = list[subprocess.Popen[bytes]]


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> Workers:
    """Every process that is started, one span of the five for each turn."""
    found: Workers = []
    start = subprocess.Popen

    def noted(*given: Any, **settings: Any) -> subprocess.Popen[bytes]:
        found.append(start(*given, **settings))
        return found[-1]

    monkeypatch.setattr(ahead_processes, "CHUNK", 1)
    monkeypatch.setattr(ahead_processes.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(ahead_processes.subprocess, "Popen", noted)
    return found


def test_the_answers_are_those_of_one_process_in_its_order(started: Workers) -> None:
    circuit = small_town()
    answers = list(AnsweringProcesses(circuit, FlowSettings(), limits=True))
    alone = list(find_contingencies(circuit))
    told = [(one.span_id, one.close, one.open, one.left_out, one.exact) for one in answers]
    assert told == [(one.span_id, one.close, one.open, one.left_out, one.exact) for one in alone]
    assert [worker.returncode is None for worker in started] == [False, False]


def test_closed_they_are_gone_and_no_answer_comes(started: Workers) -> None:
    asked = AnsweringProcesses(small_town(), FlowSettings(), limits=True)
    next(asked)
    asked.close()
    assert next(asked, None) is None
    assert [worker.returncode is None for worker in started] == [False, False]


def test_ctrl_c_while_they_are_told_leaves_none_and_no_word(
    started: Workers, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """On a terminal Ctrl-C reaches a whole process group: they are in none of the asker's."""

    def interrupted(*_: Any) -> NoReturn:
        assert all(ahead_processes.os.getpgid(worker.pid) == worker.pid for worker in started)
        raise KeyboardInterrupt

    monkeypatch.setattr(ahead_processes.pickle, "dump", interrupted)
    with pytest.raises(KeyboardInterrupt):
        AnsweringProcesses(small_town(), FlowSettings(), limits=True)
    assert [worker.returncode is None for worker in started] == [False, False]
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("part", [0, 0.5])
def test_one_that_was_told_half_the_question_ends_without_a_word(part: float) -> None:
    whole = pickle.dumps(small_town())
    command = [sys.executable, "-c", "import loopmend.workbench.ahead_processes as asked; asked.answer_questions()"]
    told = whole[: int(len(whole) * part)]
    done = subprocess.run(command, input=told, capture_output=True, check=False, timeout=120)
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
