"""Every command says what it does, with an example that runs, and stands in README or DEVELOPERS."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from cli.terminal import ROOT, ask, run
from loopmend.cli.commands import app

PAGES = tuple((ROOT / name).read_text("utf-8") for name in ("README.md", "DEVELOPERS.md"))

PLAY = (
    "start",
    "list",
    "show",
    "plan-sheet",
    "crew",
    "settings",
    "indicator",
    "energized",
    "withdraw",
    "TEST IN THE FIELD",  # becomes V3, whose drain is due
    "drain",
    "switch",
    "winding",  # found blown
    "WINDING PUT IN",
    "test",
    "declare",
    "ways",
    "draft",
    "sheet",
    "approve",
    "sign",
    "transfer",
    "stop",
    "ORDER restore",
    "ORDER ground",
    "repair",
    "ORDER return",
    "close",
    "log",
)
"""The order in which the examples of `loopmend case` make one case. What stands in capitals is played between them."""


def find_commands(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    """Every command below one, groups included, with its words."""
    if path:
        yield path, command
    for name, below in getattr(command, "commands", {}).items():
        yield from find_commands(below, (*path, name))


COMMANDS = dict(find_commands(typer.main.get_command(app)))
LEAVES = [path for path, command in COMMANDS.items() if not hasattr(command, "commands")]
STUDIES = [path for path in LEAVES if len(path) == 1 and path != ("open",)]
CASES = {path[1] for path in LEAVES if path[0] == "case"}


def example_of(path: tuple[str, ...]) -> list[str]:
    """Arguments of the example that the help of a command shows."""
    lines = run(*path, "--help").stdout.splitlines()
    (row,) = [n for n, line in enumerate(lines) if line.strip() == "Example:"]
    words = shlex.split(lines[row + 1])
    assert words[: 1 + len(path)] == ["loopmend", *path]
    return words[1:]


@pytest.fixture
def in_checkout(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


def test_the_commands_of_the_contract_are_there() -> None:
    assert {"check", "plan", "restore", "history", "judge", "open", "case"} <= {path[0] for path in COMMANDS}


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_help_says_what_the_command_and_each_of_its_options_does(path: tuple[str, ...]) -> None:
    command = COMMANDS[path]
    assert run(*path, "--help").exit_code == 0
    assert (command.help or "")[:1].isupper()
    unsaid = [option.name for option in command.params if not getattr(option, "help", None)]
    assert unsaid == []


@pytest.mark.parametrize("path", LEAVES, ids=" ".join)
def test_an_example_fits_on_one_line_so_that_it_can_be_copied(path: tuple[str, ...]) -> None:
    assert len(example_of(path)) > len(path) - 1


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_the_command_is_named_in_a_page(path: tuple[str, ...]) -> None:
    named = f"loopmend {' '.join(path)}" if len(path) == 1 else f"`{path[-1]}`"
    assert any(named in page for page in PAGES), named


@pytest.mark.usefixtures("in_checkout")
@pytest.mark.parametrize("path", STUDIES, ids=" ".join)
def test_the_example_of_a_study_runs(path: tuple[str, ...]) -> None:
    result = run(*example_of(path))
    assert (result.exit_code, result.stderr) == (0, "")
    assert len(result.stdout.splitlines()) > 3


@pytest.mark.usefixtures("in_checkout")
def test_the_example_of_open_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    started: list[str] = []
    monkeypatch.setattr(os, "execv", lambda program, _command: started.append(program))
    assert run(*example_of(("open",))).exit_code == 0
    assert len(started) == 1


@pytest.mark.usefixtures("one_desk")
def test_the_examples_of_case_make_one_case_from_its_start_to_its_close(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert {name for name in PLAY if name.islower()} == CASES, "say in PLAY where the example of a new command stands"
    (tmp_path / "sample_data").symlink_to(ROOT / "sample_data")
    monkeypatch.chdir(tmp_path)  # an example may write a file beside it
    for name in PLAY:
        if name.startswith("ORDER"):
            _carry_out(name.split()[1])
        elif name.startswith("WINDING"):
            ask("case", "winding", "C-0001", "P-2205", "in", "--reason", "new cartridge", "--by", "J. Orme")
        elif name.startswith("TEST"):
            field = ("--verdict", "good", "--at", "P-2203", "--gates-ticked", "--by", "J. Orme")
            ask("case", "test", "C-0001", "S-0104", *field)
        else:
            result = run(*example_of(("case", name)))
            assert (name, result.exit_code, result.stderr) == (name, 0, "")
    closed = ask("case", "show", "C-0001")
    assert (closed["stage"], closed["positions_changed"], closed["faulted"]) == ("closed", [], closed["repaired"])


def _carry_out(purpose: str) -> None:
    order = ask("case", "draft", "C-0001", purpose, "--by", "N. Adair")["orders"][-1]
    ask("case", "approve", "C-0001", order["id"], "--by", "M. Sorley")
    in_phase = ("--across-kv", "0.1", "--side-a-kv", "7.2", "--side-b-kv", "7.2", "--tester-proven")
    dead = ("--presence-kv", "0", "--tester-proven")
    waited_for = {"check_phasing": in_phase, "prove_dead": dead, "hold_for_test": ("--record", "repair")}
    for step in order["steps"]:
        # The examples before have T. Vance take over what J. Orme held.
        by = ("--by", "N. Adair") if step["who"] == "desk" else ("--by", "T. Vance")
        read = waited_for.get(step["action"], ())
        ask("case", "sign", "C-0001", order["id"], step["n"], *by, "--confirmed-by", "M. Sorley", *read)
