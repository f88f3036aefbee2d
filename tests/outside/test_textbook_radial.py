"""The textbook radial system: who is out for how long from our own functions, and the indices that the book prints.

The system (Billinton and Allan, chapter 7): a main of four sections, a lateral and its load point at the end of each.
What may be opened is what differs between the four cases. In our network every end of a span may be opened; in the
book only disconnects and fuses may. So a failed section is handed over as what cannot be parted from it: every span
and enclosure that is joined to it by ends without a disconnect or fuse. That step is by hand here, because it is data
of the book; so is which device clears a fault, since our layers know protection at sources only, not fuses along the
way. Who is then without supply, and who comes back before the repair, is up to the engine.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest

from loopmend.history.indices import PredictedIndices, predict_indices
from loopmend.locate.dead import find_dead_part
from loopmend.network.assets import Enclosure, EnclosureKind, End, EndState, Floats, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import apply_end_states, normal_positions
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.restoration import find_restoration

SOURCE = "R. Billinton and R. N. Allan, Reliability Evaluation of Power Systems, 2nd ed. 1996, chapter 7, radial system"

MAIN_KM, MAIN_RATE, MAIN_HOURS = (2.0, 1.0, 3.0, 2.0), 0.1, 4.0
LATERAL_KM, LATERAL_RATE, LATERAL_HOURS = (1.0, 3.0, 2.0, 1.0), 0.2, 2.0
SWITCH_HOURS = 0.5
CUSTOMERS, LOAD_KW = (1000, 800, 700, 500), (5000.0, 4000.0, 3000.0, 2000.0)
POINTS = ("LA", "LB", "LC", "LD")
MAINS, LATERALS = ("S1", "S2", "S3", "S4"), ("SA", "SB", "SC", "SD")

Place = tuple[str, End]


@dataclass(frozen=True)
class Printed:
    """One row of the book: what may be opened, and the figures printed for it."""

    fuses: bool
    disconnects: bool
    backfeed: bool
    saifi: float
    saidi_h: float
    caidi_h: float
    asai: float
    ens_mwh: float
    hours: tuple[float, float, float, float]


ROWS = {
    "neither fuses nor disconnects": Printed(
        fuses=False,
        disconnects=False,
        backfeed=False,
        saifi=2.20,
        saidi_h=6.00,
        caidi_h=2.73,
        asai=0.999315,
        ens_mwh=84.0,
        hours=(6.0, 6.0, 6.0, 6.0),
    ),
    "lateral fuses": Printed(
        fuses=True,
        disconnects=False,
        backfeed=False,
        saifi=1.15,
        saidi_h=3.91,
        caidi_h=3.39,
        asai=0.999554,
        ens_mwh=54.8,
        hours=(3.6, 4.4, 4.0, 3.6),
    ),
    "and main disconnects": Printed(
        fuses=True,
        disconnects=True,
        backfeed=False,
        saifi=1.15,
        saidi_h=2.58,
        caidi_h=2.23,
        asai=0.999706,
        ens_mwh=35.2,
        hours=(1.5, 2.65, 3.3, 3.6),
    ),
    "and an open point that can be closed": Printed(
        fuses=True,
        disconnects=True,
        backfeed=True,
        saifi=1.15,
        saidi_h=1.80,
        caidi_h=1.56,
        asai=0.999795,
        ens_mwh=25.1,
        hours=(1.5, 1.95, 2.25, 1.5),
    ),
}


def radial_system(*, backfeed: bool) -> Circuit:
    """R1 -S1- T1 -S2- T2 -S3- T3 -S4- T4, at each tap a lateral with its load point; S5 from R2 is parked at T4."""
    enclosures = [Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, source_kv=12.47)]
    spans = []
    for k in range(4):
        enclosures += [
            Enclosure(enclosure_id=f"T{k + 1}", kind=EnclosureKind.CABINET),
            Enclosure(
                enclosure_id=POINTS[k],
                kind=EnclosureKind.PADMOUNT,
                customers=CUSTOMERS[k],
                load_kw=LOAD_KW[k],
                load_kvar=0.0,
            ),
        ]
        start = f"T{k}" if k else "R1"
        spans += [
            Span(span_id=MAINS[k], from_enclosure=start, to_enclosure=f"T{k + 1}", length_m=1000 * MAIN_KM[k]),
            Span(
                span_id=LATERALS[k], from_enclosure=f"T{k + 1}", to_enclosure=POINTS[k], length_m=1000 * LATERAL_KM[k]
            ),
        ]
    if backfeed:
        # The book gives the other feeder no rate of its own: S5 never fails here.
        enclosures.append(Enclosure(enclosure_id="R2", kind=EnclosureKind.RISER, source_kv=12.47))
        tie = Span(span_id="S5", from_enclosure="R2", to_enclosure="T4", to_state=EndState.OPEN, length_m=500.0)
        spans.append(tie)
    return build_circuit(enclosures, spans)


def switching_places(row: Printed) -> set[Place]:
    """Ends that the book can open: a fuse where a lateral leaves, a disconnect where a later section begins."""
    places = {(name, End.FROM) for name in LATERALS if row.fuses}
    return places | {(name, End.FROM) for name in MAINS[1:] if row.disconnects}


def zone_of(circuit: Circuit, failed: str, places: set[Place]) -> tuple[list[str], list[str]]:
    """What cannot be parted from a failed section: spans, and enclosures."""
    graph: nx.Graph[tuple[str, str]] = nx.Graph()
    graph.add_nodes_from(("span", name) for name in circuit.span_row)
    states = circuit.spans.state
    for name, row in circuit.span_row.items():
        for end in End:
            if (name, end) not in places and states[row, end] == EndState.CLOSED:
                graph.add_edge(("span", name), ("enclosure", circuit.enclosure_at(name, end)))
    zone = sorted(nx.node_connected_component(graph, ("span", failed)))
    return [name for kind, name in zone if kind == "span"], [name for kind, name in zone if kind == "enclosure"]


def hours_out(circuit: Circuit, failed: str, row: Printed) -> Floats:
    """Hours that each load point is out after a section fails, shape (4,)."""
    normal, repair = normal_positions(circuit), LATERAL_HOURS if failed in LATERALS else MAIN_HOURS
    if row.fuses and failed in LATERALS:
        # A blown fuse is an open end to the engine.
        cleared = apply_end_states(circuit, normal, [(failed, End.FROM, EndState.OPEN)])
        supplied = trace_supply(circuit, cleared).supplied
        out = {name for name, has in zip(circuit.enclosures.enclosure_id, supplied, strict=True) if not has}
        operated: list[str] = []
    else:
        cleared, operated = normal, ["R1"]
        out = set(find_dead_part(circuit, normal, normal, operated).out)
    spans, enclosures = zone_of(circuit, failed, switching_places(row))
    found = find_restoration(circuit, cleared, spans, faulted_enclosures=enclosures, operated=operated, limits=False)
    assert found.exact
    assert found.open == ()  # nothing is opened but where the book can
    assert {(place.span_id, place.end) for place in found.close} <= {("S5", End.TO)}
    assert not find_loops(circuit, found.target)
    assert not trace_supply(circuit, found.target).tied
    back = set(found.restored)
    return np.array([0.0 if name not in out else SWITCH_HOURS if name in back else repair for name in POINTS])


def predicted(row: Printed) -> PredictedIndices:
    circuit = radial_system(backfeed=row.backfeed)
    km = dict(zip(MAINS + LATERALS, MAIN_KM + LATERAL_KM, strict=True))
    rate = {name: km[name] * (MAIN_RATE if name in MAINS else LATERAL_RATE) for name in km}
    return predict_indices(
        np.array(list(rate.values())),
        60.0 * np.array([hours_out(circuit, name, row) for name in rate]),
        np.array(CUSTOMERS, dtype=float),
        np.array(LOAD_KW),
    )


def within(digits: int) -> float:
    """Half of the last digit printed; a value just on the half may be rounded either way, whence the last term."""
    return 0.5 * 10.0**-digits + 1e-9


@pytest.mark.published(SOURCE, from_memory=True)
@pytest.mark.parametrize("name", ROWS)
def test_indices_that_the_book_prints(name: str) -> None:
    row = ROWS[name]
    found = predicted(row)
    assert found.saidi_min is not None
    assert found.caidi_min is not None
    assert found.saifi == pytest.approx(row.saifi, abs=within(2))
    assert found.saidi_min / 60 == pytest.approx(row.saidi_h, abs=within(2))
    assert found.caidi_min / 60 == pytest.approx(row.caidi_h, abs=within(2))
    assert found.asai == pytest.approx(row.asai, abs=within(6))
    assert found.energy_not_supplied_mwh == pytest.approx(row.ens_mwh, abs=within(1))
    # The printed hours are whole: every product behind them has at most two decimals.
    assert found.minutes_per_year / 60 == pytest.approx(np.array(row.hours), abs=1e-9)


@pytest.mark.parametrize(
    ("name", "failed", "expected"),
    [
        # Nothing can be opened: the breaker stays open until the lateral is repaired, 2 h for all.
        ("neither fuses nor disconnects", "SC", (2.0, 2.0, 2.0, 2.0)),
        # The fuse of c clears: the others never notice.
        ("lateral fuses", "SC", (0.0, 0.0, 2.0, 0.0)),
        # The main has no disconnect: 4 h for all, whichever section fails.
        ("lateral fuses", "S3", (4.0, 4.0, 4.0, 4.0)),
        # Opened where section 3 begins: A and B after switching, C and D after the repair.
        ("and main disconnects", "S3", (0.5, 0.5, 4.0, 4.0)),
        # Also opened where section 4 begins: D from the other feeder. C hangs on the failed section itself.
        ("and an open point that can be closed", "S3", (0.5, 0.5, 4.0, 0.5)),
        ("and an open point that can be closed", "S1", (4.0, 0.5, 0.5, 0.5)),
        ("and an open point that can be closed", "S4", (0.5, 0.5, 0.5, 4.0)),
    ],
)
def test_hours_out_after_single_failures(name: str, failed: str, expected: tuple[float, ...]) -> None:
    """By hand from the drawing of the system."""
    row = ROWS[name]
    assert hours_out(radial_system(backfeed=row.backfeed), failed, row) == pytest.approx(np.array(expected), abs=0.0)


def test_last_row_to_the_digit() -> None:
    """By hand: the interruptions are 0.8 of the main and those of the own lateral, 1.0, 1.4, 1.2, 1.0 a year.

    SAIFI (1000 + 1.4 * 800 + 1.2 * 700 + 500) / 3000 = 3460 / 3000. Customer-hours of A 0.2 * 4 + 0.6 * 0.5 + 0.2 * 2
    = 1.5, of B 0.1 * 4 + 0.7 * 0.5 + 0.6 * 2 = 1.95, of C 0.3 * 4 + 0.5 * 0.5 + 0.4 * 2 = 2.25, of D 1.5; together
    1500 + 1560 + 1575 + 750 = 5385. ENS 7.5 + 7.8 + 6.75 + 3 MWh.
    """
    found = predicted(ROWS["and an open point that can be closed"])
    exact = 1e-12  # a dozen products in double precision
    assert found.interruptions_per_year == pytest.approx(np.array([1.0, 1.4, 1.2, 1.0]), rel=exact)
    assert found.saifi == pytest.approx(3460 / 3000, rel=exact)
    assert found.saidi_min == pytest.approx(60 * 5385 / 3000, rel=exact)
    assert found.energy_not_supplied_mwh == pytest.approx(25.05, rel=exact)


def test_every_improvement_spares_customer_minutes() -> None:
    """The point of the example: fuses, disconnects and the open point each help, and none does harm anywhere."""
    minutes = [predicted(row).minutes_per_year for row in ROWS.values()]
    for worse, better in pairwise(minutes):
        assert (better <= worse + 1e-9).all()  # rounding of sums
        assert better.sum() < worse.sum() - 1.0


def test_small_other_feeder_carries_the_larger_load_point_only() -> None:
    """Restricted transfer, with a limit of ours: section 2 has failed, C and D could come back from R2 at 12.47 kV.

    By hand: 3000 kW are 138.9 A, 2000 kW 92.6 A, together 231.5 A; R2 may carry 150 A. C has 700 customers, D 500: C
    comes back, and D is cut off at its own lateral.
    """
    whole = radial_system(backfeed=True)
    places = [whole.enclosure(str(name)) for name in whole.enclosures.enclosure_id]
    limited = [replace(place, source_limit_a=150.0) if place.enclosure_id == "R2" else place for place in places]
    circuit = build_circuit(limited, [whole.span(str(name)) for name in whole.spans.span_id])
    spans, enclosures = zone_of(circuit, "S2", switching_places(ROWS["and main disconnects"]))
    assert (spans, enclosures) == (["S2"], ["T2"])
    free, bound = (
        find_restoration(
            circuit, normal_positions(circuit), spans, faulted_enclosures=enclosures, operated=["R1"], limits=limits
        )
        for limits in (False, True)
    )
    assert set(POINTS) & set(free.restored) == {"LA", "LC", "LD"}
    assert set(POINTS) & set(bound.restored) == {"LA", "LC"}
    assert {place.span_id for place in bound.open} == {"SD"}
    assert bound.exact
    amps = dict(zip(circuit.source_ids, bound.flow.source_amps, strict=True))
    assert amps["R2"] == pytest.approx(3000 / (3**0.5 * 12.47), rel=1e-9)  # no impedance is given: no losses
