"""A record of its own for each journey, and one desk that stays open for it, as on a server."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.conftest import own_folder
from loopmend.cli import case_steps, cases
from loopmend.workbench.desk import Desk, open_desk

__all__ = ["own_folder"]


@pytest.fixture(autouse=True)
def one_desk(own_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands of a journey share a desk: circuits are read once. Fresh processes are tested beside it."""
    desks: list[Desk] = []

    def shared(folder: Path | None, store: str | None) -> Desk:
        assert (folder, store) == (None, None)
        if not desks:
            desks.append(open_desk())
        return desks[0]

    for module in (cases, case_steps):
        monkeypatch.setattr(module, "open_desk", shared)
