"""Opening the screens: arguments, refusals, and the command that is run, without running it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from cli.terminal import run, write_loop
from loopmend.workbench.circuits import list_circuits
from loopmend.workbench.desk import open_desk
from loopmend.workbench.screens import load_board

ANYWHERE = "0.0.0.0"  # noqa: S104 - an address that is to be refused


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """Commands that would have taken the place of this process."""
    commands: list[list[str]] = []
    monkeypatch.setattr(os, "execv", lambda program, command: commands.append([program, *command]))
    return commands


@pytest.mark.usefixtures("started")
def test_open_lays_out_the_sample_with_one_case_under_way(own_folder: Path) -> None:
    result = run("open")
    assert result.exit_code == 0, result.output
    assert result.stdout == f"Loopmend at http://127.0.0.1:8501 (record in {own_folder}); stop with Ctrl+C\n"
    desk = open_desk(own_folder)
    assert [kept.name for kept in list_circuits(desk)] == ["tern_hollow"]
    under_way = [row for row in load_board(desk) if row.phase != "closed"]
    assert [(row.phase, row.operated) for row in under_way] == [("sectionalizing", "R-101")]
    assert run("open").exit_code == 0
    assert len(load_board(open_desk(own_folder))) == len(load_board(desk))  # opened again: the same cases


def test_open_starts_the_screens_for_this_machine_alone(
    own_folder: Path, started: list[list[str]], tmp_path: Path
) -> None:
    assert run("open", write_loop(tmp_path / "loop"), "--port", "8600").exit_code == 0
    ((program, *command),) = started
    assert program == command[0] == sys.executable
    assert Path(command[command.index("run") + 1]).name == "app.py"
    assert Path(command[command.index("run") + 1]).exists()
    assert {"--server.address=127.0.0.1", "--server.port=8600", "--server.headless=true"} <= set(command)
    assert {"--browser.gatherUsageStats=false", "--client.showErrorDetails=none"} <= set(command)
    assert [kept.name for kept in list_circuits(open_desk(own_folder))] == ["loop"]
    assert os.environ["LOOPMEND_FOLDER"] == str(own_folder.resolve())


@pytest.mark.parametrize(
    "arguments",
    [
        ("--address", ANYWHERE),
        ("--port", "0"),
        ("--port", "70000"),
        ("nowhere.gpkg",),
        ("--field-map", "nowhere.toml"),
    ],
    ids=" ".join,
)
def test_wrong_usage_starts_nothing(started: list[list[str]], own_folder: Path, arguments: tuple[str, ...]) -> None:
    assert run("open", *arguments).exit_code == 2
    assert started == []
    assert not own_folder.exists()


def test_another_address_needs_the_host_behind_a_proxy(started: list[list[str]], tmp_path: Path) -> None:
    layers = write_loop(tmp_path / "loop")
    assert run("open", layers, "--address", ANYWHERE, "--public-host", "loops.example").exit_code == 0
    assert {f"--server.address={ANYWHERE}", "--browser.serverAddress=loops.example"} <= set(started[0])


def test_a_circuit_with_problems_is_refused_and_nothing_kept(
    started: list[list[str]], own_folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "layers").mkdir()
    result = run("open", tmp_path / "layers")
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("refused: circuit: it holds no layer")
    assert started == []
    assert list_circuits(open_desk(own_folder)) == ()
