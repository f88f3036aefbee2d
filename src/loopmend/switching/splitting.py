"""Where a dead stretch can be parted before it is brought back."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.steps import Step


def find_dead_cuts(circuit: Circuit, before: Positions, after: Positions, closing: Step) -> Iterator[Step]:
    """Find the closed elbows that a closing would make alive, each as the step that opens it while it is dead.

    The elbow that is closed is none of them. In span order, the ``from`` end first.
    """
    had, has = trace_supply(circuit, before), trace_supply(circuit, after)
    newly = has.alive & ~had.alive
    for row in np.flatnonzero(newly).tolist():
        name = str(circuit.spans.span_id[row])
        for end in End:
            if before.states[row, end] != EndState.CLOSED or (name, end) == (closing.span, closing.end):
                continue
            yield Step(n=0, action="open", enclosure=circuit.enclosure_at(name, end), span=name, end=end)
