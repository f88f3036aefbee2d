"""A desk on the small town, ready in a moment: the circuit is read once and copied."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import OTHERS, Clock, play_to_the_end, write_town


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


@pytest.fixture(scope="session")
def played_town(tmp_path_factory: pytest.TempPathFactory, kept_town: Desk) -> Path:
    """The town after a case that was played to its end, 400 minutes after its opening."""
    folder = tmp_path_factory.mktemp("played") / "desk"
    shutil.copytree(kept_town.folder, folder)
    clock = Clock()
    desk = open_desk(folder, f"sqlite:///{folder / 'loopmend.sqlite'}", clock=clock)
    desk.loaded.update(kept_town.loaded)
    play_to_the_end(desk, clock)
    desk.store.close()
    return folder


@pytest.fixture
def played_desk(tmp_path: Path, kept_town: Desk, played_town: Path, clock: Clock) -> Iterator[Desk]:
    folder = tmp_path / "played"
    shutil.copytree(played_town, folder)
    clock.set(400)
    desk = open_desk(folder, f"sqlite:///{folder / 'loopmend.sqlite'}", clock=clock)
    desk.loaded.update(kept_town.loaded)
    yield desk
    desk.store.close()
    while OTHERS:
        OTHERS.pop().store.close()


@pytest.fixture
def empty_desk(tmp_path: Path, clock: Clock) -> Iterator[Desk]:
    desk = open_desk(tmp_path / "empty", f"sqlite:///{tmp_path / 'empty' / 'loopmend.sqlite'}", clock=clock)
    yield desk
    desk.store.close()
    while OTHERS:
        OTHERS.pop().store.close()
