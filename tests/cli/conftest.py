"""A record of its own for each test, so that nobody's own is touched."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import loopmend.cli.commands  # noqa: F401 - so that every module of the commands is loaded
from loopmend.workbench.desk import Desk, open_desk


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "record"
    monkeypatch.setenv("LOOPMEND_FOLDER", str(folder))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    return folder


@pytest.fixture
def one_desk(own_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let all commands of a test share one desk, as on a server: circuits are read once. Others begin afresh."""
    desks: list[Desk] = []

    def shared(folder: Path | None, store: str | None) -> Desk:
        if (folder, store) != (None, None):
            return open_desk(folder, store)
        if not desks:
            desks.append(open_desk(own_folder))
        return desks[0]

    for name, module in sorted(sys.modules.items()):
        if name.startswith("loopmend.cli.") and hasattr(module, "open_desk"):
            monkeypatch.setattr(module, "open_desk", shared)
