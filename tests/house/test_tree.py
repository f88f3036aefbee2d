"""Rules of the house that a tool of its own does not enforce: the tree, its imports, its words, its lengths."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import pytest

from cli.terminal import ROOT

TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "app", "src", "sample_data", "tests"}
BUILT = {"build", "dist"}
CONFIG: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
SOURCES = sorted((ROOT / "src").rglob("*.py"))
SCREENS = sorted((ROOT / "app").rglob("*.py"))
MOST_LINES = 400


def files_of_the_tree() -> Iterator[Path]:
    """Every file that belongs to the repository: caches, environments and the record of git do not."""
    yield from (ROOT / name for name in TOP if (ROOT / name).is_file())
    yield from (path for path in (ROOT / ".gitignore", ROOT / ".pre-commit-config.yaml") if path.exists())
    for name in ("app", "src", "sample_data", "tests", ".ci", ".streamlit"):
        yield from (
            path
            for path in sorted((ROOT / name).rglob("*"))
            if path.is_file()
            and "__pycache__" not in path.parts
            and not any(p.endswith(".egg-info") for p in path.parts)
        )


def name_of(path: Path) -> str:
    """Path below the root."""
    return str(path.relative_to(ROOT))


def test_nothing_else_stands_at_the_top() -> None:
    there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert there - BUILT == TOP


def test_the_rooms_are_layered_and_none_is_left_out() -> None:
    """`lint-imports` enforces them in the gate; here that its rule names every room there is."""
    (contract,) = CONFIG["tool"]["importlinter"]["contracts"]
    assert (contract["type"], contract["containers"], contract["exhaustive"]) == ("layers", ["loopmend"], True)
    named = [room.strip() for layer in contract["layers"] for room in layer.split(":")]
    package = ROOT / "src" / "loopmend"
    rooms = {path.stem for path in package.iterdir() if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert sorted(named) == sorted(rooms - {"__init__"})
    assert [room for room in named if room in {"utils", "helpers", "common", "manager", "base"}] == []


def imported(path: Path) -> Iterator[str]:
    """Modules that a file imports, whole names."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports by dots"
            module = node.module or ""
            yield from (f"{module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", SCREENS, ids=name_of)
def test_a_screen_knows_nothing_of_loopmend_but_the_workbench(path: Path) -> None:
    own = [name for name in imported(path) if name.split(".")[0] == "loopmend"]
    assert [name for name in own if not name.startswith("loopmend.workbench")] == []


def test_the_command_line_calls_the_workbench_and_the_errors_only() -> None:
    allowed = ("loopmend.cli", "loopmend.workbench", "loopmend.errors", "loopmend.units")
    commands = sorted((ROOT / "src" / "loopmend" / "cli").glob("*.py"))
    own = {name for path in commands for name in imported(path) if name.startswith("loopmend")}
    assert sorted(name for name in own if not name.startswith(allowed)) == []


def test_sqlalchemy_lives_in_the_records_alone() -> None:
    using = [path for path in SOURCES if any(name.split(".")[0] == "sqlalchemy" for name in imported(path))]
    assert {path.parent.name for path in using} == {"records"}


def public(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Public functions and classes of a module, and what is public of those classes."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name, node
            if isinstance(node, ast.ClassDef):
                inside = [item for item in node.body if isinstance(item, ast.FunctionDef)]
                yield from ((f"{node.name}.{item.name}", item) for item in inside if not item.name.startswith("_"))


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_a_module_is_documented_and_short(path: Path) -> None:
    text = path.read_text("utf-8")
    assert len(text.splitlines()) < MOST_LINES
    tree = ast.parse(text)
    assert (ast.get_docstring(tree) or "")[:1].isupper()
    first = {name: (ast.get_docstring(node) or "")[:1] for name, node in public(tree)}
    assert [name for name, letter in first.items() if not (letter.isupper() or letter == "`")] == []


MACHINE = re.compile(rb"(?<![\w./~-])/(?:" + b"|".join([b"work", b"tmp", b"root", b"home"]) + rb")/[\w.]")
"""A path that only holds on the machine where it was written. Its own source holds none: a bracket stands there."""


def test_no_file_names_a_place_on_somebodys_machine() -> None:
    found = [name_of(path) for path in files_of_the_tree() if MACHINE.search(path.read_bytes())]
    assert found == []


UNSAID = re.compile(
    rf"\b(?:{'|'.join(['ta' + 'lks?', 'vid' + 'eos?', 'spea' + 'kers?', 'web' + 'inars?'])})\b", re.IGNORECASE
)
"""Where the job was first described is said in one place; the words are put together so that they do not stand here."""


def test_where_the_job_was_described_is_said_in_one_place() -> None:
    texts = [path for path in files_of_the_tree() if path.suffix in {".py", ".md", ".toml", ".json", ".csv", ".js", ""}]
    found = [name_of(path) for path in texts if UNSAID.search(path.read_text("utf-8"))]
    assert found == ["DEVELOPERS.md"]
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    sections = page.split("\n## ")
    assert [section.splitlines()[0] for section in sections if UNSAID.search(section)] == ["Where it comes from"]


def test_pages_of_tests_mirror_the_rooms() -> None:
    package = ROOT / "src" / "loopmend"
    rooms = {path.name for path in package.iterdir() if (path / "__init__.py").exists()}
    tested = {path.name for path in (ROOT / "tests").iterdir() if path.is_dir()}
    assert sorted(rooms - tested) == []
    assert {"journey", "house", "outside"} <= tested


def test_no_unfinished_work_is_marked() -> None:
    marks = re.compile(r"\b(?:" + "|".join(["TO" + "DO", "FIX" + "ME", "X" * 3]) + r")\b")
    python = chain(
        SOURCES, SCREENS, sorted((ROOT / "tests").rglob("*.py")), sorted((ROOT / "sample_data").rglob("*.py"))
    )
    assert [name_of(path) for path in python if marks.search(path.read_text("utf-8"))] == []
