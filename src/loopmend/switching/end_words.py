"""Put the move of a span end into words that fit what is there: an elbow is parked, a switch way is opened."""

from __future__ import annotations

from loopmend.network.assets import Device, End, EndState
from loopmend.network.devices import ELBOWS, device_noun, parking_stand
from loopmend.network.graph import Circuit
from loopmend.network.switched import feed_through_id

_MISSING = {
    "none": "No parking stand there by the record: bring a portable one",
    "plain": "The stand there has no insulated cap by the record: bring a portable insulated one",
}


def _device(circuit: Circuit, span: str, end: End) -> Device:
    return Device(int(circuit.end_device[circuit.span_row[span], end]))


def end_noun(circuit: Circuit, span: str, end: End) -> str:
    """Name what is at an end: ``elbow``, ``switch way``; ``end`` of a span that the circuit no longer has."""
    return device_noun(_device(circuit, span, end)) if span in circuit.span_row else "end"


def is_elbow(circuit: Circuit, span: str, end: End) -> bool:
    """Tell whether an elbow is at an end, which is parked and seated; else it is opened and closed where it is."""
    return _device(circuit, span, end) in ELBOWS


def name_end(circuit: Circuit, span: str, end: End) -> str:
    """Name an end with what is there: ``the deadbreak elbow of S3 (from end)``."""
    return f"the {device_noun(_device(circuit, span, end))} of {span} ({end.label} end)"


def say_opening(circuit: Circuit, span: str, end: End, state: EndState = EndState.CLOSED) -> str:
    """Say how an end is opened that stands on its bushing, or on a feed-through."""
    if state is EndState.JOINED:
        there = feed_through_id(circuit.enclosure_at(span, end))
        return f"take {name_end(circuit, span, end)} off the {there} and park it on {_stand(circuit, span, end)}"
    if _device(circuit, span, end) in ELBOWS:
        return f"park {name_end(circuit, span, end)} on {_stand(circuit, span, end)}"
    return f"open {name_end(circuit, span, end)}"


def say_off(circuit: Circuit, span: str, end: End) -> str:
    """Say in few words how an end is opened that stands closed: ``park the elbow of S3``."""
    return f"{'park' if is_elbow(circuit, span, end) else 'open'} the {end_noun(circuit, span, end)} of {span}"


def say_joining(circuit: Circuit, span: str, end: End, beside: str) -> str:
    """Say how an elbow is led past the equipment: onto the feed-through, with that of ``beside`` ("": none)."""
    past = circuit.enclosure_at(span, end)
    if not beside:
        return f"put {name_end(circuit, span, end)} on a feed-through, past {past}"
    return f"put {name_end(circuit, span, end)} on the feed-through with the elbow of {beside}, past {past}"


def say_ground_off(circuit: Circuit, span: str, end: End) -> str:
    """Say how the ground of an end is taken off, and how the end then stands."""
    where = name_end(circuit, span, end)
    if _device(circuit, span, end) in ELBOWS:
        return f"take the ground off {where} and park it on {_stand(circuit, span, end)}"
    return f"take the ground off {where} and leave it open"


def _stand(circuit: Circuit, span: str, end: End) -> str:
    return parking_stand(circuit.enclosure(circuit.enclosure_at(span, end)))


def say_closing(circuit: Circuit, span: str, end: End) -> str:
    """Say how an end is closed."""
    if _device(circuit, span, end) in ELBOWS:
        return f"put {name_end(circuit, span, end)} on its bushing"
    return f"close {name_end(circuit, span, end)}"


def open_word(circuit: Circuit, span: str, end: End) -> str:
    """Say in one word how an open end stands: ``parked``, or ``open`` where nothing is parked."""
    return "parked" if _device(circuit, span, end) in ELBOWS else "open"


def say_open(circuit: Circuit, span: str, end: End) -> str:
    """Say what is to be seen of an open end: ``Elbow parked``, ``Switch way open``."""
    return f"{device_noun(_device(circuit, span, end))} {open_word(circuit, span, end)}".capitalize()


def say_across(circuit: Circuit, span: str, end: End, beside: str = "") -> str:
    """Say between what two phases are compared at an open end: its bushing, or the elbow it is to be joined with."""
    device = _device(circuit, span, end)
    if beside:
        return f"between the {device_noun(device)} of {span} and that of {beside}"
    if device in ELBOWS:
        return f"between the parked {device_noun(device)} of {span} and its bushing"
    return f"across the open {device_noun(device)} of {span}"


def look_first(circuit: Circuit, span: str, end: End, *, alive: bool, parks: bool) -> str:
    """Say what the kind of device asks to be checked before it is moved; "" where nothing.

    Parameters
    ----------
    alive
        Whether the span or the enclosure has voltage by the record.
    parks
        Whether an elbow is to be parked there.
    """
    device = _device(circuit, span, end)
    words = []
    if device is Device.DEADBREAK_ELBOW:
        words.append("Both sides tested dead: a deadbreak elbow is never moved alive")
    if device is Device.UNRECORDED and alive:
        words.append("Look which kind of elbow it is: the record does not say; a deadbreak elbow is never moved alive")
    if parks and device in ELBOWS:
        words.append(_MISSING.get(circuit.enclosure(circuit.enclosure_at(span, end)).parking, ""))
    return "; ".join(word for word in words if word)
