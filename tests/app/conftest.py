"""A desk of its own for every test of the screens, copied from one that is kept ready."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st

from loopmend.workbench.circuits import keep_circuit
from loopmend.workbench.desk import Desk, open_desk
from workbench.town import write_town


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a desk with the town on it and no case; a file of tests may keep another."""
    folder = tmp_path_factory.mktemp("kept")
    desk = open_desk(folder / "desk", f"sqlite:///{folder / 'unused.sqlite'}")
    keep_circuit(desk, write_town(folder))
    desk.store.close()
    return folder / "desk"


@pytest.fixture
def desk(kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """Open a copy of what is kept, in the folder that the screens work on."""
    shutil.copytree(kept, tmp_path / "desk")
    monkeypatch.setenv("LOOPMEND_FOLDER", str(tmp_path / "desk"))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    opened = open_desk(tmp_path / "desk")
    yield opened
    opened.store.close()
    st.cache_resource.clear()
