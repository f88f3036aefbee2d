"""Ways to test a stretch where the crew stands: which may be made by the record, and what they take."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from case.playing import KNOWN, TOWN, ask, opened
from loopmend.case import requests as rq
from loopmend.case.assessment import assess
from loopmend.case.settings import Settings
from loopmend.case.test_ways import ELBOW_MINUTES, FEED_THROUGH_MINUTES, TestWay, find_test_ways
from loopmend.errors import NetworkError
from loopmend.evidence.methods import load_methods
from loopmend.locate.dead import DeadPart, find_dead_part
from loopmend.network.assets import Enclosure, EnclosureKind, End, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, apply_device, apply_end_state, apply_end_states, normal_positions

DARK = apply_device(normal_positions(TOWN), "R1", closed=False)
"""R1 operated: S1 to S4 and E1 to E3 are dead, E4 is alive from R2."""

ISOLATED = {"hipot", "dc_hipot", "insulation", "vlf"}


def dead_part(circuit: Circuit = TOWN) -> DeadPart:
    here = normal_positions(circuit)
    return find_dead_part(circuit, here, here, ["R1"])


def ways(
    at: str, *spans: str, now: Positions = DARK, circuit: Circuit = TOWN, records: Any = (), **given: Any
) -> dict[str, TestWay]:
    found = find_test_ways(circuit, now, dead_part(circuit), at, spans, settings=Settings(**given), records=records)
    return {way.method: way for way in found}


def usual(at: str, *spans: str, **given: Any) -> str:
    return next(iter(ways(at, *spans, **given)))


def test_every_method_of_the_table_is_answered_for() -> None:
    assert set(ways("E2", "S3")) == set(load_methods())


@pytest.mark.practice
def test_a_source_voltage_hipot_needs_a_live_bushing_where_the_crew_stands() -> None:
    # In the dead part nothing is alive, so a set with a source of its own is the usual way; at E4 there is supply.
    inside, at_open_point = ways("E2", "S3"), ways("E4", "S4")
    assert not inside["hipot"].may
    assert any("live bushing" in reason for reason in inside["hipot"].reasons)
    assert next(iter(inside)) == "dc_hipot"
    assert at_open_point["hipot"].may
    assert next(iter(at_open_point)) == "hipot"


def test_one_span_takes_the_method_and_an_elbow_at_each_end() -> None:
    # S3 from E2: park here, drive 100 m, park at E3, drive back: 12 + 2 * 1.5 + 200 / 250.
    way = ways("E2", "S3")["dc_hipot"]
    assert way.operations == ("At E2: park the elbow of S3", "At E3: park the elbow of S3")
    assert way.minutes == pytest.approx(12.0 + 2 * ELBOW_MINUTES + 200.0 / 250.0)
    assert (way.people, way.spans) == (2, ("S3",))


def test_several_spans_are_joined_past_each_transformer_in_order() -> None:
    # S2 to S4 from E1: park here; E2 and E3 lie between; S4 is open already at E4, so nobody drives beyond E3.
    way = ways("E1", "S2", "S3", "S4")["dc_hipot"]
    assert way.operations == (
        "At E1: park the elbow of S2",
        "At E2: join S2 and S3 by a feed-through past the transformer",
        "At E3: join S3 and S4 by a feed-through past the transformer",
    )
    assert way.minutes == pytest.approx(12.0 + 5 * ELBOW_MINUTES + 2 * FEED_THROUGH_MINUTES + 400.0 / 250.0)
    assert "no_winding" in way.ask
    assert way.may


def test_spans_between_those_named_are_joined_under_test() -> None:
    assert ways("E1", "S4", "S2")["dc_hipot"].spans == ("S2", "S3", "S4")
    assert ways("E1", "S3")["dc_hipot"].spans == ("S2", "S3")  # S3 alone is reached from E1 only by way of S2


def test_an_elbow_that_is_parked_already_costs_nothing() -> None:
    parked = apply_end_state(TOWN, DARK, "S3", End.FROM, EndState.OPEN)
    before, after = ways("E2", "S3")["dc_hipot"], ways("E2", "S3", now=parked)["dc_hipot"]
    assert after.operations == before.operations[1:]
    assert after.minutes == pytest.approx(before.minutes - ELBOW_MINUTES)


def test_a_ground_is_to_be_taken_off_first_and_forbids_energizing() -> None:
    grounded = apply_end_state(TOWN, DARK, "S3", End.TO, EndState.GROUNDED)
    found = ways("E2", "S3", now=grounded, closing="untested")
    assert found["dc_hipot"].operations[1] == "At E3: take the ground off S3"
    assert any("ground" in reason for reason in found["energize"].reasons)


def test_a_trace_needs_only_the_elbow_here() -> None:
    way = ways("E1", "S2", "S3")["reflectometer"]
    assert way.operations == ("At E1: park the elbow of S2",)
    assert way.minutes == pytest.approx(8.0 + ELBOW_MINUTES)


def test_what_is_alive_is_not_tested() -> None:
    found = ways("E4", "S5")
    assert not any(found[method].may for method in (*ISOLATED, "reflectometer"))
    assert "alive by the record: S5" in found["dc_hipot"].reasons


@pytest.mark.parametrize(
    ("at", "spans", "words"),
    [
        ("R2", ("S3",), "stand at E2 or E3"),
        ("", ("S3",), "none of the spans lands at the place"),
        ("E2", (), "no span"),
    ],
)
def test_a_stretch_that_does_not_land_here_is_not_tested_from_here(at: str, spans: tuple[str, ...], words: str) -> None:
    found = ways(at, *spans)
    assert not any(way.may for way in found.values())
    assert words in found["vlf"].reasons[0]


def test_an_unknown_span_is_refused_by_name() -> None:
    with pytest.raises(NetworkError, match="S9"):
        ways("E2", "S9")


def test_the_method_of_the_settings_comes_first_where_it_may_be_made() -> None:
    assert usual("E2", "S3", method="vlf") == "vlf"
    assert usual("E2", "S3", method="hipot") == "dc_hipot"
    assert usual("E2", "S3", method="indicator") == "dc_hipot"  # none is mounted there


def test_quick_but_blind_methods_come_after_those_that_see_enough() -> None:
    order = list(ways("E2", "S3"))
    assert order.index("dc_hipot") < order.index("vlf") < order.index("insulation")
    assert order.index("insulation") < order.index("reflectometer")


def test_energizing_follows_the_settings_of_the_company() -> None:
    good = {"kind": "test", "span": "S3", "method": "dc_hipot", "verdict": "good"}
    bad = {**good, "verdict": "breakdown"}
    held = {"kind": "energized", "spans": ["S1"], "held": True}

    def may(records: list[dict[str, Any]], **given: Any) -> bool:
        return ways("E2", "S3", records=records, **given)["energize"].may

    assert not may([good], closing="never")
    assert not may([], closing="after_test")
    assert may([good], closing="after_test")
    assert may([], closing="untested")
    assert not may([bad], closing="untested")
    assert may([held], closing="untested", closings_at_most=2)
    assert not may([held, held], closing="untested", closings_at_most=2)


def test_a_bad_test_of_more_than_the_stretch_does_not_speak_against_it_alone() -> None:
    wide = {"kind": "test", "spans": ["S2", "S3"], "method": "dc_hipot", "verdict": "breakdown"}
    assert ways("E2", "S3", records=[wide], closing="untested")["energize"].may


def test_what_must_be_said_on_the_spot_is_asked() -> None:
    found = ways("E4", "S4")
    assert found["hipot"].ask == (
        "isolated",
        "proven_dead",
        "called",
        "far_end_guarded",
        "live_bushing_here",
        "no_arrester",
    )
    assert found["indicator"].ask == ()
    assert found["energize"].ask == ("called", "no_ground")


def test_an_indicator_is_read_where_one_is_mounted() -> None:
    spans = [TOWN.span(name) for name in TOWN.span_row]
    fitted = [replace(span, indicator_from=span.span_id == "S3") for span in spans]
    circuit = build_circuit([TOWN.enclosure(name) for name in TOWN.enclosure_row], fitted)
    assert ways("E2", "S3", circuit=circuit)["indicator"].may
    assert not ways("E3", "S3", circuit=circuit)["indicator"].may


def crossing(kind: EnclosureKind, kva: float) -> Circuit:
    """R1 -S1- X, from where S2 leads to A and S3 to B."""
    place = {"phases": "A"}
    enclosures = [
        Enclosure(enclosure_id="R1", kind=EnclosureKind.RISER, source_kv=12.47, **place),
        Enclosure(enclosure_id="X", kind=kind, kva=kva, **place),
        Enclosure(enclosure_id="A", kind=EnclosureKind.PADMOUNT, **place),
        Enclosure(enclosure_id="B", kind=EnclosureKind.PADMOUNT, **place),
    ]
    spans = [
        Span(span_id=name, from_enclosure=a, to_enclosure=b, length_m=100.0, phases="A")
        for name, a, b in (("S1", "R1", "X"), ("S2", "X", "A"), ("S3", "X", "B"))
    ]
    return build_circuit(enclosures, spans)


def test_three_spans_at_a_transformer_are_not_joined_by_a_feed_through() -> None:
    circuit = crossing(EnclosureKind.PADMOUNT, 50.0)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = ways("R1", "S1", "S2", "S3", circuit=circuit, now=now)
    assert not any(found[method].may for method in ISOLATED)
    assert "a feed-through joins two" in found["vlf"].reasons[0]
    assert ways("R1", "S1", "S2", circuit=circuit, now=now)["vlf"].may


def test_at_a_cabinet_the_stretch_stays_joined_and_the_branch_is_parked() -> None:
    circuit = crossing(EnclosureKind.CABINET, 0.0)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    way = ways("R1", "S1", "S2", circuit=circuit, now=now)["dc_hipot"]
    assert "At X: open the switch way of S3, which branches off" in way.operations
    assert "no_winding" not in way.ask
    assert ways("R1", "S1", "S2", "S3", circuit=circuit, now=now)["vlf"].may


spans_of_town = st.lists(st.sampled_from(["S1", "S2", "S3", "S4"]), min_size=1, max_size=4)


@given(at=st.sampled_from(["R1", "E1", "E2", "E3", "E4"]), spans=spans_of_town, extra=spans_of_town)
def test_more_spans_never_take_less_and_never_allow_more(at: str, spans: list[str], extra: list[str]) -> None:
    few, more = ways(at, *spans), ways(at, *spans, *extra)
    for method in ISOLATED:
        if few[method].may and more[method].may and set(few[method].spans) <= set(more[method].spans):
            # a second span at the crew's own place turns an end into a joint, which parks no fewer elbows
            assert more[method].minutes >= few[method].minutes - 1e-9
        assert (not few[method].reasons) == few[method].may
    first = next(iter(few.values()))
    assert first.may or not any(way.may for way in few.values())


def test_minutes_to_split_are_reckoned_where_the_settings_leave_them_out() -> None:
    plain = opened()
    reckoned = ask(plain, rq.ChangeAssumptions(assumptions={"settings": {"split_minutes": 0.0}}))
    given = ask(reckoned, rq.ChangeAssumptions(assumptions={"minutes": {"split": {"E2": 33.0}}}))
    assert not assess(KNOWN, plain).assumptions.times.split
    minutes = assess(KNOWN, reckoned).assumptions.times.split
    # At E3 the soonest is S4, open already at E4: 12 + 1.5. At E2 both ends of S2 or S3: 12 + 3 + 200 / 250.
    assert minutes["E3"] == pytest.approx(12.0 + ELBOW_MINUTES)
    assert minutes["E2"] == pytest.approx(12.0 + 2 * ELBOW_MINUTES + 200.0 / 250.0)
    assert assess(KNOWN, given).assumptions.times.split == {**minutes, "E2": 33.0}


# --- elbows on a feed-through ------------------------------------------------------------------------------------

LED = apply_end_states(TOWN, DARK, [("S2", End.TO, EndState.JOINED), ("S3", End.FROM, EndState.JOINED)])
"""As before, with S2 and S3 led past the transformer at E2."""


def led_ways(at: str, *spans: str, now: Positions = LED) -> dict[str, TestWay]:
    found = find_test_ways(TOWN, now, find_dead_part(TOWN, LED, LED, ["R1"]), at, spans)
    return {way.method: way for way in found}


def test_an_elbow_on_a_feed_through_joins_the_cable_beyond_and_comes_off_it() -> None:
    here, far = led_ways("E2", "S3")["dc_hipot"], led_ways("E1", "S2")["dc_hipot"]
    off = "At E2: take the elbow of {} off the feed-through and park it"
    assert here.operations == (off.format("S3"), "At E3: park the elbow of S3")
    assert far.operations == ("At E1: park the elbow of S2", off.format("S2"))
    assert far.minutes == pytest.approx(12.0 + 2 * ELBOW_MINUTES + 200.0 / 250.0)


def test_spans_that_a_feed_through_joins_are_tested_as_they_are() -> None:
    way = led_ways("E1", "S2", "S3")["dc_hipot"]
    assert way.operations == ("At E1: park the elbow of S2", "At E3: park the elbow of S3")
    assert "no_winding" not in way.ask  # by the record the winding at E2 is passed
    assert way.may
    assert led_ways("E1", "S3")["dc_hipot"].spans == ("S2", "S3")


def test_an_elbow_parked_off_a_feed_through_goes_back_onto_it() -> None:
    parted = apply_end_state(TOWN, LED, "S3", End.FROM, EndState.OPEN)
    way = led_ways("E1", "S2", "S3", now=parted)["dc_hipot"]
    assert "At E2: put the elbow of S3 on the feed-through beside S2" in way.operations
    assert way.minutes == pytest.approx(12.0 + 3 * ELBOW_MINUTES + 400.0 / 250.0)
    assert led_ways("E2", "S3", now=parted)["dc_hipot"].operations == ("At E3: park the elbow of S3",)


def test_a_feed_through_that_others_stand_on_comes_free_first_or_not_at_all() -> None:
    # S1 and S3 are to be tested together past X; S2 is alone on the feed-through there, or S2 and S4 are.
    circuit = crossing(EnclosureKind.PADMOUNT, 50.0)
    dark = apply_device(normal_positions(circuit), "R1", closed=False)
    alone = apply_end_state(circuit, dark, "S2", End.FROM, EndState.JOINED)
    found = find_test_ways(circuit, alone, find_dead_part(circuit, dark, alone, ["R1"]), "R1", ["S1", "S3"])
    steps = next(way for way in found if way.method == "vlf").operations
    assert "At X: take the elbow of S2 off the feed-through and park it" in steps
    assert steps.index("At X: join S1 and S3 by a feed-through past the transformer") > 0
    more = build_circuit(
        [circuit.enclosure(name) for name in circuit.enclosure_row],
        [*(circuit.span(name) for name in circuit.span_row), replace(circuit.span("S3"), span_id="S4")],
    )
    dark = apply_device(normal_positions(more), "R1", closed=False)
    taken = apply_end_states(more, dark, [(span, End.FROM, EndState.JOINED) for span in ("S2", "S4")])
    found = find_test_ways(more, taken, find_dead_part(more, taken, taken, ["R1"]), "R1", ["S1", "S3"])
    (way,) = [way for way in found if way.method == "vlf"]
    assert not way.may
    assert "the feed-through at X is taken by S2 and S4" in way.reasons[0]
