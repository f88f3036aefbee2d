"""Any sequence of requests, sensible or not, keeps the rules that people's lives hang on."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, cast

import networkx as nx
import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from case.playing import (
    CREW,
    DESK,
    IN_PHASE,
    KNOWN,
    REPAIR,
    SECOND,
    START,
    TOWN,
    TRUSTED,
    bad,
    declared,
    good,
    happen,
    needed,
    opened,
    played,
    signature,
)
from case.small_town import CUSTOMERS
from loopmend.case import events as ev
from loopmend.case import requests as rq
from loopmend.case.assessment import hazards_of
from loopmend.case.decide import decide
from loopmend.case.replay import replay
from loopmend.case.state import CaseState, customer_minutes, is_grounded
from loopmend.errors import LoopmendError
from loopmend.network.assets import ON, End, EndState
from loopmend.network.positions import Positions
from loopmend.network.tracing import find_loops, trace_supply
from loopmend.switching.clearance_steps import NEEDS_SECOND

SPANS = st.sampled_from(["S1", "S2", "S3", "S4"])
ANY_SPAN = st.sampled_from(["S1", "S2", "S3", "S4", "S5", "S9", ""])
PLACE = st.sampled_from(["R1", "E1", "E2", "E3", "E4", "R2", "E9", ""])
TEXT = st.sampled_from(["", " ", "seen burnt"])
ENDS = st.sampled_from(["from", "to", "up"])
ORDER_ID = st.sampled_from(["O1", "O2", "O3", "O9"])
PERSON = st.sampled_from([CREW, SECOND, DESK, "j.orme", ""])
VERDICT = st.sampled_from(["good", "breakdown", "inconclusive", "fine"])
EVIDENCE = st.one_of(
    st.fixed_dictionaries(
        {
            "kind": st.sampled_from(["test", "rumour"]),
            "spans": st.lists(ANY_SPAN, max_size=3),
            "method": st.sampled_from(["hipot", "smell"]),
            "verdict": VERDICT,
        }
    ),
    st.fixed_dictionaries(
        {
            "kind": st.just("indicator"),
            "span": ANY_SPAN,
            "end": ENDS,
            "state": st.sampled_from(["tripped", "not_tripped"]),
        }
    ),
    st.fixed_dictionaries({"kind": st.just("energized"), "spans": st.lists(ANY_SPAN), "held": st.booleans()}),
    st.dictionaries(st.sampled_from(["kind", "spans", "method", "held"]), st.sampled_from([None, 3, "x", [], ["S1"]])),
)
NONSENSE: st.SearchStrategy[rq.Request] = st.one_of(
    st.builds(rq.OpenCase, circuit=st.just("town"), fingerprint=st.just("ab"), operated=st.just(("R2",))),
    st.builds(
        rq.ChangeAssumptions,
        assumptions=st.sampled_from(
            [
                {},
                TRUSTED,
                {"accuracy": None},
                {"faults": "any"},
                {"faults": "four"},
                {"prior": {"S5": 1}},
                {"prior": None},
            ]
        ),
    ),
    st.builds(rq.MoveCrew, enclosure=PLACE),
    st.builds(
        rq.RecordEvidence, evidence=EVIDENCE, at_enclosure=PLACE, channel=st.sampled_from(["desk", "field", "radio"])
    ),
    st.builds(rq.WithdrawEvidence, evidence_id=st.sampled_from(["V1", "V2", "V9"]), reason=TEXT),
    st.builds(
        rq.SwitchEnd,
        span=ANY_SPAN,
        end=ENDS,
        state=st.sampled_from(["open", "closed", "grounded", "joined", "ajar"]),
        reason=TEXT,
    ),
    st.builds(rq.SwitchWinding, enclosure=PLACE, state=st.sampled_from(["in", "out", "ajar"]), reason=TEXT),
    st.builds(rq.RecordWinding, enclosure=PLACE, found=st.sampled_from(["blown", "whole", "ajar"]), note=TEXT),
    st.builds(rq.DeclareFault, spans=st.lists(ANY_SPAN, max_size=2).map(tuple), reason=TEXT),
    st.builds(rq.DraftOrder, purpose=cast("Any", st.sampled_from(["restore", "ground", "return", "release", "tidy"]))),
    st.builds(rq.ApproveOrder, order_id=ORDER_ID),
    st.builds(rq.SignStep, order_id=ORDER_ID, n=st.integers(-1, 7), measured=st.sampled_from([{}, IN_PHASE])),
    st.builds(rq.StopOrder, order_id=ORDER_ID, reason=TEXT, n=st.integers(0, 4)),
    st.builds(rq.TransferClearance, holder=PERSON, to=PERSON, reason=TEXT),
    st.builds(
        rq.RecordRepair,
        span=ANY_SPAN,
        component=st.sampled_from(["cable", "gnome"]),
        cause=TEXT,
        work=TEXT,
        proof_method=st.just("hipot"),
        proof_verdict=VERDICT,
    ),
    st.builds(rq.CloseCase, note=st.just("")),
)


def customers_out_by_networkx(now: Positions) -> int:
    """Customers not joined to a source whose device is closed, or without their fuse, by a graph built here."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(CUSTOMERS)
    for row, span in enumerate(TOWN.spans.span_id):
        for end, place in enumerate(TOWN.spans.enclosure[row]):
            bushing = {EndState.CLOSED: "", EndState.JOINED: "past "}.get(EndState(int(now.states[row, end])))
            if bushing is not None:
                graph.add_edge(str(span), bushing + str(TOWN.enclosures.enclosure_id[place]))
    live = [name for name in ("R1", "R2") if name not in now.open_devices]
    fed = set().union(*(nx.node_connected_component(graph, name) for name in live if name in graph))
    return sum(customers for name, customers in CUSTOMERS.items() if name not in fed or name in now.windings_out)


def spans_moved_while_alive(before: Positions, after: Positions) -> list[str]:
    """Spans alive before of which an end came onto a feed-through or off it; places fed whose fuse was moved."""
    was = trace_supply(TOWN, before)
    joined = (before.states == EndState.JOINED) != (after.states == EndState.JOINED)
    spans = TOWN.spans.span_id[joined.any(axis=1) & was.alive].tolist()
    fed = set(TOWN.enclosures.enclosure_id[(was.enclosure_source >= 0).any(axis=0)].tolist())
    return [*spans, *sorted(fed & (before.windings_out ^ after.windings_out))]


class AnyCase(RuleBasedStateMachine):
    """One case, asked anything."""

    def __init__(self) -> None:
        super().__init__()
        self.state: CaseState = opened(assumptions=TRUSTED)
        self.minutes = 0

    @initialize(begun=st.sampled_from(["opened", "opened", "declared", "restored", "grounded", "repaired"]))
    def begin_anywhere(self, begun: str) -> None:
        """Begin at any stage, so that few steps reach every corner."""
        if begun == "declared":
            self.state = declared()
        elif begun != "opened":
            self.state = played(begun)

    def ask(self, request: rq.Request) -> None:
        """Ask twice, see the same answer, let it happen, and hold the change to the rules of switching."""
        before = self.state
        try:
            payloads = decide(KNOWN, before, request)
        except LoopmendError as refused:
            self.is_refused_again(before, request, refused)
            return
        assert decide(KNOWN, before, request) == payloads
        assert before.closed_at is None
        guarded = hazards_of(KNOWN, before)
        self.minutes += 1
        by = getattr(request, "by", "") or CREW
        self.state = happen(before, payloads, START + timedelta(minutes=self.minutes), by)
        woken = trace_supply(TOWN, self.state.now).alive & ~trace_supply(TOWN, before.now).alive
        assert not (guarded.faulted | guarded.suspects).intersection(TOWN.spans.span_id[woken].tolist())
        if not isinstance(request, rq.RecordWinding):  # what was found is a fact, whatever is alive
            assert spans_moved_while_alive(before.now, self.state.now) == []

    def is_refused_again(self, before: CaseState, request: rq.Request, refused: LoopmendError) -> None:
        with pytest.raises(type(refused)) as again:
            decide(KNOWN, before, request)
        assert again.value.findings == refused.findings

    @rule(request=NONSENSE)
    def anything(self, request: rq.Request) -> None:
        self.ask(request)

    @rule(request=st.one_of(SPANS.map(good), SPANS.map(bad)))
    def record_a_test(self, request: rq.Request) -> None:
        self.ask(request)

    @rule(
        span=ANY_SPAN,
        end=st.sampled_from(["from", "to"]),
        to=st.sampled_from(["open", "closed", "grounded", "joined"]),
    )
    def move_an_elbow(self, span: str, end: str, to: str) -> None:
        self.ask(rq.SwitchEnd(span=span, end=end, state=to, by=CREW))

    @rule(place=st.sampled_from(["E1", "E2", "E3"]))
    def lead_past(self, place: str) -> None:
        """Park both elbows of a padmount and join them, as far as that goes."""
        for to in ("open", "joined"):
            for span, end in TOWN.ends_at[place]:
                self.ask(rq.SwitchEnd(span=span, end=end.label, state=to, by=CREW))

    @rule(place=PLACE, to=st.sampled_from(["in", "out"]), found=st.sampled_from(["", "", "blown", "whole"]))
    def move_or_find_a_fuse(self, place: str, to: str, found: str) -> None:
        if found:
            self.ask(rq.RecordWinding(enclosure=place, found=found, note="seen"))
        else:
            self.ask(rq.SwitchWinding(enclosure=place, state=to, by=CREW))

    @rule(elbow=st.sampled_from([("S4", "to"), ("S3", "from"), ("S3", "to")]))
    def close_towards_a_live_source(self, elbow: tuple[str, str]) -> None:
        """Ask for what the interlock is there to refuse: the open point and the ends of the likeliest span."""
        self.ask(rq.SwitchEnd(span=elbow[0], end=elbow[1], state="closed", by=CREW))

    @precondition(lambda self: self.state.open_order is not None)
    @rule(n=st.integers(1, 6))
    def sign_any_step(self, n: int) -> None:
        order = self.state.open_order
        assert order is not None
        self.ask(rq.SignStep(order_id=order.order_id, n=n, by=CREW, confirmed_by=SECOND))

    @precondition(lambda self: self.state.open_order is not None and self.state.open_order.next_step is not None)
    @rule(by=PERSON.filter(bool), confirmed=PERSON, readings=st.booleans())
    def sign_the_step_that_is_due(self, by: str, confirmed: str, *, readings: bool) -> None:
        """Sign it as anybody, confirmed by anybody, with or without what it waits for."""
        order = self.state.open_order
        assert order is not None
        step = order.next_step or {}
        measured = needed(step) if readings else {}
        self.ask(signature(order.order_id, step, by=by, confirmed_by=confirmed, measured=measured))

    @precondition(lambda self: not self.state.faulted)
    @rule(span=SPANS)
    def declare(self, span: str) -> None:
        self.ask(rq.DeclareFault(spans=(span,), reason="seen burnt"))

    @precondition(lambda self: self.state.faulted and self.state.closed_at is None)
    @rule(all_of_it=st.booleans())
    def go_on_with_the_work(self, *, all_of_it: bool) -> None:
        """Do what is due, so that random cases reach grounds, repair, return and closing."""
        order = self.state.open_order
        if order is not None and order.status == "draft":
            self.ask(rq.ApproveOrder(order_id=order.order_id))
            return
        if order is not None:
            for step in order.steps[len(order.signatures) :] if all_of_it else [order.next_step or {}]:
                self.ask(signature(order.order_id, step))
            return
        for purpose in ("restore", "ground"):
            if purpose not in self.state.purposes_done:
                self.ask(rq.DraftOrder(purpose=cast("rq.Purpose", purpose)))
                return
        for span in self.state.unrepaired:
            self.ask(rq.RecordRepair(**{**vars_of(REPAIR), "span": span}))
        self.ask(rq.CloseCase() if self.state.phase == "normal" else rq.DraftOrder(purpose="return"))

    @invariant()
    def nothing_grounded_is_alive(self) -> None:
        alive = trace_supply(TOWN, self.state.now).alive
        grounded = (self.state.now.states == EndState.GROUNDED).any(axis=1)
        assert not (alive & grounded).any()

    @invariant()
    def no_sources_tied_and_no_loop(self) -> None:
        assert trace_supply(TOWN, self.state.now).tied == ()
        assert find_loops(TOWN, self.state.now) == ()

    @invariant()
    def what_hangs_under_a_tag_is_open(self) -> None:
        for kind, name, end in self.state.standing.tags:
            if kind == "device" or end is None:
                assert name in self.state.now.open_devices
            else:
                assert self.state.now.states[TOWN.span_row[name], end] not in ON

    @invariant()
    def a_feed_through_holds_a_pair_and_no_ground(self) -> None:
        joined = self.state.now.states == EndState.JOINED
        assert np.bincount(TOWN.spans.enclosure[joined], minlength=1).max() <= 2
        assert not (joined.any(axis=1) & (self.state.now.states == EndState.GROUNDED).any(axis=1)).any()

    @invariant()
    def nothing_under_a_clearance_is_alive(self) -> None:
        """From the moment it is issued; one that is only asked for still waits for its tags."""
        alive = set(TOWN.spans.span_id[trace_supply(TOWN, self.state.now).alive].tolist())
        issued = {name for name, held in self.state.standing.clearances.items() if held.stage != "requested"}
        assert not alive & issued
        assert all(("elbow", name, end) in self.state.standing.tags for name in issued for end in End)

    @invariant()
    def nobody_works_without_grounds(self) -> None:
        for name, held in self.state.standing.clearances.items():
            assert held.stage != "at work" or is_grounded(TOWN, self.state.now, name)

    @invariant()
    def two_people_stand_behind_what_takes_two(self) -> None:
        for order in self.state.orders:
            for step, signed in zip(order.steps, order.signatures, strict=False):
                takes_two = step["action"] in NEEDS_SECOND
                assert not takes_two or (signed.confirmed_by and signed.confirmed_by.lower() != signed.doer.lower())

    @invariant()
    def customers_out_as_an_independent_graph_says(self) -> None:
        assert self.state.out_history[-1][2] == customers_out_by_networkx(self.state.now)

    @invariant()
    def steps_are_signed_in_order_and_one_order_is_open(self) -> None:
        signed: dict[str, list[int]] = {order.order_id: [] for order in self.state.orders}
        for event in self.state.events:
            if isinstance(event.payload, ev.StepSigned):
                signed[event.payload.order_id].append(event.payload.n)
        for order in self.state.orders:
            assert signed[order.order_id] == list(range(1, len(order.signatures) + 1))
            assert (order.status == "done") == (len(order.signatures) == len(order.steps))
        assert sum(order.status not in ("done", "stopped") for order in self.state.orders) <= 1

    @invariant()
    def minutes_never_run_back(self) -> None:
        now = START + timedelta(minutes=self.minutes)
        earlier = customer_minutes(self.state, now)
        assert 0.0 <= earlier <= customer_minutes(self.state, now + timedelta(minutes=1))

    @invariant()
    def only_a_normal_case_closes_without_a_word(self) -> None:
        if self.state.closed_at is not None:
            assert self.state.now == self.state.as_found
            assert not self.state.unrepaired
            assert not self.state.standing

    def teardown(self) -> None:
        """Rebuild the whole case from its events."""
        assert replay(TOWN, self.state.events) == self.state


def vars_of(request: rq.RecordRepair) -> dict[str, Any]:
    return {name: getattr(request, name) for name in request.__dataclass_fields__}


AnyCase.TestCase.settings = settings(
    max_examples=25,
    stateful_step_count=25,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
TestAnyCase = AnyCase.TestCase
