"""Answers that nobody has given yet: what they would put on record, how likely they are, where the walk ends."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from case.small_town import small_town
from loopmend.case import hypothetical as hy
from loopmend.case.assessment import Knowledge, find_suspects
from loopmend.case.assumptions import read_assumptions
from loopmend.case.hypothetical import Situation, apply_answer, ask_case, observe
from loopmend.case.planning import plan_next
from loopmend.errors import EvidenceError
from loopmend.locate.ahead import ANSWERS, DID_NOT_HOLD, UNLIKELY, WHOLE, Ahead, Answer, Limits, Stage, walk_ahead
from loopmend.locate.ahead_proven import ask_proven
from loopmend.locate.dead import find_dead_part
from loopmend.locate.moves import Move
from loopmend.locate.observations import Energized, IndicatorReading, Observation, TestResult
from loopmend.network.assets import End
from loopmend.network.positions import normal_positions

METHODS = {"hipot": (0.97, 0.99), "indicator": (0.90, 0.95), "energized": (0.99, 0.99)}
PERFECT = {"accuracy": "perfect", "faults": "one_span"}


def situation(*seen: Observation, **document: Any) -> Situation:
    """The small town after R1's device operated: S1 to S4 dark, the crew at R1."""
    circuit = small_town()
    known = Knowledge(circuit=circuit, methods=METHODS)
    assumptions = read_assumptions(document, circuit, "R1", METHODS)
    normal = normal_positions(circuit)
    dead = find_dead_part(circuit, normal, normal, ["R1"])
    return Situation(
        known=known,
        dead=dead,
        assumptions=assumptions,
        observations=seen,
        posterior=find_suspects(known, dead, assumptions, seen),
    )


def split(at: str = "E2", park: str = "S3", **more: Any) -> Move:
    values: dict[str, Any] = {"action": "split", "beyond": ("S3", "S4"), "near": ("S1", "S2")}
    return Move(at=at, park=((park, End.FROM),), why="", **(values | more))


def test_what_an_answer_would_put_on_record() -> None:
    now = situation()
    assert observe(now, split(), "bad") == TestResult(("S3", "S4"), "hipot", "breakdown", at="E2")
    tested = split(under_test=("S1", "E1", "S2"), side="near")
    assert observe(now, tested, "good") == TestResult(("S1", "S2"), "hipot", "good", ("E1",), at="E2")
    closed = replace(tested, action="energize")
    assert observe(now, closed, "not_held") == Energized(("S1", "S2"), held=False, enclosures=("E1",))
    looked = Move(action="read", at="E1", park=(("S2", End.FROM),), why="", indicators=(("S2", End.FROM),))
    assert observe(now, looked, "tripped") == IndicatorReading("S2", End.FROM, "tripped")


def test_the_far_side_is_tested_unless_only_equipment_is_there() -> None:
    now = situation()
    assert observe(now, split(beyond=("E2",), near=("S1", "S2")), "good") == TestResult(
        ("S1", "S2"), "hipot", "good", at="E2"
    )


def test_the_crew_then_stands_where_it_tested() -> None:
    now = situation(minutes={"start": {"E1": 3.0}})
    after = apply_answer(now, split(), "bad")
    assert after.assumptions.times.crew_at == "E2"
    assert after.assumptions.times.start == {}  # given for the first move only
    assert after.parked == ("S3", End.FROM)
    assert now.observations == ()  # nothing is changed
    assert after.posterior is not None
    # four equal spans, one faulted share each: S3 and S4 hold nearly all of the suspicion afterwards
    assert {s.id for s in after.posterior.suspects[:2]} == {"S3", "S4"}


def test_how_likely_an_answer_is_agrees_with_the_accuracies() -> None:
    now = situation(accuracy={"hipot": {"sensitivity": 0.9, "specificity": 0.8}}, faults="one_span", prior=PRIOR)
    stage = ask_case(now, first=split())(())
    # by hand: 0.7 of the weight is beyond; bad with 0.9 there and with 1 - 0.8 elsewhere
    assert stage.outcomes[0].p == pytest.approx(0.7 * 0.9 + 0.3 * 0.2, abs=1e-9)
    assert sum(outcome.p for outcome in stage.outcomes) == pytest.approx(1.0, abs=1e-12)


PRIOR = {"S1": 0.1, "S2": 0.2, "S3": 0.3, "S4": 0.4}


def test_a_repetition_is_likely_to_say_the_same() -> None:
    settings = {"repeat_share": 0.6}
    given = {"hipot": {"sensitivity": 0.9, "specificity": 0.8}}
    now = situation(accuracy=given, faults="one_span", prior=PRIOR, settings=settings)
    once = apply_answer(now, split(), "bad")
    stage = ask_case(once, first=split())(())
    assert once.posterior is not None
    beyond = sum(s.p for s in once.posterior.suspects if s.id in ("S3", "S4"))
    fresh = beyond * 0.9 + (1 - beyond) * 0.2
    assert stage.outcomes[0].p > fresh  # 0.6 of it only repeats the first answer
    assert stage.outcomes[0].p == pytest.approx(0.6 + 0.4 * fresh, abs=0.02)  # the prior shifts the mix a little


def walked(now: Situation, limits: Limits | None = None) -> Ahead:
    return walk_ahead(ask_case(now, sure_from=0.85), limits)


def test_with_trusted_tests_asking_anew_agrees_with_the_plan_s_own_tree() -> None:
    """Two routes to one tree: the plan's nodes, and a new plan after every answer put on record."""
    # Customer minutes differ: a new plan does not know who was brought back on the way; crew minutes must not.
    now = situation(**PERFECT, prior=PRIOR, objective="crew-minutes")
    assert now.posterior is not None
    plan = plan_next(now.known, now.dead, now.assumptions, (), now.posterior)
    assert plan.root is not None
    own = walk_ahead(ask_proven(now.known.circuit, plan.root), WHOLE)
    anew = walk_ahead(ask_case(now), WHOLE)
    for one, other in zip(own.nodes, anew.nodes, strict=True):
        assert (one.path, one.stage.action, set(one.stage.park)) == (
            other.path,
            other.stage.action,
            set(other.stage.park),
        )
        assert one.p == pytest.approx(other.p, abs=1e-9)
        assert one.stage.crew_minutes == pytest.approx(other.stage.crew_minutes, abs=1e-9)


@pytest.mark.parametrize("faults", ["one_span", "any"])
def test_a_doubtful_walk_ends_everywhere_and_its_shares_add_up(faults: str) -> None:
    tree = walked(situation(faults=faults))
    ends = [node for node in tree.nodes if not node.branches]
    assert sum(node.p for node in ends) == pytest.approx(1.0, abs=1e-9)
    assert {node.stage.action for node in ends} <= {"isolate", "call", "none"}
    assert all(node.stage.why for node in ends)
    found = [node for node in ends if node.stage.action == "isolate"]
    assert tree.p_told == pytest.approx(sum(node.p for node in found), abs=1e-9)
    assert found
    for node in found:
        assert node.stage.park
        assert node.stage.tested
        assert sum(node.stage.shares) == pytest.approx(1.0, abs=1e-9)
    for node in tree.nodes:
        if node.branches:
            assert tuple(branch.answer for branch in node.branches) == ANSWERS[node.stage.action]


def test_what_did_not_hold_is_the_dispatcher_s() -> None:
    tree = walked(situation(faults="one_span", settings={"closing": "after_test"}))
    blown = [node for node in tree.nodes if node.path[-1:] == ("not_held",)]
    assert blown
    assert {(node.stage.action, node.stage.why) for node in blown} == {("call", DID_NOT_HOLD)}
    assert not any("not_held" in node.path[:-1] for node in tree.nodes)
    closed = ask_case(situation(), first=split(action="energize", under_test=("S1", "S2"), side="near"))
    assert closed(("not_held",)).why == DID_NOT_HOLD  # said too where one looks at that place alone


@pytest.mark.parametrize("closing", ["never", "after_test"])
def test_nothing_is_closed_without_a_good_test_before_it(closing: str) -> None:
    tree = walked(situation(settings={"closing": closing}))
    for node in tree.nodes:
        if node.stage.action == "energize":
            assert "good" in node.path


def test_the_same_is_not_done_for_ever() -> None:
    again = TestResult(("S3", "S4"), "hipot", "breakdown", at="E2")
    now = situation(again, again)
    stage = ask_case(now, first=split())(())
    assert (stage.action, stage.why) == ("call", hy.REPEATED)


def test_answers_that_contradict_each_other_end_with_a_call() -> None:
    good = [TestResult((f"S{k}",), "hipot", "good") for k in (1, 2)]
    now = situation(*good, **PERFECT)
    stage = ask_case(now, first=split())(())
    assert [outcome.p for outcome in stage.outcomes] == [1.0, 0.0]  # S1 and S2 are good: it must be beyond
    both = ask_case(now, first=split())(("good",))
    assert (both.action, both.why) == ("call", hy.DISAGREE)
    with pytest.raises(EvidenceError):
        situation(*good, *(TestResult((f"S{k}",), "hipot", "good") for k in (3, 4)), **PERFECT)


def test_an_answer_that_the_move_cannot_give_is_refused() -> None:
    ask = ask_case(situation(), first=split())
    with pytest.raises(ValueError, match="tripped is no answer"):
        ask(("tripped",))


def test_a_place_too_unlikely_is_not_asked() -> None:
    asked: list[int] = []
    ask = ask_case(situation())

    def counted(path: tuple[Any, ...]) -> Any:
        asked.append(len(path))
        return ask(path)

    tree = walk_ahead(counted, Limits(least_p=0.2))
    assert len(asked) == sum(node.stage.why not in (UNLIKELY, DID_NOT_HOLD) for node in tree.nodes)


def answer_truly(stage: Stage, hidden: str, order: list[str]) -> Answer:
    """What an honest field answers where one item is faulted: tests, closings and indicators never err."""
    first, second = ANSWERS[stage.action]
    if stage.action == "read":
        # fault current passes the elbow if the fault lies further out than the span that carries it, or on it
        (span, _end), place = stage.park[0], order.index
        return first if place(hidden) >= place(span) else second
    return first if hidden in stage.tested else second


@pytest.mark.parametrize("faults", ["one_span", "any"])
@pytest.mark.parametrize("hidden", ["S1", "S2", "S3", "S4"])
def test_true_answers_lead_to_the_hidden_fault_or_to_the_dispatcher(hidden: str, faults: str) -> None:
    """However doubtful the plan takes its tests to be: where none errs, nobody is sent to dig in the wrong place."""
    now = situation(faults=faults)
    ask = ask_case(now, sure_from=0.85)
    order = ["R1", "S1", "E1", "S2", "E2", "S3", "E3", "S4"]
    path: tuple[Answer, ...] = ()
    stage = ask(path)
    while stage.outcomes:
        path = (*path, answer_truly(stage, hidden, order))
        assert len(path) < 30  # it must not go round for ever
        stage = ask(path)
    assert stage.action == "isolate", (path, stage.why)
    assert stage.tested[0] == hidden


def test_indicators_on_the_way_are_read_and_lead_on() -> None:
    circuit = small_town()
    mounted = circuit.spans.indicator.copy()
    mounted[circuit.span_row["S3"], 0] = True
    marked = replace(circuit, spans=replace(circuit.spans, indicator=mounted))
    now = situation(faults="one_span")
    now = replace(now, known=replace(now.known, circuit=marked))
    move = Move(action="read", at="E2", park=(("S2", End.TO), ("S3", End.FROM)), why="look first")
    stage = ask_case(now, first=move)(())
    assert stage.park == (("S3", End.FROM),)  # the one that carries it
    assert [outcome.answer for outcome in stage.outcomes] == ["tripped", "not_tripped"]
    # half of the equal spans lie beyond: tripped with 0.90 there and 1 - 0.95 elsewhere, gone or not
    assert stage.outcomes[0].p == pytest.approx(0.5 * 0.90 + 0.5 * 0.05, abs=1e-6)
    after = ask_case(now, first=move)(("tripped",))
    assert after.action in ANSWERS
