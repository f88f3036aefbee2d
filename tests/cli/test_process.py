"""The installed program as a process: standard output holds the document alone, whatever compiled libraries print."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from cli.terminal import SAMPLE, ask, only_document, run, run_process, write_loop
from outside.cigre_layers import CIGRE, build_network, write_geopackage

STOPPED_IN_A_SEARCH = """
import os, signal, sys, time
import loopmend.switching.program as solver
from loopmend.cli.commands import app
solve = solver.milp
def pressed(*arguments, **options):
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(0.3)
    return solve(*arguments, **options)
solver.milp = pressed
app()
"""
"""Ctrl-C while the solver is at work for the first time."""


@pytest.mark.published(CIGRE)
def test_restore_prints_nothing_but_its_document_stopped_or_not(tmp_path: Path) -> None:
    """Line 3 faulted on the busbars held at 1.02: the search has to weigh voltage, so that the solver is called."""
    layers = write_geopackage(build_network(), tmp_path / "cigre.gpkg", source_volts_pu=1.02)
    done = run_process("restore", layers, "--fault", "L3", "--json")
    assert done.returncode == 0, done.stderr
    proven = only_document(done.stdout)
    assert (proven["format"], proven["exact"]) == ("loopmend/restore/1", True)
    command = [sys.executable, "-c", STOPPED_IN_A_SEARCH, "restore", str(layers), "--fault", "L3", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stderr.count("\n")) == (130, 1), done.stderr
    so_far = only_document(done.stdout)
    assert (so_far["exact"], so_far["violations"]) == (False, [])
    assert set(so_far["restored"]) <= set(proven["restored"])


def test_what_a_library_prints_to_the_descriptor_goes_to_standard_error() -> None:
    """The solver is compiled and writes to descriptor 1 by itself; here a line is written there in its place."""
    program = (
        "import os, sys; from loopmend.cli import keep_output_clean; keep_output_clean();"
        "os.write(1, b'chatter of a library\\n'); print('{}')"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert (done.stdout, done.stderr) == ("{}\n", "chatter of a library\n")


def test_refusal_of_a_process() -> None:
    done = run_process("restore", SAMPLE, "--fault", "S-9", "--json")
    assert done.returncode == 1
    document = only_document(done.stdout)
    assert document["format"] == "loopmend/refusal/1"
    assert document["problems"][0]["id"] == "S-9"
    assert done.stderr.startswith("refused: ")


def test_a_terminal_that_knows_few_letters_gets_the_answer(tmp_path: Path, own_folder: Path) -> None:
    """A title in other letters: what cannot be shown is spelled out; as JSON nothing is lost."""
    title = "Ćma Ln, pół pętli"
    started = ask(
        "case", "start", write_loop(tmp_path / "loop"), "--operated", "R1", "--by", "N. Adair", "--title", title
    )
    assert started["title"] == title
    assert run("case", "show", "C-0001", "--json").stdout.isascii()
    program = Path(sys.executable).with_name("loopmend")
    env = os.environ | {"LOOPMEND_FOLDER": str(own_folder), "PYTHONIOENCODING": "latin-1"}
    command = [str(program), "case", "show", "C-0001"]
    shown = subprocess.run(command, capture_output=True, env=env, check=False, timeout=120)
    assert shown.returncode == 0, shown.stderr
    assert shown.stdout.decode("latin-1").startswith("C-0001 \\u0106ma Ln, pó\\u0142 p\\u0119tli (version 1)")


STOPPED_AFTER_ONE = """
import loopmend.workbench.contingency as asked
from loopmend.cli.commands import app
go_on = asked.advance
def stop_after_one(study, seconds):
    if study.found:
        raise KeyboardInterrupt
    go_on(study, seconds)
asked.advance = stop_after_one
app()
"""
"""The planners' question with Ctrl-C pressed after the first span."""


def test_a_question_stopped_on_a_terminal_keeps_what_came_and_begins_it_on_its_own_line(tmp_path: Path) -> None:
    loop, sheet = write_loop(tmp_path / "loop"), tmp_path / "answers.csv"
    terminal, end = pty.openpty()
    command = [sys.executable, "-c", STOPPED_AFTER_ONE, "failures-ahead", str(loop), "--out", str(sheet)]
    done = subprocess.run(command, stdout=end, stderr=end, check=False, timeout=120)
    os.close(end)
    shown = os.read(terminal, 65_536).decode()
    os.close(terminal)
    assert done.returncode == 130, shown
    assert "1 of 5 spans\r\n1 of 5 spans asked, at 1 of installed kVA; stopped before the end\r\n" in shown
    assert [line.split(",")[0] for line in sheet.read_text(encoding="utf-8").splitlines()] == ["span", "S1"]


STOPPED_WHILE_LOADING = """
import os, signal, sys
class Presses:
    def find_spec(self, name, path=None, target=None):
        if name == "loopmend.cli.commands":
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Presses())
from loopmend.cli import main
main()
"""
"""Ctrl-C while the program is still being read in, which takes seconds."""

STOPPED_AT_WORK = """
import sys
import loopmend.workbench.outage as asked
from loopmend.cli.commands import app
def stop(*_, **__):
    raise KeyboardInterrupt
asked.read_circuit = stop
sys.argv[1:] = ["restore", ".", "--fault", "S1"]
app()
"""


@pytest.mark.parametrize("program", [STOPPED_WHILE_LOADING, STOPPED_AT_WORK])
def test_ctrl_c_ends_with_one_line(program: str) -> None:
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stdout, done.stderr) == (130, "", "stopped\n")
