"""The next move of a case: walked to the end against hidden faults, what it may close, what it asks again and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from case.small_town import small_town
from loopmend.case.assessment import Knowledge, find_suspects
from loopmend.case.assumptions import Assumptions, read_assumptions
from loopmend.case.hedging import build_hedge
from loopmend.case.planning import find_trade, plan_next
from loopmend.case.second_crew import plan_second
from loopmend.case.settings import Settings
from loopmend.case.weighing import weigh_customers
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.locate.line import Doubt
from loopmend.locate.moves import Move, Plan
from loopmend.locate.observations import Energized, IndicatorReading, Observation, TestResult
from loopmend.locate.plan import plan_sectionalizing
from loopmend.locate.proofs import weigh_proofs
from loopmend.locate.scene import SAME_AT_MOST
from loopmend.network.assets import Enclosure, EnclosureKind, End, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import normal_positions
from loopmend.workbench.knowledge import method_accuracy
from loopmend.workbench.move_words import say_move

MOST_MOVES = 40


def line_town(n: int = 8, indicator_at: int = 0) -> Circuit:
    """R1 to R2 with n dead spans S1 to Sn, the last open at its far end, and two alive beyond; 5 customers each."""
    names = ["R1", *(f"E{k}" for k in range(1, n + 2)), "R2"]
    places = [place(name) for name in names]
    spans = [span(f"S{k}", names[k - 1], names[k], indicator_from=k == indicator_at) for k in range(1, n + 3)]
    spans[n - 1] = replace(spans[n - 1], to_state=EndState.OPEN)
    return build_circuit(places, spans)


def branched_town() -> Circuit:
    """R1 -S1- E1 -S2- E2 -S3- E3, a lateral S4, S5 off E1 and another, S6, S7, off E2: no second supply."""
    ends = [("R1", "E1"), ("E1", "E2"), ("E2", "E3"), ("E1", "E4"), ("E4", "E5"), ("E2", "E6"), ("E6", "E7")]
    names = ["R1", *(f"E{k}" for k in range(1, 8))]
    return build_circuit([place(name) for name in names], [span(f"S{k}", a, b) for k, (a, b) in enumerate(ends, 1)])


def place(name: str) -> Enclosure:
    if name.startswith("R"):
        return Enclosure(enclosure_id=name, kind=EnclosureKind.RISER, source_kv=12.47)
    return Enclosure(enclosure_id=name, kind=EnclosureKind.PADMOUNT, customers=5, critical=int(name == "E2"))


def span(name: str, start: str, stop: str, *, indicator_from: bool = False) -> Span:
    return Span(span_id=name, from_enclosure=start, to_enclosure=stop, length_m=100.0, indicator_from=indicator_from)


@dataclass
class Desk:
    """A trouble case without a record of it: what was seen, where the crew is."""

    circuit: Circuit
    document: Mapping[str, Any] = field(default_factory=dict)
    seen: list[Observation] = field(default_factory=list)
    at: str = "R1"

    @property
    def known(self) -> Knowledge:
        return Knowledge(circuit=self.circuit, methods=method_accuracy())

    @property
    def dead(self) -> DeadPart:
        normal = normal_positions(self.circuit)
        return find_dead_part(self.circuit, normal, normal, ["R1"])

    @property
    def assumptions(self) -> Assumptions:
        return read_assumptions(self.document, self.circuit, self.at, method_accuracy())

    def plan(self) -> Plan:
        posterior = find_suspects(self.known, self.dead, self.assumptions, self.seen)
        return plan_next(self.known, self.dead, self.assumptions, self.seen, posterior)


def settings(**given: object) -> dict[str, Any]:
    return {"settings": given}


def answer(desk: Desk, move: Move, truth: frozenset[str], *, wrong: bool = False) -> Observation:
    """What the field answers to a move: the truth, unless a wrong answer to a test is asked for."""
    spans = tuple(name for name in move.under_test if name in desk.circuit.span_row)
    enclosures = tuple(name for name in move.under_test if name not in desk.circuit.span_row)
    faulted = bool(truth & frozenset(move.under_test))
    if move.action == "read":
        (mounted, end), past = move.indicators[0], bool(truth & frozenset(move.beyond))
        return IndicatorReading(mounted, end, "tripped" if past else "not_tripped")
    if move.action == "energize":
        return Energized(spans, held=not faulted, enclosures=enclosures)
    return TestResult(spans, "hipot", "breakdown" if faulted is not wrong else "good", enclosures=enclosures)


def walk(desk: Desk, truth: frozenset[str], wrong: frozenset[int] = frozenset()) -> list[Move]:
    """Follow the plan until it declares, every test true but the ones whose number is in ``wrong``."""
    moves: list[Move] = []
    for number in range(MOST_MOVES):
        move = desk.plan().next
        moves.append(move)
        if move.action in ("isolate", "none"):
            return moves
        desk.at = move.at
        desk.seen.append(answer(desk, move, truth, wrong=number in wrong))
    raise AssertionError(f"no end after {MOST_MOVES} moves: {[say_move(move) for move in moves[-4:]]}")


CASES = {
    "chain": (line_town(), {}),
    "chain, going and returning": (line_town(5), {"restoration": "go-and-return"}),
    "chain, closings untested": (line_town(), settings(closing="untested", closings_at_most=9)),
    "chain, nothing closed": (line_town(5), settings(closings_at_most=0)),
    "chain, crew minutes": (line_town(5), {"objective": "crew-minutes"}),
    "tree": (branched_town(), {}),
    "tree, going and returning": (branched_town(), {"restoration": "go-and-return"}),
}


@pytest.mark.parametrize("name", CASES)
def test_true_answers_end_on_the_faulted_span_wherever_it_lies(name: str) -> None:
    circuit, document = CASES[name]
    for truth in Desk(circuit).dead.spans[::2]:
        moves = walk(Desk(circuit, document), frozenset({truth}))
        assert set(moves[-1].under_test or {span for span, _ in moves[-1].park}) == {truth}


@pytest.mark.parametrize("name", ["chain", "tree"])
@pytest.mark.parametrize("first_wrong", [0, 1])
def test_one_wrong_answer_is_found_out(name: str, first_wrong: int) -> None:
    circuit, document = CASES[name]
    for truth in ("S2", "S6"):
        moves = walk(Desk(circuit, document), frozenset({truth}), wrong=frozenset({first_wrong}))
        assert set(moves[-1].under_test or {span for span, _ in moves[-1].park}) == {truth}


@pytest.mark.parametrize("name", CASES)
def test_the_same_test_is_asked_again_only_with_a_reason(name: str) -> None:
    circuit, document = CASES[name]
    for wrong in (frozenset[int](), frozenset({1})):
        desk, asked = Desk(circuit, document), set[frozenset[str]]()
        for move in walk(desk, frozenset({"S3"}), wrong):
            if move.action != "split":
                continue
            spans = frozenset(move.under_test) & frozenset(circuit.span_row)
            assert move.again is (spans in asked)
            assert ("once more" in move.why) is move.again
            assert ("once more" in say_move(move)) is move.again
            asked.add(spans)


@pytest.mark.parametrize("rule", ["never", "after_test"])
@pytest.mark.parametrize("circuit", [line_town(), branched_town()], ids=["chain", "tree"])
def test_nothing_is_closed_without_a_good_test_of_it_standing(rule: str, circuit: Circuit) -> None:
    for truth in ("S1", "S4", "S7"):
        desk = Desk(circuit, settings(closing=rule))
        records: list[tuple[frozenset[str], bool]] = []
        for move in walk(desk, frozenset({truth})):
            spans = frozenset(move.under_test) & frozenset(circuit.span_row)
            faulted = truth in spans
            if move.action == "energize":
                assert weigh_proofs(records).allows(spans, tested=True)
                assert "after its good test" in move.why
                assert not faulted
            records.append((spans, faulted))


def test_a_stretch_that_did_not_hold_is_not_closed_again_untested() -> None:
    desk = Desk(line_town(), settings(closing="untested", fuse_worth=0.0, fuse_minutes=0.0))
    desk.seen = [Energized(("S1", "S2", "S3"), held=False)]
    for move in desk.plan().options:
        assert move.action != "energize" or not {"S1", "S2", "S3"} <= set(move.under_test)


def test_what_held_is_alive_and_no_longer_planned_for() -> None:
    desk = Desk(line_town(), seen=[Energized(("S1", "S2", "S3"), held=True)], at="E3")
    plan = desk.plan()
    assert plan.hedged
    for move in plan.options:
        assert not {"S1", "S2", "S3"} & {*move.beyond, *move.near, *move.under_test}
    around = tuple(f"E{k}" for k in range(3, 9))
    desk.seen.append(Energized(("S4", "S5", "S6", "S7", "S8"), held=True, enclosures=around))
    assert desk.plan().next.action == "none"


def test_equipment_that_no_record_made_alive_stays_suspect() -> None:
    # Both stretches beside E3 held, and neither names it: its elbows may be parked.
    desk = Desk(line_town(), at="E3")
    around = tuple(f"E{k}" for k in range(4, 9))
    desk.seen = [
        Energized(("S1", "S2", "S3"), held=True),
        Energized(("S4", "S5", "S6", "S7", "S8"), held=True, enclosures=around),
    ]
    move = desk.plan().next
    assert (move.action, move.at) == ("isolate", "E3")


def test_a_source_stays_suspect_where_the_last_stretch_was_fed_from_the_far_side() -> None:
    # All but S1 is back from beyond; S1 holds from E1 then, with the elbow at R1 parked as far as anyone said.
    beyond = Energized(tuple(f"S{k}" for k in range(2, 9)), held=True, enclosures=tuple(f"E{k}" for k in range(1, 9)))
    desk = Desk(line_town(), at="R1", seen=[beyond, Energized(("S1",), held=True)])
    posterior = find_suspects(desk.known, desk.dead, desk.assumptions, desk.seen)
    assert "R1" not in build_hedge(desk.circuit, desk.dead, desk.assumptions, desk.seen).equipment
    if any(suspect.id == "R1" for suspect in posterior.suspects):
        assert (desk.plan().next.action, desk.plan().next.at) == ("isolate", "R1")
    named = [beyond, Energized(("S1",), held=True, enclosures=("R1",))]
    assert "R1" in build_hedge(desk.circuit, desk.dead, desk.assumptions, named).equipment
    first = [Energized(("S1", "S2"), held=True)]  # nothing else had supply: it came from R1
    assert "R1" in build_hedge(desk.circuit, desk.dead, desk.assumptions, first).equipment


@pytest.mark.parametrize("truth", ["S1", "S4", "S8"])
def test_a_span_is_isolated_from_its_end_nearer_the_source(truth: str) -> None:
    desk = Desk(line_town(), {"accuracy": "perfect", "faults": "one_span"})
    others = [name for name in desk.dead.spans if name != truth]
    desk.seen = [TestResult((name,), "hipot", "good") for name in others]
    move = desk.plan().next
    number = int(truth[1:])
    assert (move.action, move.at) == ("isolate", "R1" if number == 1 else f"E{number - 1}")


def test_the_nearer_end_is_found_on_a_lateral_that_branches_off_late() -> None:
    # S7 lies from E6 to E7, written the other way round: E6 is nearer though its id is not what decides.
    town = branched_town()
    swapped = replace(town.span("S7"), from_enclosure="E7", to_enclosure="E6")
    spans = [swapped if name == "S7" else town.span(name) for name in town.span_row]
    desk = Desk(build_circuit([place(name) for name in town.enclosure_row], spans), {"accuracy": "perfect"})
    desk.document = {"accuracy": "perfect", "faults": "one_span"}
    desk.seen = [TestResult((name,), "hipot", "good") for name in desk.dead.spans if name != "S7"]
    assert desk.plan().next.at == "E6"


def test_a_fault_that_may_be_gone_lowers_the_fuses_to_be_expected() -> None:
    fuses = []
    for share in (0.0, 0.5):
        desk = Desk(line_town(), settings(gone_share=share), at="E4")
        desk.seen = [TestResult(("S1", "S2", "S3", "S4"), "hipot", "good")]
        fuses.append(min(move.fuses for move in desk.plan().options if move.at == "E4"))
    assert 0.0 < fuses[1] < fuses[0]


def two_faults() -> Desk:
    """S2 and S7 both tested bad by themselves, twice: two faults are likelier than one."""
    desk = Desk(line_town(), at="E2")
    desk.seen = [TestResult((name,), "hipot", "breakdown") for name in ("S2", "S7", "S2", "S7")]
    return desk


def test_where_two_faults_are_likelier_the_plan_says_that_its_figures_are_a_guess() -> None:
    desk = two_faults()
    posterior = find_suspects(desk.known, desk.dead, desk.assumptions, desk.seen)
    assert posterior.pair is not None
    assert posterior.pair.sum() > 0.5
    assert "rough guess" in desk.plan().method
    assert "no fuse" in desk.plan().method
    assert find_trade(desk.known, desk.dead, desk.assumptions, desk.seen, posterior) == ()
    assert "rough guess" not in Desk(line_town()).plan().method


def test_two_faults_end_declared_together_with_all_else_alive_and_no_test_put_for_ever() -> None:
    for pair in (("S2", "S7"), ("S1", "S3"), ("S4", "S5")):
        desk = Desk(line_town())
        moves = walk(desk, frozenset(pair))
        tested = [frozenset(move.under_test) for move in moves if move.action == "split"]
        assert max(tested.count(one) for one in tested) <= SAME_AT_MOST
        assert set(moves[-1].under_test) == set(pair)


def test_reading_is_said_to_save_minutes_only_where_it_does() -> None:
    desk = Desk(line_town(8, indicator_at=5), settings(read_minutes=0.5))
    best = desk.plan().next
    assert best.action == "read"
    assert "saves more than the minutes it takes" in best.why
    slow = Desk(line_town(8, indicator_at=5), settings(read_minutes=200.0)).plan()
    reads = [move for move in slow.options if move.action == "read"]
    assert slow.next.action != "read"
    assert all("saves" not in move.why for move in reads)


def test_the_second_crew_is_planned_for_customers_as_they_weigh() -> None:
    # Agreement: with a weight as on a circuit that has the customers it stands for.
    town = line_town()
    counted = replace(town.enclosures, customers=town.enclosures.customers + 9 * town.enclosures.critical)
    document = {"accuracy": "perfect", "faults": "one_span"}
    weighed = Desk(town, {**document, **settings(critical_weight=10.0, second_crew_at="E8")})
    plain = Desk(Circuit(counted, town.spans), {**document, **settings(second_crew_at="E8")})
    found = []
    for desk in (weighed, plain):
        posterior = find_suspects(desk.known, desk.dead, desk.assumptions, [])
        found.append(plan_second(desk.known, desk.dead, desk.assumptions, posterior))
    assert found[0] is not None
    assert found[1] is not None
    assert found[0].expected_customer_minutes == pytest.approx(found[1].expected_customer_minutes, rel=1e-12)
    assert (found[0].first.at, found[0].second.at) == (found[1].first.at, found[1].second.at)


def test_a_trusted_case_keeps_its_proven_plan() -> None:
    document = {"accuracy": "perfect", "faults": "one_span"}
    desk = Desk(line_town(), document)
    plan = desk.plan()
    posterior = find_suspects(desk.known, desk.dead, desk.assumptions, [])
    proven = plan_sectionalizing(desk.circuit, desk.dead, posterior, desk.assumptions.times)
    assert plan.exact
    assert not plan.hedged
    assert plan.expected_customer_minutes == proven.expected_customer_minutes
    assert find_trade(desk.known, desk.dead, desk.assumptions, [], posterior) == ()


# --- what the policy is told -------------------------------------------------------------------------------------


def test_the_policy_is_told_what_was_asked_what_is_parked_and_what_nobody_read() -> None:
    circuit = line_town(8, indicator_at=5)
    desk = Desk(circuit, settings(repeat_share=0.3, closing="never"), at="E4")
    desk.seen = [TestResult(("S1", "S2", "S3", "S4"), "hipot", "good")]
    hedge = build_hedge(circuit, desk.dead, desk.assumptions, desk.seen)
    assert hedge.parked is not None
    assert circuit.enclosure_at(*hedge.parked) == "E4"
    assert dict(hedge.answers) == {frozenset({"S1", "S2", "S3", "S4"}): (False,)}
    assert hedge.indicators == (("S5", End.FROM),)
    assert hedge.doubt.repeat_share == 0.3
    assert hedge.doubt.tested_only
    seen = [*desk.seen, IndicatorReading("S5", End.FROM, "not_seen")]
    assert build_hedge(circuit, desk.dead, desk.assumptions, seen).indicators == ()
    desk.at = "E6"  # the crew walked on: nothing is known to be parked there
    assert build_hedge(circuit, desk.dead, desk.assumptions, desk.seen).parked is None


@pytest.mark.parametrize("method", ["hipot", "dc_hipot", "vlf"])
def test_answers_of_every_method_that_sees_enough_count_as_those_of_the_one_at_hand(method: str) -> None:
    # At hand is the source-voltage hipot; where no bushing is alive another one is made in its place.
    desk = Desk(line_town())
    desk.seen = [TestResult(("S1", "S2"), method, "good"), TestResult(("S1", "S2"), "hipot", "breakdown")]
    hedge = build_hedge(desk.circuit, desk.dead, desk.assumptions, desk.seen)
    assert dict(hedge.answers) == {frozenset({"S1", "S2"}): (False, True)}


def test_a_method_of_ones_own_counts_by_the_accuracy_that_is_stated() -> None:
    for sensitivity, answers in ((0.95, 1), (0.6, 0)):
        stated = {"own": {"sensitivity": sensitivity, "specificity": 0.99}}
        desk = Desk(line_town(), {"accuracy": stated}, seen=[TestResult(("S1",), "own", "good")])
        assert len(build_hedge(desk.circuit, desk.dead, desk.assumptions, desk.seen).answers) == answers


def test_inconclusive_tests_are_neither_answers_nor_proofs_and_weak_methods_prove_only() -> None:
    desk = Desk(line_town())
    desk.seen = [TestResult(("S1",), "hipot", "inconclusive"), TestResult(("S2",), "insulation", "good")]
    hedge = build_hedge(desk.circuit, desk.dead, desk.assumptions, desk.seen)
    assert hedge.answers == ()
    assert list(hedge.proofs) == [(frozenset({"S2"}), False)]


def test_an_unread_indicator_is_read_and_named() -> None:
    desk = Desk(line_town(8, indicator_at=5), settings(read_minutes=0.5))
    move = desk.plan().next
    assert (move.action, move.at, move.indicators) == ("read", "E4", (("S5", End.FROM),))
    assert say_move(move) == "Go to E4, read the indicator of S5 (from end)"


@pytest.mark.parametrize("accuracy", [(0.0, 1.0), (1.0, 0.0), (1.0, 1.0)])
def test_a_test_that_never_or_always_answers_right_is_planned_for(accuracy: tuple[float, float]) -> None:
    # Sensitivity 0 and specificity 1: every answer is good. Sensitivity 1 and specificity 0: every answer is bad.
    # Neither tells anything, so it is not asked for; a sure one is, and ends on the span.
    sensitivity, specificity = accuracy
    document = {"accuracy": {"hipot": {"sensitivity": sensitivity, "specificity": specificity}}, "faults": "one_span"}
    desk = Desk(line_town(5), document)
    plan = desk.plan()
    assert np.isfinite([move.expected_crew_minutes for move in plan.options]).all()
    if accuracy == (1.0, 1.0):
        assert walk(desk, frozenset({"S4"}))[-1].action == "isolate"


# --- critical customers ------------------------------------------------------------------------------------------


def test_critical_customers_weigh_as_if_they_were_more() -> None:
    # Agreement: the plan with a weight equals the plan on a circuit that has the customers it stands for.
    town = line_town()
    counted = replace(town.enclosures, customers=town.enclosures.customers + 9 * town.enclosures.critical)
    weighed = Desk(town, settings(critical_weight=10.0)).plan()
    plain = Desk(Circuit(counted, town.spans)).plan()
    assert weighed.expected_customer_minutes == pytest.approx(plain.expected_customer_minutes, rel=1e-12)
    assert [move.at for move in weighed.options] == [move.at for move in plain.options]
    assert "customers (a critical one counted 10 times)" in weighed.next.why
    trusted = {"accuracy": "perfect", "faults": "one_span"}
    heavy = Desk(town, {**trusted, **settings(critical_weight=10.0)}).plan()
    exact = Desk(Circuit(counted, town.spans), trusted).plan()
    assert heavy.exact
    assert heavy.expected_customer_minutes == pytest.approx(exact.expected_customer_minutes, rel=1e-12)


def test_a_weight_of_one_changes_nothing_and_half_customers_are_counted() -> None:
    town = small_town()
    dead = Desk(town).dead
    assert weigh_customers(town, dead, 1.0) == (town, dead)
    town = line_town()
    dead = Desk(town).dead
    half, part = weigh_customers(town, dead, 1.5)
    assert part.customers_out == dead.customers_out + 0.5
    assert half.enclosures.customers.sum() == town.enclosures.customers.sum() + 0.5


# --- the trade ---------------------------------------------------------------------------------------------------


def test_a_dearer_fuse_is_blown_less_and_never_closing_leaves_everyone_out() -> None:
    desk = Desk(line_town(), settings(closing="untested", closings_at_most=9, fuse_worth=2000.0))
    posterior = find_suspects(desk.known, desk.dead, desk.assumptions, [])
    rows = find_trade(desk.known, desk.dead, desk.assumptions, [], posterior)
    assert [row.fuse_worth for row in rows] == [0.0, 500.0, 1500.0, 2000.0, 3000.0, 10_000.0, None]
    assert [row.chosen for row in rows] == [row.fuse_worth == 2000.0 for row in rows]
    # One step ahead is no optimum, so neighbours may cross; the ends may not.
    assert rows[0].fuses > rows[-2].fuses > rows[-1].fuses == 0.0
    assert rows[-1].customer_minutes > max(row.customer_minutes for row in rows[:-1])
    assert all(0.0 <= row.p_closing_onto_fault <= 1.0 for row in rows)


def test_the_settings_default_to_what_the_benchmark_measures() -> None:
    given, doubt = Settings(), Doubt()
    names = ("crew_worth", "fuse_worth", "fuse_minutes", "repeat_share")
    assert [getattr(given, name) for name in names] == [getattr(doubt, name) for name in names]
