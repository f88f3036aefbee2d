"""The record: an append-only store of events, one stream per case, on SQLite or PostgreSQL.

Nothing that was acknowledged is lost, changed or removed; a second writer who looked at an older version is
refused and told what came meanwhile; a command that is submitted again is stored once.
"""

from loopmend.records.batches import MAX_BODY_BYTES, NewEvent
from loopmend.records.opening import Store, open_store
from loopmend.records.store import (
    StoredEvent,
    StreamHead,
    append,
    append_fact,
    load,
    load_streams,
    store_version,
)

__all__ = [
    "MAX_BODY_BYTES",
    "NewEvent",
    "Store",
    "StoredEvent",
    "StreamHead",
    "append",
    "append_fact",
    "load",
    "load_streams",
    "open_store",
    "store_version",
]
