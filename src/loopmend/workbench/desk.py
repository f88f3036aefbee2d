"""The desk: where cases are recorded and circuits are kept, and the clock."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from loopmend.errors import DataError
from loopmend.files.circuit import CircuitFiles
from loopmend.records.opening import Store, open_store
from loopmend.records.store import store_version


def utc_now() -> datetime:
    """Read the clock."""
    return datetime.now(UTC)


def default_folder() -> Path:
    """Folder for the record and the circuits: LOOPMEND_FOLDER, else ``.loopmend`` in the user's home."""
    return Path(os.environ.get("LOOPMEND_FOLDER") or Path.home() / ".loopmend")


@dataclass(frozen=True, eq=False)
class Desk:
    """What every use case works on.

    Attributes
    ----------
    store
        The event store.
    folder
        Where circuits are kept, one file per circuit and fingerprint.
    clock
        Gives the time, UTC.
    loaded
        Circuits read so far, by fingerprint (they never change).
    cases
        The last state built of each case, by case id.
    reckoned
        The last assessment and plan of each case, with the version they belong to.
    closed
        What each closed case left on record: circuit, when closed, failures.
    openings
        Id of the submission that opened each case (it never changes).
    """

    store: Store
    folder: Path
    clock: Callable[[], datetime] = utc_now
    loaded: dict[str, CircuitFiles] = field(default_factory=dict)
    cases: dict[str, Any] = field(default_factory=dict)
    reckoned: dict[str, Any] = field(default_factory=dict)
    closed: dict[str, Any] = field(default_factory=dict)
    openings: dict[str, str] = field(default_factory=dict)
    lock: threading.RLock = field(default_factory=threading.RLock)


def open_desk(
    folder: Path | None = None, store_url: str | None = None, clock: Callable[[], datetime] = utc_now
) -> Desk:
    """Open the record and the circuits, made new where there is none.

    Parameters
    ----------
    folder
        Where they are kept; default as `default_folder` says.
    store_url
        Where the event store is, default LOOPMEND_STORE, else a SQLite file in the folder.

    Raises
    ------
    DataError
        If the folder cannot be made or the store cannot be opened.
    """
    folder = folder or default_folder()
    try:
        (folder / "circuits").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DataError.about(
            str(folder), "folder", "cannot be used", error.strerror, "name a folder you may write to"
        ) from error
    url = store_url or os.environ.get("LOOPMEND_STORE") or f"sqlite:///{folder / 'loopmend.sqlite'}"
    return Desk(store=open_store(url), folder=folder, clock=clock)


def record_version(desk: Desk) -> int:
    """Read a number that grows whenever anything is recorded, by whatever screen; cheap enough to poll."""
    return store_version(desk.store)
