"""Tell whether the circuit of a case was reloaded since the case was opened, and what differs.

A case stays with the content it was opened on: its record, its positions and its closing are proven against that.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from loopmend.errors import LoopmendError
from loopmend.files.circuit import require_circuit
from loopmend.network.compare import CircuitChange, compare_circuits
from loopmend.network.graph import Circuit
from loopmend.workbench.circuits import list_circuits, load_circuit
from loopmend.workbench.desk import Desk

TOLD = 6
"""Sentences told on a screen; the rest are counted."""

NO_CHANGE = CircuitChange()


def find_circuit_change(desk: Desk, name: str, fingerprint: str) -> CircuitChange:
    """Compare the content a case was opened on with the newest content kept under the same name.

    Raises
    ------
    LoopmendError
        If there is newer content and one of the two cannot be read.
    """
    newest = next((kept.fingerprint for kept in list_circuits(desk) if kept.name == name), fingerprint)
    if newest == fingerprint:
        return NO_CHANGE
    old, new = (require_circuit(load_circuit(desk, name, content)) for content in (fingerprint, newest))
    return _compared(old, new)


@lru_cache(maxsize=16)
def _compared(old: Circuit, new: Circuit) -> CircuitChange:
    return compare_circuits(old, new)


def say_circuit_change(desk: Desk, name: str, fingerprint: str) -> tuple[str, ...]:
    """Say what differs, a sentence each; () where nothing does. That it cannot be read is said too."""
    try:
        return find_circuit_change(desk, name, fingerprint).sentences()
    except LoopmendError as error:
        return (f"it was reloaded, but cannot be compared: {error.findings[0]}",)


def notice(sentences: tuple[str, ...]) -> str:
    """Put a reloaded circuit in one sentence for a screen; "" where nothing differs."""
    if not sentences:
        return ""
    rest = f"; and {len(sentences) - TOLD} more" if len(sentences) > TOLD else ""
    told = "; ".join(sentences[:TOLD])
    return (
        f"The circuit has been reloaded since: {told}{rest}. This case stays with the content it was opened on: check "
        "in the field what you rely on."
    )


def change_document(desk: Desk, name: str, fingerprint: str) -> dict[str, Any]:
    """Lay the change out in plain values: ``gone``, ``added``, ``changed``, and ``says``."""
    try:
        found = find_circuit_change(desk, name, fingerprint)
    except LoopmendError:
        found = NO_CHANGE
    return {
        "gone": [name for _, name in found.gone],
        "added": [name for _, name in found.added],
        "changed": [
            {"kind": c.kind, "id": c.asset_id, "what": c.what, "before": c.before, "after": c.after}
            for c in found.changed
        ],
        "says": list(say_circuit_change(desk, name, fingerprint)),
    }
