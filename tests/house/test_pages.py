"""README: its two commands are there to be run, its terminal lines run, its pictures and links exist."""

from __future__ import annotations

import re
import shlex

import pytest

from cli.terminal import ROOT, run

README = (ROOT / "README.md").read_text("utf-8")


def between(mark: str) -> list[str]:
    """Lines of the one fenced block between two comments."""
    (found,) = re.findall(rf"<!-- {mark} -->\n```sh\n(.*?)```\n<!-- /{mark} -->", README, flags=re.DOTALL)
    return str(found).splitlines()


def terminal_lines() -> list[str]:
    """Every line of README that a reader types after the two commands."""
    fenced = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)
    return [line for block in fenced for line in block.splitlines() if line.startswith("loopmend ")]


def test_the_first_command_sets_up_and_opens_the_screens() -> None:
    (line,) = between("open")
    assert line.startswith("python3 -m venv .venv && ")
    assert line.endswith(".venv/bin/loopmend open")


def test_the_second_command_passes_the_tests() -> None:
    (line,) = between("test")
    assert line.startswith("python3 -m venv .venv && ")
    assert "'.[dev]'" in line
    assert line.endswith(".venv/bin/pytest -q -n auto")


def test_there_are_terminal_lines_for_every_study() -> None:
    assert {line.split()[1] for line in terminal_lines()} >= {"check", "plan", "restore", "history", "judge", "case"}


@pytest.mark.parametrize("line", terminal_lines())
def test_each_terminal_line_of_readme_runs(line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    result = run(*shlex.split(line)[1:])
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout


def test_what_readme_links_to_is_there() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert [target for target in targets if not (ROOT / target).exists()] == []


def test_readme_says_that_it_advises_and_operates_nothing() -> None:
    assert "advises and operates nothing" in README
    assert "licensed people decide" in README.lower()
