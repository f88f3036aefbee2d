"""Winding fuses and feed-throughs of a case: which are out and why, who is behind them, which elbows are joined."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from loopmend.case import events as ev
from loopmend.case.requests import RecordEnd, RecordWinding, SwitchEnd, SwitchWinding
from loopmend.case.state import CaseState
from loopmend.network.assets import EndState
from loopmend.network.devices import has_winding
from loopmend.network.graph import Circuit
from loopmend.network.loop_layout import LoopLayout
from loopmend.network.switched import find_joined_at

MOVED = ("out", "in")
"""What is said of a winding fuse that a person moved; blown and whole is how it was found."""

HOW_OUT = {"as_found": "out as found", "taken_out": "taken out", "blown": "found blown"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WindingOut:
    """A winding fuse that is out: the bus passes supply on, the customers there have none.

    Attributes
    ----------
    how
        ``as_found``, ``taken_out`` or ``blown``.
    """

    id: str
    how: str
    customers: int
    critical: int

    @property
    def says(self) -> str:
        """The same in words."""
        critical = f" ({self.critical} critical)" if self.critical else ""
        return f"Winding fuse of {self.id}: {HOW_OUT[self.how]}; {self.customers} customers{critical} behind it"


def end_request(
    span: str, end: str, state: str, reason: str, *, found: bool, conductor: str = ""
) -> SwitchEnd | RecordEnd:
    """Make the request about an elbow: one that was moved asks the interlock, one found so is a fact."""
    if found:
        return RecordEnd(span=span, end=end, state=state, note=reason, conductor=conductor)
    return SwitchEnd(span=span, end=end, state=state, reason=reason, conductor=conductor)


def winding_request(enclosure: str, word: str, reason: str) -> SwitchWinding | RecordWinding:
    """Make the request that a word stands for: one of `MOVED` asks the interlock, any other is how it was found."""
    if word in MOVED:
        return SwitchWinding(enclosure=enclosure, state=word, reason=reason)
    return RecordWinding(enclosure=enclosure, found=word, note=reason)


def find_windings_out(circuit: Circuit, state: CaseState) -> tuple[WindingOut, ...]:
    """List the winding fuses that are out now, by id."""
    found = []
    for name in sorted(state.now.windings_out):
        row = circuit.enclosure(name)
        how = _how_out(state, name)
        found.append(WindingOut(id=name, how=how, customers=row.customers, critical=row.critical))
    return tuple(found)


def _how_out(state: CaseState, name: str) -> str:
    """Tell how a winding fuse that is out came to be so: by the last event that took it out."""
    how = "as_found"
    for event in state.events:
        match event.payload:
            case ev.WindingSwitched(enclosure=at, state="out", found=found) if at == name:
                how = found or "taken_out"
            case ev.StepSigned(order_id=order_id, n=n) if (order := state.order(order_id)) is not None:
                step = order.steps[n - 1]
                if (step["action"], step["enclosure"]) == ("take_out_winding_fuse", name):
                    how = "taken_out"
    return how


def find_winding_places(circuit: Circuit, layouts: tuple[LoopLayout, ...]) -> tuple[str, ...]:
    """List the enclosures of some loops that have a winding fuse, each once, in the order of the drawing."""
    names = dict.fromkeys(name for layout in layouts for name in layout.enclosure_ids())
    return tuple(name for name in names if has_winding(circuit.enclosure(name)))


def windings_document(circuit: Circuit, state: CaseState) -> list[dict[str, Any]]:
    """Lay out the winding fuses that are out now, each in words too."""
    return [asdict(fuse) | {"says": fuse.says} for fuse in find_windings_out(circuit, state)]


def feed_throughs_document(circuit: Circuit, state: CaseState) -> list[dict[str, Any]]:
    """Lay out the feed-throughs in use now, in enclosure order, each with the elbows on it."""
    joined = (state.now.states == EndState.JOINED).nonzero()
    places = sorted(set(circuit.spans.enclosure[joined].tolist()))
    names = [str(circuit.enclosures.enclosure_id[row]) for row in places]
    return [
        {
            "enclosure": name,
            "ends": [{"span": span, "end": end.label} for span, end in find_joined_at(circuit, state.now, name)],
        }
        for name in names
    ]
