"""A desk on the small town, ready in a moment: the circuit is read once and copied."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import OTHERS, Clock, write_town


@pytest.fixture(scope="session")
def kept_town(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("kept")
    desk = open_desk(folder / "desk", f"sqlite:///{folder / 'unused.sqlite'}")
    keep_circuit(desk, write_town(folder))
    desk.store.close()
    return desk


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def desk(tmp_path: Path, kept_town: Desk, clock: Clock) -> Iterator[Desk]:
    folder = tmp_path / "desk"
    shutil.copytree(kept_town.folder, folder)
    desk = open_desk(folder, f"sqlite:///{folder / 'loopmend.sqlite'}", clock=clock)
    desk.loaded.update(kept_town.loaded)
    yield desk
    desk.store.close()
    while OTHERS:
        OTHERS.pop().store.close()


@pytest.fixture
def empty_desk(tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    desk = open_desk(tmp_path / "empty", f"sqlite:///{tmp_path / 'empty.sqlite'}", clock=clock)
    yield desk
    desk.store.close()
    while OTHERS:
        OTHERS.pop().store.close()
