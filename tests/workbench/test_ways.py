"""Ways to restore a case: side by side, one drafted instead of the best, cold load in stages, and the terminal."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from cli.terminal import SAMPLE, ask, refuse, run, write_loop
from loopmend.case import requests as rq
from loopmend.errors import DataError, OrderError
from loopmend.network.assets import End, EndState
from loopmend.network.positions import apply_device, normal_positions
from loopmend.switching.orders import draft_staged
from loopmend.switching.pickup import Pickup
from loopmend.switching.restoration import find_restoration
from loopmend.workbench.cases import load_case, submit
from loopmend.workbench.desk import Desk
from loopmend.workbench.failures import case_failures
from loopmend.workbench.timeline import build_timeline
from loopmend.workbench.ways import (
    WaysAsked,
    case_ways,
    find_stages,
    read_pickup_curve,
    request_of_way,
    say_because,
    say_way,
)
from switching.test_pickup import FAULT, SETTINGS, backfed
from workbench.town import REPAIR, find_s3, open_case, sign
from workbench.town import ask as ask_desk


def found_case(desk: Desk) -> str:
    case_id = open_case(desk)
    find_s3(desk, case_id)
    return case_id


def test_the_first_way_is_what_the_draft_does(desk: Desk) -> None:
    case_id = found_case(desk)
    ways = case_ways(desk, case_id)
    assert ways["format"] == "loopmend/ways/1"
    best = ways["ways"][0]
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    order = load_case(desk, case_id).state.open_order
    assert order is not None
    closed = {(step["span"], step["end"]) for step in order.steps if step["action"] == "close"}
    assert closed == {(end["span"], end["end"]) for end in best["close"]}
    supplied = [way["customers_supplied"] for way in ways["ways"]]
    assert supplied == sorted(supplied, reverse=True)
    assert len({say_way(way) for way in ways["ways"]}) == len(supplied) > 1


def test_another_way_can_be_drafted(desk: Desk) -> None:
    case_id = found_case(desk)
    other = next(way for way in case_ways(desk, case_id)["ways"] if way["leave_open"])
    leave = tuple((name, end) for name, end in other["leave_open"])
    submit(desk, case_id, rq.DraftOrder(purpose="restore", leave_open=leave), actor="N. Adair")
    order = load_case(desk, case_id).state.open_order
    assert order is not None
    done = {(step["span"] or step["enclosure"], step["end"] or "") for step in order.steps if "close" in step["action"]}
    assert done.isdisjoint(leave)


def test_stages_stand_beside_each_way_and_in_the_order(desk: Desk) -> None:
    case_id = found_case(desk)
    ways = case_ways(desk, case_id, WaysAsked(out_minutes=90.0))["ways"]
    for way in ways:
        back = [name for stage in way["stages"] for name in stage["restored"]]
        assert len(back) == len(set(back))
        assert [stage["at_minute"] for stage in way["stages"]] == sorted(s["at_minute"] for s in way["stages"])
    submit(desk, case_id, rq.DraftOrder(purpose="restore", out_minutes=90.0), actor="N. Adair")
    assert load_case(desk, case_id).state.open_order is not None


def test_the_terminal_drafts_the_way_that_is_named(desk: Desk) -> None:
    case_id = found_case(desk)
    at = ("--folder", desk.folder)
    ways = ask("case", "ways", case_id, *at)["ways"]
    n = next(way["n"] for way in ways if way["leave_open"])
    shown = ask("case", "draft", case_id, "restore", "--way", str(n), "--by", "N. Adair", *at)
    closed = {
        (s["span"] or s["enclosure"], s["end"] or "") for s in shown["orders"][-1]["steps"] if "close" in s["action"]
    }
    assert closed.isdisjoint({tuple(closing) for closing in ways[n - 1]["leave_open"]})
    problems = refuse("case", "draft", case_id, "restore", "--way", "12", "--by", "N. Adair", *at)
    assert problems[0]["problem"] == "there are fewer ways to restore"


def past_e2(desk: Desk) -> str:
    """A case with the equipment at E2 and the span S4 beyond E3 faulted: E3 can only be had past E2."""
    case_id = open_case(desk)
    ask_desk(desk, case_id, rq.DeclareFault(spans=("E2", "S4"), reason="seen burnt, dug up"))
    return case_id


def test_a_way_past_faulted_equipment_is_marked_and_never_taken_unasked(desk: Desk) -> None:
    case_id = past_e2(desk)
    first, second = case_ways(desk, case_id)["ways"][:2]
    assert first["past"] == ["E2"]
    assert first["needs"] == (
        "uses a feed-through past E2, where company rules allow it and one of the right class is at hand"
    )
    assert first["join"] == first["close"]
    assert "join S2 and S3 past E2" in say_way(first)
    assert second["past"] == []
    assert second["needs"] == ""
    assert first["customers_supplied"] > second["customers_supplied"]
    submit(desk, case_id, rq.DraftOrder(purpose="restore"), actor="N. Adair")
    assert "join" not in {step["action"] for step in load_case(desk, case_id).state.orders[-1].steps}


def test_from_a_way_past_equipment_to_its_repair_and_back_to_normal(desk: Desk) -> None:
    """Carried out to the end and undone: the record closes with as left equal to as found, without a note."""
    case_id = past_e2(desk)
    first = case_ways(desk, case_id)["ways"][0]
    carry_out(desk, case_id, request_of_way(first))
    state = load_case(desk, case_id).state
    order = state.orders[-1]
    assert [step["enclosure"] for step in order.steps if step["action"] == "join"] == ["E2", "E2"]
    assert any(remark.startswith("supply is led past E2 on a feed-through: where company") for remark in order.remarks)
    assert (state.now.states == EndState.JOINED).sum() == 2
    repair = rq.RecordRepair(
        span="E2",
        component="equipment",
        cause="age",
        work="new transformer",
        proof_method="hipot",
        proof_verdict="good",
    )
    with pytest.raises(OrderError, match="S2 is not grounded at both ends"):
        submit(desk, case_id, repair, actor="J. Orme")
    carry_out(desk, case_id, rq.DraftOrder(purpose="ground"))
    state = load_case(desk, case_id).state
    assert sorted(state.standing.clearances) == ["S2", "S3", "S4"]
    ask_desk(desk, case_id, repair, replace(REPAIR, span="S4"))
    carry_out(desk, case_id, rq.DraftOrder(purpose="return"))
    state = load_case(desk, case_id).state
    assert state.now == state.as_found
    ask_desk(desk, case_id, rq.CloseCase())
    lines = [entry.says for entry in build_timeline(load_case(desk, case_id).state)]
    assert "Fault declared on S4, the equipment at E2" in " ".join(lines)
    assert any(
        line.startswith("Repair of the equipment at E2: equipment, cause age; new transformer") for line in lines
    )
    assert any("as left equals as found" in line for line in lines)
    failed = case_failures(case_id, load_case(desk, case_id).state)
    assert [(one.failure_id, one.span_id) for one in failed] == [(f"{case_id} E2", None), (f"{case_id} S4", "S4")]


def test_equipment_alone_stays_isolated_under_tags_until_the_way_back(desk: Desk) -> None:
    case_id = open_case(desk)
    ask_desk(desk, case_id, rq.DeclareFault(spans=("E2",), reason="seen burnt"))
    carry_out(desk, case_id, rq.DraftOrder(purpose="restore"))
    state = load_case(desk, case_id).state
    assert sorted((span, end) for kind, span, end in state.standing.tags if kind == "elbow") == [
        ("S2", End.TO),
        ("S3", End.FROM),
    ]
    request = rq.SwitchEnd(span="S3", end="from", state="closed")
    with pytest.raises(OrderError, match="faulted enclosure"):
        submit(desk, case_id, request, actor="J. Orme")


def carry_out(desk: Desk, case_id: str, request: rq.DraftOrder) -> None:
    """Draft, approve, sign every step."""
    ask_desk(desk, case_id, request)
    order = load_case(desk, case_id).state.orders[-1]
    ask_desk(desk, case_id, rq.ApproveOrder(order_id=order.order_id), actor="M. Sorley")
    for step in order.steps:
        sign(desk, case_id, order.order_id, step)


def test_without_a_declared_fault_there_is_nothing_to_restore(desk: Desk) -> None:
    with pytest.raises(OrderError, match="no fault is declared"):
        case_ways(desk, open_case(desk))


def test_an_unknown_closing_is_refused_by_name(desk: Desk) -> None:
    case_id = found_case(desk)
    with pytest.raises(Exception, match="S99"):
        submit(desk, case_id, rq.DraftOrder(purpose="restore", leave_open=(("S99", "to"),)), actor="N. Adair")


def test_a_curve_is_read_and_refused_line_by_line(tmp_path: Path) -> None:
    sheet = tmp_path / "curve.csv"
    sheet.write_text("minutes,factor\n0,1\n30,2\n")
    assert read_pickup_curve(sheet).points == ((0.0, 1.0), (30.0, 2.0))
    sheet.write_text("minutes,factor\n0,one\nx,2\n")
    with pytest.raises(DataError) as refused:
        read_pickup_curve(sheet)
    assert [finding.asset_id for finding in refused.value.findings] == ["line 2", "line 3"]
    sheet.write_text("time,factor\n0,1\n")
    with pytest.raises(DataError, match="a column is missing"):
        read_pickup_curve(sheet)


def test_the_terminal_lists_ways_and_stages(tmp_path: Path) -> None:
    loop = write_loop(tmp_path / "loop")
    found = ask("restore", loop, "--fault", "S2", "--alternatives", "3", "--out-minutes", "60")
    assert [way["n"] for way in found["alternatives"]] == list(range(1, len(found["alternatives"]) + 1))
    assert found["alternatives"][0]["close"] == found["close"]
    assert "alternatives" not in ask("restore", loop, "--fault", "S2")
    text = run("restore", SAMPLE, "--fault", "S-0106", "--alternatives", "2", "--out-minutes", "90").stdout
    assert "Ways to restore, the best first" in text
    assert "minute 0:" in text
    flat = tmp_path / "flat.csv"
    flat.write_text("minutes,factor\n0,1\n")
    plain = ask("restore", loop, "--fault", "S2", "--out-minutes", "60", "--pickup-curve", flat)
    assert all(stage["wait_minutes"] == 0 for stage in plain["alternatives"][0]["stages"])
    flat.write_text("minutes,factor\n0,0.2\n")
    problems = refuse("restore", loop, "--fault", "S2", "--out-minutes", "60", "--pickup-curve", flat)
    assert "factor of the curve is below 1" in problems[0]["problem"]


def test_a_stage_says_which_limit_parts_the_stretch(tmp_path: Path) -> None:
    """50 kVA at 7.2 kV are 6.94 A; E1 to E3, out two hours, draw 2.5 times that beside E4's 6.94 A: 60 of R2's 45 A."""
    loop = write_loop(tmp_path / "loop")
    lines = (loop / "enclosures.csv").read_text().splitlines()
    limits = ("source_limit_a", *("45" if line.startswith("R") else "" for line in lines[1:]))
    (loop / "enclosures.csv").write_text(
        "\n".join(f"{limit},{line}" for limit, line in zip(limits, lines, strict=True))
    )
    asked = ("restore", loop, "--fault", "S1", "--alternatives", "1", "--out-minutes", "120")
    stages = ask(*asked)["alternatives"][0]["stages"]
    parted = next(stage for stage in stages if stage["parts_the_stretch"])
    (because,) = parted["because"]
    assert (because["id"], because["what"], because["limit"]) == ("R2", "source_amps", 45.0)
    # The device and both ends of S1 take 3 x 4 minutes first: after 132 minutes 2.5 + 0.5 x 12 / 120 times.
    amps = 50 / 7.2 * (1 + 3 * 2.55)
    assert because["value"] == pytest.approx(amps, rel=0.005)  # four spans of 0.06 ohm lose 0.2 % at most
    assert because["says"] == parted["reason"] == f"source R2 would carry {because['value']:.1f} A, limit 45.0 A"
    text = run(*asked).stdout
    assert (
        f"(parts the dead stretch); loading {parted['highest_loading_pct']:.0f} %; because, closed whole, source R2"
        in text
    )
    for stage in stages:
        assert bool(stage["because"]) == (stage["parts_the_stretch"] or stage["wait_minutes"] > 0)
        assert (say_because(stage) != "") == bool(stage["because"])


@pytest.mark.parametrize("limit_a", [40.0, 70.2, 1000.0])
def test_the_stages_of_a_way_are_those_of_its_order(limit_a: float) -> None:
    """At 70.2 A the six padmounts would fit after 120 minutes (69.6 A), not after the 12 of the isolation (71 A)."""
    circuit, _ = backfed(limit_a)
    now = apply_device(normal_positions(circuit), "R1", closed=False)
    found = find_restoration(circuit, now, ["S1"], lowest_volts_pu=0.5)
    pickup = Pickup(out_minutes=120.0, step_minutes=4.0)
    stages = find_stages(circuit, found, FAULT, pickup, SETTINGS)
    order = draft_staged(circuit, now, found, FAULT, staging=(pickup, SETTINGS))[0]
    made = [(stage.change.step.action, stage.change.step.span) for stage in stages]
    assert [(step.action, step.span) for step in order[-len(made) :]] == made
    assert any(stage.split for stage in stages) == (limit_a < 100.0)
    for stage, step in zip(stages, order[-len(made) :], strict=True):
        assert stage.reason in step.before
