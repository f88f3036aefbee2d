"""What opens and closes each span end, and in which words: as the layer says it, else a default of ours by kind.

The defaults, each of which a column of the layer overrides:

- at a padmount, a span of fewer than three phases, or of at most 200 A ampacity: **loadbreak elbow**, 200 A. That is
  the usual connector of residential loops, and one of that class carries such a span.
- at a padmount, any other span, and each phase of a run moved by phase above 200 A: **not recorded**. It may be a
  deadbreak elbow, and nobody may be told that it can be pulled alive, nor that it cannot: the search and the interlock
  leave it free, every step says to look first.
- at a cabinet or station: **switch way**; at a riser: **cutout**. Made to be operated alive; how much they may break is
  not known until ``from_rated_a`` or ``to_rated_a`` says it.
- protective device of a source: at a riser a **cutout**, at a station a **breaker**, else a **fused way**.

A rating that the layer gives is also a limit on what the end carries, in every restoration; a default is not.

An end is switched on all its phases together: positions hold one state for each end. A run whose elbows are moved
phase by phase is a span for each phase.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from loopmend.network.assets import (
    ALL_PHASES,
    Bools,
    Device,
    Enclosure,
    EnclosureColumns,
    EnclosureKind,
    EndState,
    Floats,
    SpanColumns,
)

LOADBREAK_A = 200.0
"""Amperes that a loadbreak elbow of the 200 A class may carry and break (IEEE 386, from memory)."""

_BY_KIND = {
    EnclosureKind.CABINET: Device.SWITCH_WAY,
    EnclosureKind.STATION: Device.SWITCH_WAY,
    EnclosureKind.RISER: Device.CUTOUT,
}

_PROTECTIVE = {EnclosureKind.RISER: Device.CUTOUT, EnclosureKind.STATION: Device.BREAKER}

_NOUNS = {
    Device.UNRECORDED: "elbow",
    Device.LOADBREAK_ELBOW: "elbow",
    Device.DEADBREAK_ELBOW: "deadbreak elbow",
    Device.SWITCH_WAY: "switch way",
    Device.FUSED_WAY: "fused way",
    Device.CUTOUT: "cutout",
    Device.BREAKER: "breaker",
}

ELBOWS = (Device.UNRECORDED, Device.LOADBREAK_ELBOW, Device.DEADBREAK_ELBOW)
"""Kinds that are parked and put on a bushing; the others are opened and closed."""


def find_end_devices(enclosures: EnclosureColumns, spans: SpanColumns) -> NDArray[np.int8]:
    """Find the `Device` at every end, the default of its place where the layer says none, shape (n_spans, 2)."""
    by_enclosure = np.zeros(len(enclosures.kind), dtype=np.int8)
    for kind, device in _BY_KIND.items():
        by_enclosure[enclosures.kind == kind.value] = device
    default = by_enclosure[spans.enclosure]
    padmount = (enclosures.kind == EnclosureKind.PADMOUNT.value)[spans.enclosure]
    light = ((spans.phases != ALL_PHASES) & (spans.run == "")) | (spans.ampacity_a <= LOADBREAK_A)
    default[padmount & light[:, None]] = Device.LOADBREAK_ELBOW
    return np.where(spans.device == Device.UNRECORDED, default, spans.device).astype(np.int8)


def find_end_ratings(spans: SpanColumns, device: NDArray[np.int8]) -> Floats:
    """Find the amperes that may be broken at every end: those stated, else 200 at a loadbreak elbow, else NaN."""
    default = np.where(device == Device.LOADBREAK_ELBOW, LOADBREAK_A, np.nan)
    return np.where(np.isnan(spans.rated_a), default, spans.rated_a)


def find_dead_only(device: NDArray[np.int8]) -> Bools:
    """Find the ends that are operated only de-energized, shape as given."""
    return np.asarray(device == Device.DEADBREAK_ELBOW)


def protective_device(source: Enclosure) -> Device:
    """Say what protects a source: as stated, else the default of its kind."""
    return source.device or _PROTECTIVE.get(source.kind, Device.FUSED_WAY)


def has_winding(enclosure: Enclosure) -> bool:
    """Tell whether a transformer's winding hangs at an enclosure, behind its fuse: a padmount, or anything with kVA."""
    return enclosure.kind is EnclosureKind.PADMOUNT or enclosure.kva > 0


def say_winding_fuse(enclosure: Enclosure) -> str:
    """Name the fuse between a padmount's bus and its own winding.

    It is in the transformer, blows on a fault of the winding or an overload beyond it, and puts out that one
    transformer: supply passes on through the bus.
    """
    size = f" ({enclosure.kva:g} kVA)" if enclosure.kva > 0 else ""
    return f"winding fuse of the transformer in {enclosure.enclosure_id}{size}"


_STANDS = {"none": "a portable insulated stand", "plain": "a portable insulated stand"}


def parking_stand(enclosure: Enclosure) -> str:
    """Say what an elbow is parked on there: what the layer says is there, else the insulated stand of a padmount."""
    return _STANDS.get(enclosure.parking, "an insulated stand")


def device_noun(device: int) -> str:
    """Name a device in a sentence: ``elbow``, ``deadbreak elbow``, ``switch way`` and so on."""
    return _NOUNS[Device(device)]


def position_words(device: int, state: int) -> str:
    """Say where an end stands: ``elbow parked (open)``, ``switch way closed``."""
    noun = device_noun(device)
    if state == EndState.GROUNDED:
        return f"{noun} grounded"
    if state == EndState.JOINED:
        return f"{noun} on the feed-through"
    if Device(device) not in ELBOWS:
        return f"{noun} {EndState(state).label}"
    return f"{noun} closed on its bushing" if state == EndState.CLOSED else f"{noun} parked (open)"
