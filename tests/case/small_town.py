"""A loop small enough to reckon by hand, for the tests of cases.

R1 -S1- E1 -S2- E2 -S3- E3 -S4| |E4 -S5- E4 .. R2: S4 is open at E4, the normally open point.
"""

from __future__ import annotations

from loopmend.network.assets import Enclosure, EnclosureKind, EndState, Span
from loopmend.network.graph import Circuit, build_circuit

CUSTOMERS = {"E1": 10, "E2": 20, "E3": 30, "E4": 40}


def small_town() -> Circuit:
    """Build the loop: R1 feeds E1, E2, E3 and the span S4; R2 feeds E4."""
    enclosures = [
        Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, phases="A", source_kv=12.47),
        *(
            Enclosure(enclosure_id=name, kind=EnclosureKind.PADMOUNT, phases="A", customers=n, kva=50.0)
            for name, n in CUSTOMERS.items()
        ),
        Enclosure(enclosure_id="R2", kind=EnclosureKind.RISER, phases="A", source_kv=12.47),
    ]
    ends = [("S1", "R1", "E1"), ("S2", "E1", "E2"), ("S3", "E2", "E3"), ("S4", "E3", "E4"), ("S5", "E4", "R2")]
    spans = [
        Span(
            span_id=name,
            from_enclosure=a,
            to_enclosure=b,
            to_state=EndState.OPEN if name == "S4" else EndState.CLOSED,
            phases="A",
            length_m=100.0,
            r_ohm_per_km=0.7,
            x_ohm_per_km=0.4,
            c_nf_per_km=200.0,
            ampacity_a=200.0,
        )
        for name, a, b in ends
    ]
    return build_circuit(enclosures, spans)
