"""Rules of the interlock about feed-throughs and winding fuses; all ours, on the safe side.

``feed-through alive``
    An elbow would go on a feed-through, or come off it, while its span or that of the elbow on the other side is alive.
``feed-through full``
    Two elbows are on the feed-through there: it has no third side.
``no elbow``
    A way of a cabinet or a cutout is no elbow: it cannot be put on a feed-through.
``winding alive``
    A winding fuse would be moved while the bus that it hangs on is alive; company rules may allow more.
``no winding``
    The enclosure has no transformer by the record (`has_winding`).

What a join would connect must bear no ground at all, dead or not, and the spans of a pair must be alike in phases.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from loopmend.errors import Finding
from loopmend.network.assets import Bools, EndState
from loopmend.network.devices import ELBOWS, device_noun, has_winding
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions
from loopmend.network.switched import feed_through_id, find_joined_at
from loopmend.network.tracing import UNFED, Supply
from loopmend.switching.rules import broken_rule, find_grounded
from loopmend.switching.steps import Step


def check_feed_through(circuit: Circuit, before: Positions, was: Supply, step: Step) -> list[Finding]:
    """List the rules of feed-throughs that putting an elbow on one, or taking it off, breaks by itself.

    Parameters
    ----------
    was
        Supply in the positions before.
    """
    if step.span is None or step.end is None or not moves_feed_through(circuit, before, step):
        return []
    row = circuit.span_row[step.span]
    there = [end for end in find_joined_at(circuit, before, step.enclosure) if end != (step.span, step.end)]
    findings = _check_dead(circuit, was, [step.span, *(span for span, _ in there)], step)
    if step.action != "join":
        return findings
    device = int(circuit.end_device[row, step.end])
    if device not in ELBOWS:
        findings.append(
            broken_rule("no elbow", step.span, device_noun(device), "leave it: only an elbow goes on a feed-through")
        )
    if len(there) > 1:
        names = " and ".join(f"{span} {end.label}" for span, end in there)
        findings.append(broken_rule("feed-through full", step.enclosure, names, "take one of them off first"))
    for span, _ in there:
        if circuit.spans.phases[row] != circuit.spans.phases[circuit.span_row[span]]:
            findings.append(
                broken_rule("unlike phases", step.span, f"onto {span}", "join only spans of the same phases")
            )
    return findings


def moves_feed_through(circuit: Circuit, before: Positions, step: Step) -> bool:
    """Tell whether a step puts an elbow on a feed-through or takes it off."""
    if step.action != "open" or step.span is None or step.end is None:
        return step.action == "join"
    return bool(before.states[circuit.span_row[step.span], step.end] == EndState.JOINED)


def _check_dead(circuit: Circuit, was: Supply, spans: list[str], step: Step) -> list[Finding]:
    alive = [name for name in dict.fromkeys(spans) if was.alive[circuit.span_row[name]]]
    if not alive:
        return []
    value = f"{' and '.join(alive)} alive by the record"
    return [broken_rule("feed-through alive", feed_through_id(step.enclosure), value, "de-energize both spans first")]


def find_joined_grounds(circuit: Circuit, after: Positions, now: Supply, span: str) -> list[str]:
    """List the grounded spans connected with a span that was joined, alive or not.

    Parameters
    ----------
    after, now
        Positions and supply with the elbow on the feed-through.
    """
    part = now.component[:, circuit.n_enclosures :]
    connected: Bools = np.asarray((part == part[:, [circuit.span_row[span]]]).any(axis=0))
    return [str(name) for name in circuit.spans.span_id[connected & find_grounded(after)]]


def check_winding(circuit: Circuit, was: Supply, step: Step, faulted_enclosures: Collection[str]) -> list[Finding]:
    """List the rules that moving a winding fuse breaks.

    Parameters
    ----------
    was
        Supply in the positions before, the same as after: a winding fuse feeds no bus.
    """
    name = step.enclosure
    findings = []
    if not has_winding(circuit.enclosure(name)):
        remedy = "name the enclosure of a transformer"
        findings.append(broken_rule("no winding", name, "no transformer by the record", remedy))
    if (was.enclosure_source[:, circuit.enclosure_row[name]] != UNFED).any():
        remedy = "de-energize the bus first, or follow the company's rule for that fuse"
        findings.append(broken_rule("winding alive", name, "its bus is alive by the record", remedy))
    if step.action == "put_in_winding_fuse" and name in faulted_enclosures:
        remedy = "record the repair first, or leave the fuse out"
        findings.append(broken_rule("faulted enclosure", name, "its winding fuse would be put in", remedy))
    return findings
