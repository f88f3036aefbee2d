"""Circuits for tests: a loop by hand, and any circuit at all for the laws."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit

PHASES = ("A", "B", "C", "AB", "BC", "AC", "ABC")


def riser(enclosure_id: str, phases: str = "A", kv: float = 12.47) -> Enclosure:
    """Make a source."""
    return Enclosure(enclosure_id=enclosure_id, kind=EnclosureKind.RISER, phases=phases, source_kv=kv)


def padmount(enclosure_id: str, phases: str = "A", **more: Any) -> Enclosure:
    """Make a transformer with 50 kVA and eight customers."""
    values: dict[str, Any] = {"kva": 50.0, "customers": 8, "phases": phases} | more
    return Enclosure(enclosure_id=enclosure_id, kind=EnclosureKind.PADMOUNT, **values)


def span(span_id: str, from_id: str, to_id: str, phases: str = "A", **more: Any) -> Span:
    """Make 80 m of cable with every value known, closed at both ends."""
    values: dict[str, Any] = {"length_m": 80.0, "r_ohm_per_km": 0.6, "x_ohm_per_km": 0.3, "ampacity_a": 180.0}
    return Span(span_id=span_id, from_enclosure=from_id, to_enclosure=to_id, phases=phases, **(values | more))


def loop_assets(phases: str = "A") -> tuple[dict[str, Enclosure], dict[str, Span]]:
    """Make R1 -S1- P1 -S2- P2 -S3| P3 -S4- R2, open where S3 lands at P3; by id, so that a test can change one."""
    enclosures = [riser("R1", phases), *(padmount(f"P{n}", phases) for n in (1, 2, 3)), riser("R2", phases)]
    places = ["R1", "P1", "P2", "P3", "R2"]
    spans = [span(f"S{n}", places[n - 1], places[n], phases) for n in range(1, 5)]
    spans[2] = span("S3", "P2", "P3", phases, to_state=EndState.OPEN)
    return {e.enclosure_id: e for e in enclosures}, {s.span_id: s for s in spans}


def loop_circuit(phases: str = "A") -> Circuit:
    """Build that loop."""
    enclosures, spans = loop_assets(phases)
    return build_circuit(list(enclosures.values()), list(spans.values()))


@st.composite
def circuits(draw: st.DrawFn, *, joined: bool = False) -> Circuit:
    """Draw any circuit: meshed, parallel, self-joining, of mixed phases, with any number of sources and any states.

    With ``joined`` elbows stand on feed-throughs and winding fuses are out too.
    """
    kinds = [EnclosureKind.CABINET, *([EnclosureKind.PADMOUNT] * 3 if joined else [])]
    n_enclosures = draw(st.integers(1, 8))
    names = [f"E{n}" for n in range(n_enclosures)]
    enclosures = [
        Enclosure(
            enclosure_id=name,
            kind=draw(st.sampled_from(kinds)),
            phases=draw(st.sampled_from(PHASES)),
            source_kv=draw(st.sampled_from([None, None, 12.47])),
            customers=3 if joined else 0,
            winding_out=joined and draw(st.booleans()),
        )
        for name in draw(st.permutations(names))
    ]
    states = st.sampled_from(
        [EndState.CLOSED, EndState.CLOSED, EndState.OPEN, EndState.GROUNDED, *([EndState.JOINED] * 2 if joined else [])]
    )
    spans = [
        Span(
            span_id=f"S{n}",
            from_enclosure=draw(st.sampled_from(names)),
            to_enclosure=draw(st.sampled_from(names)),
            from_state=draw(states),
            to_state=draw(states),
            phases=draw(st.sampled_from(PHASES)),
            length_m=80.0,
        )
        for n in range(draw(st.integers(0, 12)))
    ]
    return build_circuit(enclosures, spans)
