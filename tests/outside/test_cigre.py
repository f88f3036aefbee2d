"""What is dark, what comes back and what flows on the CIGRE network: agreement with pandapower and networkx."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pytest

from loopmend.files.circuit import read_circuit
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.observations import CrewTimes
from loopmend.locate.plan import plan_sectionalizing
from loopmend.locate.policy import PlanNode
from loopmend.locate.posterior import Posterior, find_posterior
from loopmend.locate.priors import build_prior
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions, apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from loopmend.switching.flow import Flow, solve_flow
from loopmend.switching.restoration import Restoration, find_restoration
from outside.cigre_forests import forests, sets_with_more, solve_forests
from outside.cigre_layers import (
    BUSBARS,
    CIGRE,
    HERTZ,
    build_network,
    customers_at,
    joined_graph,
    read_cigre,
    run_flow,
    set_positions,
    unsupplied,
    write_geojson,
    write_geopackage,
)

pytestmark = pytest.mark.published(CIGRE)

VOLTS_PU = 1e-6  # as the issue asks
AMPS = 1e-3  # as the issue asks
SUM = 1e-9  # sums of a few dozen products in double precision, in another order

LINES = range(15)
LIMITS_OFF, AMPACITY, VOLTAGE = (1.03, None), (1.03, 0.94), (1.02, 0.95)
"""Voltage held at the busbars, and the lowest one allowed. On the stiff busbars only the cables' ampacity binds, on
the softer ones the voltage."""

CASES = [(line, setting) for setting in (LIMITS_OFF, AMPACITY) for line in LINES]
CASES += [(line, VOLTAGE) for line in (2, 3, 10)]
"""Voltage: one fault where a bus stays dark, one where ends have to be opened, one where a bus is shed."""


@pytest.fixture(scope="module")
def circuits(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Circuit]:
    """The network read through its layers, for each voltage of the busbars."""
    net = build_network()
    return {volts: read_cigre(net, tmp_path_factory.mktemp("cigre"), volts) for volts in (1.03, 1.02)}


@pytest.fixture(scope="module")
def circuit(circuits: dict[float, Circuit]) -> Circuit:
    return circuits[1.03]


@pytest.fixture
def net() -> Any:
    """The network as shipped, transformers and breakers and all."""
    return build_network()


@cache
def restored(circuit: Circuit, line: int, lowest: float | None) -> Restoration:
    allowed = 0.95 if lowest is None else lowest
    return find_restoration(
        circuit,
        normal_positions(circuit),
        [f"L{line}"],
        limits=lowest is not None,
        lowest_volts_pu=allowed,
        frequency_hz=HERTZ,
    )


def dark(circuit: Circuit, positions: Positions) -> set[str]:
    return set(circuit.enclosures.enclosure_id[~trace_supply(circuit, positions).supplied])


def dark_by_pandapower(net: Any) -> set[str]:
    """The bus behind the transformers is no enclosure of ours."""
    return unsupplied(net) - {"B0"}


def live_bus(net: Any, line: int) -> int:
    """A bus at which the line is closed, by pandapower's switches."""
    switches = net.switch[(net.switch.et == "l") & (net.switch.element == line) & net.switch.closed]
    return int(switches.bus.min())


# --- as shipped


def test_layers_read_without_a_finding_in_either_format(net: Any, tmp_path: Path) -> None:
    one = read_circuit(write_geopackage(net, tmp_path / "cigre.gpkg"))
    other = read_circuit(write_geojson(net, tmp_path / "cigre"))
    assert one.findings == other.findings == ()
    assert one.fingerprint == other.fingerprint
    assert one.circuit is not None
    assert (one.circuit.n_enclosures, one.circuit.n_spans) == (14, 15)
    assert one.circuit.source_ids == ("B1", "B12")
    # The published totals are pandapower's own: every load has to arrive, whatever bus it hangs on.
    assert one.circuit.enclosures.load_kw.sum() / 1000 == pytest.approx(net.load.p_mw.sum(), rel=SUM)
    assert one.circuit.spans.length_m.sum() / 1000 == pytest.approx(net.line.length_km.sum(), rel=SUM)


def test_normal_arrangement(circuit: Circuit, net: Any) -> None:
    normal = normal_positions(circuit)
    assert dark(circuit, normal) == dark_by_pandapower(net) == set()
    opened = net.switch[~net.switch.closed]
    rows, ends = np.nonzero(normal.states == EndState.OPEN)
    names = circuit.spans.span_id[rows]
    ours = {(name, circuit.enclosure_at(name, End(int(end)))) for name, end in zip(names, ends, strict=True)}
    assert ours == {(f"L{row.element}", f"B{row.bus}") for row in opened.itertuples()}
    assert sorted(opened.name) == ["S1", "S2", "S3"]  # the names of the publication


def test_flow_with_the_transformers_that_the_network_ships(circuit: Circuit, net: Any, tmp_path: Path) -> None:
    """A layer cannot hold a transformer: its busbars stand at what pandapower finds behind the transformers."""
    run_flow(net)
    for bus in BUSBARS:
        flow = read_flow(net, tmp_path / f"B{bus}", float(net.res_bus.vm_pu[bus]))
        fed = trace_supply(circuit, normal_positions(circuit)).enclosure_source[0] == circuit.enclosure_row[f"B{bus}"]
        buses = [int(name[1:]) for name in circuit.enclosures.enclosure_id[fed]]
        assert flow.volts_pu[fed] == pytest.approx(net.res_bus.vm_pu[buses].to_numpy(), abs=VOLTS_PU)


def read_flow(net: Any, folder: Path, volts_pu: float) -> Flow:
    folder.mkdir()
    circuit = read_cigre(net, folder, volts_pu)
    return solve_flow(circuit, normal_positions(circuit), frequency_hz=HERTZ)


# --- what is dark


@pytest.mark.parametrize("line", LINES)
def test_cable_taken_out(circuit: Circuit, net: Any, line: int) -> None:
    ends = [(f"L{line}", end, EndState.OPEN) for end in End]
    net.line.loc[line, "in_service"] = False
    found = dark(circuit, apply_end_states(circuit, normal_positions(circuit), ends))
    assert found == dark_by_pandapower(net)


@pytest.mark.parametrize("end", End)
@pytest.mark.parametrize("line", LINES)
def test_cable_opened_at_one_end(circuit: Circuit, net: Any, line: int, end: End) -> None:
    positions = apply_end_states(circuit, normal_positions(circuit), [(f"L{line}", end, EndState.OPEN)])
    bus = net.line.loc[line, "from_bus" if end is End.FROM else "to_bus"]
    net.switch.loc[(net.switch.et == "l") & (net.switch.element == line) & (net.switch.bus == bus), "closed"] = False
    assert dark(circuit, positions) == dark_by_pandapower(net)


@pytest.mark.parametrize("line", LINES)
def test_protective_device_operated_for_a_fault_in_each_cable(circuit: Circuit, net: Any, line: int) -> None:
    """pandapower opens the breaker of the transformer whose loss puts out the bus where the cable is closed."""
    for breaker in net.switch.index[net.switch.et == "t"]:
        net.switch.loc[breaker, "closed"] = False
        out = dark_by_pandapower(net)
        if f"B{live_bus(net, line)}" in out:
            break
        net.switch.loc[breaker, "closed"] = True
    device = f"B{net.trafo.lv_bus[net.switch.element[breaker]]}"
    before = restored(circuit, line, None).before
    assert before.open_devices == {device}
    assert dark(circuit, before) == out
    part = find_dead_part(circuit, normal_positions(circuit), normal_positions(circuit), [device])
    assert set(part.out) == out
    assert part.customers_out == sum(customers_at(int(name[1:])) for name in out)
    assert set(part.spans) == {f"L{k}" for k in LINES if f"B{live_bus(net, k)}" in out}


# --- what comes back


@pytest.mark.parametrize(("line", "setting"), CASES)
def test_restored_arrangement_put_into_pandapower(
    circuits: dict[float, Circuit], net: Any, line: int, setting: tuple[float, float | None]
) -> None:
    circuit = circuits[setting[0]]
    found = restored(circuit, line, setting[1])
    assert found.exact
    set_positions(net, circuit, found.before)
    out_before = dark_by_pandapower(net)
    set_positions(net, circuit, found.target)
    out = dark_by_pandapower(net)
    assert out == {name for name, _ in found.not_restored}
    assert set(found.restored) == out_before - out
    assert set(found.shed) == out - out_before
    # Both busbars hang on one bus behind their transformers, so a tie of the two would be a loop as well.
    assert nx.is_forest(joined_graph(net))
    assert not net.switch.closed[(net.switch.et == "l") & (net.switch.element == line)].any()


@pytest.mark.parametrize(("line", "setting"), CASES)
def test_flow_of_the_restored_arrangement(
    circuits: dict[float, Circuit], line: int, setting: tuple[float, float | None]
) -> None:
    circuit = circuits[setting[0]]
    found = restored(circuit, line, setting[1])
    held = build_network(busbar_volts_pu=setting[0])
    set_positions(held, circuit, found.target)
    run_flow(held)
    flow = found.flow
    assert flow.volts_pu == pytest.approx(held.res_bus.vm_pu.to_numpy(), abs=VOLTS_PU, nan_ok=True)
    for end, column in ((End.FROM, "i_from_ka"), (End.TO, "i_to_ka")):
        # A dead cable carries nothing: NaN with us, 0 or NaN with pandapower.
        amps = np.nan_to_num(held.res_line[column].to_numpy()) * 1000
        assert np.nan_to_num(flow.end_amps[:, end]) == pytest.approx(amps, abs=AMPS)
    fed = np.hypot(held.res_ext_grid.p_mw, held.res_ext_grid.q_mvar).to_numpy() * 1e6
    assert np.nan_to_num(flow.source_amps) == pytest.approx(fed / (math.sqrt(3) * 20_000 * setting[0]), abs=AMPS)
    if setting[1] is not None:
        assert found.violations == ()
        assert np.nanmax(held.res_line.i_ka / held.line.max_i_ka) <= 1.0
        assert held.res_bus.vm_pu.min() >= setting[1]


@pytest.mark.parametrize("line", LINES)
def test_without_limits_everybody_comes_back_by_the_fewest_closings(circuit: Circuit, net: Any, line: int) -> None:
    """Each part that the lost cable leaves dark needs one closing, and every open cable here has one open end."""
    found = restored(circuit, line, None)
    net.line.loc[line, "in_service"] = False
    parts = [part for part in nx.connected_components(joined_graph(net)) if not part & {0}]
    net.switch.closed = True
    assert dark_by_pandapower(net) == {name for name, _ in found.not_restored} == set()
    assert len(found.close) == len(parts)
    assert found.open == ()


@pytest.mark.parametrize(("line", "setting"), [(10, AMPACITY), (11, AMPACITY), (2, VOLTAGE)])
def test_who_stays_dark_for_a_limit_could_not_be_helped(
    circuits: dict[float, Circuit], net: Any, line: int, setting: tuple[float, float]
) -> None:
    """Proof by pandapower: every radial arrangement that supplies more customers breaks a limit."""
    volts, lowest = setting
    found = restored(circuits[volts], line, lowest)
    assert found.exact
    left = frozenset(int(name[1:]) for name, _ in found.not_restored)
    assert left
    served = {bus: customers_at(bus) for bus in net.bus.index if bus != 0}
    rivals = [
        (buses, forest)
        for buses in sets_with_more(served, frozenset(served) - left)
        for forest in forests(net, buses, line)
    ]
    assert len(rivals) >= 30  # the three rings of the network have that many trees
    for loading, volt in zip(*solve_forests(net, rivals, volts), strict=True):
        assert loading > 1.0 or volt < lowest


def test_ends_opened_beyond_the_isolation_could_not_be_spared(circuits: dict[float, Circuit], net: Any) -> None:
    """One closing alone would bring everybody back, too; with any of the open cables it breaks a limit."""
    volts, lowest = VOLTAGE
    found = restored(circuits[volts], 3, lowest)
    assert found.not_restored == ()
    assert (len(found.close), len(found.open)) == (2, 1)
    ties = sorted(int(row) for row in net.switch.element[~net.switch.closed])
    buses = frozenset(net.bus.index) - {0}
    every = set(forests(net, buses, 3))
    single = [forest for tie in ties if (forest := tuple(k for k in LINES if k == tie or k not in {3, *ties})) in every]
    assert single
    loadings, lowests = solve_forests(net, [(buses, forest) for forest in single], volts)
    assert all(loading > 1.0 or volt < lowest for loading, volt in zip(loadings, lowests, strict=True))


# --- the plan


def feeder(circuit: Circuit) -> tuple[DeadPart, Posterior]:
    """The device of the larger feeder operated; nothing is known but the lengths."""
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["B1"])
    prior = build_prior(circuit, dead, faults="one_span")
    return dead, find_posterior(circuit, dead, prior, [])


def fewest_tests_on_average(net: Any) -> float:
    """Try every order of splits on the larger feeder, as a tree of buses and cables from pandapower's tables alone."""
    net.switch.loc[(net.switch.et == "t") & (net.switch.element == 0), "closed"] = False
    out = {int(name[1:]) for name in dark_by_pandapower(net)}
    tree: nx.Graph[Any] = nx.Graph()
    for row in net.switch[(net.switch.et == "l") & net.switch.closed].itertuples():
        if row.bus in out:
            tree.add_edge(("bus", row.bus), ("line", row.element))
    suspects = frozenset(k for kind, k in tree if kind == "line")
    weight = {k: net.line.length_km[k] / net.line.length_km[sorted(suspects)].sum() for k in suspects}
    sides = set()
    for edge in tree.edges:
        rest = nx.restricted_view(tree, [], [edge])
        sides.add(frozenset(k for kind, k in nx.node_connected_component(rest, edge[0]) if kind == "line"))

    @cache
    def tests(left: frozenset[int]) -> float:
        if len(left) == 1:
            return 0.0
        parted = [tests(left & side) + tests(left - side) for side in sides if left & side and left - side]
        return sum(weight[k] for k in left) + min(parted)

    assert len(suspects) == 12  # ten that feed a bus, and two that hang from a bus with their other end open
    return tests(suspects)


def test_plan_needs_as_few_tests_as_any_plan(circuit: Circuit, net: Any) -> None:
    dead, posterior = feeder(circuit)
    nothing = {name: dict.fromkeys(circuit.enclosure_row, 0.0) for name in circuit.enclosure_row}
    times = CrewTimes(travel=nothing, split_minutes=1.0)
    plan = plan_sectionalizing(circuit, dead, posterior, times, objective="crew-minutes")
    assert plan.exact
    assert plan.expected_crew_minutes == pytest.approx(fewest_tests_on_average(net), rel=SUM)


@pytest.mark.published("C. E. Shannon 1948: a mean of yes-no answers is at least the entropy", from_memory=True)
def test_plan_is_not_better_than_the_entropy_allows(circuit: Circuit) -> None:
    dead, posterior = feeder(circuit)
    nothing = {name: dict.fromkeys(circuit.enclosure_row, 0.0) for name in circuit.enclosure_row}
    times = CrewTimes(travel=nothing, split_minutes=1.0)
    plan = plan_sectionalizing(circuit, dead, posterior, times, objective="crew-minutes")
    shares = np.array([suspect.p for suspect in posterior.suspects])
    assert shares.sum() == pytest.approx(1.0, rel=SUM)
    assert plan.expected_crew_minutes >= -(shares * np.log2(shares)).sum()


@pytest.mark.parametrize("restoration", ["in-place", "go-and-return"])
@pytest.mark.parametrize("objective", ["crew-minutes", "customer-minutes"])
def test_plan_for_a_fault_on_the_larger_feeder(circuit: Circuit, objective: Any, restoration: Any) -> None:
    dead, posterior = feeder(circuit)
    plan = plan_sectionalizing(
        circuit, dead, posterior, CrewTimes(crew_at="B1"), objective=objective, restoration=restoration
    )
    assert plan.exact
    assert plan.next == plan.options[0]
    assert plan.next.at in dead.out
    assert set(plan.next.beyond) | set(plan.next.near) == set(dead.spans)
    figure = "crew_minutes" if objective == "crew-minutes" else "customer_minutes"
    best = getattr(plan, f"expected_{figure}")
    assert 0 < best <= min(getattr(rule, figure) for rule in plan.compared_with.values()) * (1 + SUM)
    assert plan.root is not None
    ended = walk_to_the_end(plan.root)
    assert sorted(ended) == sorted(dead.spans)  # every suspect is told apart, each by one way through the plan


def walk_to_the_end(node: PlanNode) -> list[str]:
    outcomes = node.outcomes()
    if outcomes is None:
        return list(node.suspects)
    assert all(outcome.suspects for outcome in outcomes)
    return [name for outcome in outcomes for name in walk_to_the_end(outcome)]


def test_device_closed_again_after_the_work_is_the_network_as_shipped(circuit: Circuit, net: Any) -> None:
    normal = normal_positions(circuit)
    opened = apply_device(normal, "B1", closed=False)
    set_positions(net, circuit, opened)
    assert dark(circuit, opened) == dark_by_pandapower(net) != set()
    set_positions(net, circuit, apply_device(opened, "B1", closed=True))
    assert net.switch.equals(build_network().switch)
