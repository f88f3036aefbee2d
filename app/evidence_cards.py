"""Cards of a test: what must be called and confirmed first, its readings with their verdict, the drain after it."""

from __future__ import annotations

from typing import Any

import streamlit as st

from drawing_style import percent_text
from drill_answers import offer_readings
from evidence_plot import draw_readings
from loopmend.workbench import requests as rq
from loopmend.workbench import testing
from loopmend.workbench.kit import case_kit
from loopmend.workbench.methods_here import TestWay, find_ways_here, say_minutes
from loopmend.workbench.other_readings import asked_of_step, judge_step
from loopmend.workbench.requests import Channel
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.stretch import Stretch, TestSet, expected_course, find_stretch
from narrow_table import show_table
from reading_entry import WAYS, ask_set, enter_readings, enter_resistance, enter_trace
from session import act, desk, plain, unit

SIDES = {"beyond": "away from source", "near": "towards source"}


@st.fragment
def split_card(screen: CaseScreen, channel: Channel) -> None:
    """Take the result of the split that is due: side, gates, verdict or readings, record."""
    todo = screen.todo
    items = {todo.side: todo.tested, ("near" if todo.side == "beyond" else "beyond"): todo.other}
    side = st.segmented_control(
        "1. Side tested",
        list(SIDES),
        default=todo.side,
        required=True,
        format_func=SIDES.__getitem__,
        key=f"crew-side-{len(screen.evidence)}",
    )
    tested = items[str(side)]
    spans = tuple(name for name in tested if name in screen.whole_view.spans)
    enclosures = tuple(name for name in tested if name in screen.whole_view.enclosures)
    _test(screen, spans, enclosures, todo.at, channel, f"crew-{len(screen.evidence)}-{side}")


@st.fragment
def test_card(screen: CaseScreen, spans: tuple[str, ...], at: str, channel: Channel) -> None:
    """Take the result of a test of any spans."""
    if spans:
        _test(screen, spans, (), at, channel, f"more-{len(screen.evidence)}-{'-'.join(spans)}")


def _test(
    screen: CaseScreen, spans: tuple[str, ...], enclosures: tuple[str, ...], at: str, channel: Channel, key: str
) -> None:
    stretch = find_stretch(desk(), screen.case_id, spans, at=at, unit=unit())
    names = testing.method_names(with_spans=bool(spans))
    ways = find_ways_here(desk(), screen.case_id, spans, at=at)
    usual = ways[0].method if ways else next(iter(names))
    method = str(
        st.selectbox(
            "Test",
            list(names),
            index=list(names).index(usual) if usual in names else 0,
            format_func=names.__getitem__,
            key=f"{key[:4]}-method-{bool(spans)}-{usual}",
        )
    )
    _show_ways(ways, method, f"{key[:4]}-methods")
    _show_stretch(stretch, enclosures)
    phases = _ask_phases(stretch, key)
    vouched = called_in_by(key) if channel == "radio" else ""
    said = _confirm(method, stretch, f"{key}-{method}")
    if channel == "field" and not testing.gates_ticked(method, said):
        st.caption("The verdict is asked for when these are called and confirmed.")
        return
    offer_readings(screen, method, spans, enclosures, said, stretch=stretch, at=at, key=key)
    judged, proposed, made = _measure(screen, method, stretch, key)
    verdict, reason = _ask_verdict(judged.verdict.verdict if judged else proposed, f"{key}-{method}")
    test = testing.MadeTest(
        method=method,
        spans=spans,
        enclosures=enclosures,
        at=at,
        said=frozenset(said),
        verdict=verdict,
        judged=judged,
        proposed=proposed,
        overrule_reason=reason,
        made=made,
        phases=phases,
    )
    request = testing.build_record(test, stretch, channel=channel, vouched_by=vouched)
    act("4. Record", screen, request, key=f"{key}-record", primary=True, disabled=not verdict)


def _show_ways(ways: tuple[TestWay, ...], method: str, key: str) -> None:
    """Show what to move before the chosen test, why it may not be made here, and every other way beside it."""
    if not ways:
        return
    chosen = next(way for way in ways if way.method == method)
    if not chosen.may:
        st.warning("**Not here by the record:**\n" + "".join(f"\n- {plain(reason)}" for reason in chosen.reasons))
    elif chosen.operations:
        st.caption("First:\n" + "\n".join(f"1. {plain(step)}" for step in chosen.operations))
    with st.expander(f"Ways to test here: {sum(way.may for way in ways)} of {len(ways)}"):
        show_table(
            {
                "Way": [plain(way.name) for way in ways],
                "Takes": [say_minutes(way) for way in ways],
                "Sees a fault": [percent_text(way.sensitivity) for way in ways],
                "Here": ["yes" if way.may else plain("; ".join(way.reasons)) for way in ways],
            },
            key,
        )


def _show_stretch(stretch: Stretch | None, enclosures: tuple[str, ...]) -> None:
    """Say in one line what is under test."""
    if stretch is None:
        st.caption(
            f"Only equipment is left on this side: {plain(', '.join(enclosures))}. No test of cable tells of it."
        )
        return
    spans = stretch.span_ids
    named = f"{spans[0]} to {spans[-1]}, {len(spans)} spans" if len(spans) > 2 else " and ".join(spans)
    capacitance = "" if stretch.capacitance_uf is None else f", {1000 * stretch.capacitance_uf:.0f} nF"
    st.caption(
        plain(f"{named}: {stretch.length_text}{capacitance}, {stretch.phase_to_ground_kv:.1f} kV phase to ground.")
    )


def _ask_phases(stretch: Stretch | None, key: str) -> str:
    """Ask which phases are under test where there are several: all unless the person says otherwise."""
    if stretch is None or len(stretch.phases) < 2:
        return ""
    chosen = st.segmented_control(
        "Phases under test (none chosen: all)", list(stretch.phases), selection_mode="multi", key=f"{key}-phases"
    )
    return (
        "" if len(chosen) == len(stretch.phases) else "".join(letter for letter in stretch.phases if letter in chosen)
    )


def called_in_by(key: str) -> str:
    """Ask who called it in by radio and vouches for it."""
    return st.text_input("Called in by (who vouches for it)", key=f"vouched-{key}").strip()


def _confirm(method: str, stretch: Stretch | None, key: str) -> set[str]:
    """Ask what is called and confirmed: each by itself, or all at once; folded away when all are."""
    statements = testing.statements_for(method, stretch)
    keys = {name: f"{key}-said-{name}" for name in statements}
    said = {name for name in statements if st.session_state.get(keys[name])}
    done = len(said) == len(statements)
    label = "2. Called and confirmed: all" if done else "2. Called and confirmed"
    with st.expander(label, expanded=not done, key=f"{key}-gates-{done}"):
        for name, says in statements.items():
            st.checkbox(says, key=keys[name], persist_state="session")
        if not done:
            st.button("All called and confirmed", key=f"{key}-all", width="stretch", on_click=_say_all, args=(keys,))
    if said:
        _warn(method, stretch, said)
    return said


def _warn(method: str, stretch: Stretch | None, said: set[str]) -> None:
    """Say what speaks against the test as it stands: loudly where it would not count."""
    told = [plain(text) for text in testing.warnings_here(method, stretch, said)]
    if not told:
        return
    if testing.is_valid_here(method, stretch, said):
        st.caption("\n".join(f"- Keep in mind: {text}." for text in told))
    else:
        st.warning("**Not valid as it stands: it will count as inconclusive.**\n" + "".join(f"\n- {t}" for t in told))


def _say_all(keys: dict[str, str]) -> None:
    for key in keys.values():
        st.session_state[key] = True


def _measure(
    screen: CaseScreen, method: str, stretch: Stretch | None, key: str
) -> tuple[testing.Judged | None, str, dict[str, Any]]:
    """Take readings where the method has any: what they say, the proposed verdict, how it was measured."""
    if stretch is None:
        return None, "", {}
    if method == "insulation":
        proposed, made = enter_resistance(stretch, key)
        return None, proposed, made
    if method == "reflectometer":
        return None, "", enter_trace(stretch, key)
    if method != "hipot":
        return None, "", {}
    way = st.segmented_control(
        "3. Result", list(WAYS), default="verdict", required=True, format_func=WAYS.__getitem__, key=f"{key[:4]}-way"
    )
    if way == "verdict":
        return None, "", {}
    entry, shown = st.container(), st.container()
    given = ask_set(stretch, f"{key[:4]}-set")
    judged = enter_readings(screen, str(way), stretch, given, f"{key}-{way}", entry=entry)
    with shown:
        _show_judged(judged, stretch, given, f"{key[:4]}-plot")
    return judged, "", {}


def _show_judged(judged: testing.Judged | None, stretch: Stretch, given: TestSet, key: str) -> None:
    """Show the plot over the expected course, the proposed verdict with its reasons, and what to do now."""
    readings = judged.raw if judged else ()
    expected = expected_course(stretch, given, max((t for t, _ in readings), default=0.0))
    if judged is not None:
        found = judged.verdict
        st.markdown(f"### {found.verdict.capitalize()}, confidence {percent_text(found.confidence)}")
        st.markdown(f"**{plain(found.next)}**")
    if readings or judged is None:
        words = "Readings over the course expected of this stretch"
        st.altair_chart(draw_readings(readings, expected, given.source_kv), theme=None, alt=words, key=key)
    if judged is not None:
        st.markdown("\n".join(f"- {plain(reason)}" for reason in (*judged.verdict.reasons, *judged.verdict.repairs)))
    if expected is not None:
        st.caption(plain(expected.says))


def _ask_verdict(proposed: str, key: str) -> tuple[str, str]:
    """Ask what the test is taken for: the proposal unless the person says otherwise, with the reason."""
    taken = st.segmented_control(
        "Taken as" if proposed else "Verdict",
        list(testing.VERDICTS),
        default=proposed or None,
        required=bool(proposed),
        key=f"{key}-verdict-{proposed}",
    )
    reason = ""
    if proposed and taken != proposed:
        reason = st.text_input(f"Why not {proposed}?", key=f"{key}-why")
    return str(taken or ""), reason


def drain_card(screen: CaseScreen, channel: Channel) -> None:
    """Take the drain down to zero and the ground; nothing else goes on before."""
    record = screen.todo.evidence_id
    zero = st.toggle("Drained: display watched down to 0 kV", key=f"drain-zero-{record}")
    ground = st.toggle("Ground is on", key=f"drain-ground-{record}")
    vouched = called_in_by(f"drain-{record}") if channel == "radio" else ""
    request = rq.RecordDrain(
        evidence_id=record, reading_kv=0.0, ground_on=ground, at_enclosure=screen.todo.at, vouched_by=vouched
    )
    ready = zero and ground and (channel != "radio" or bool(vouched))
    act("Record drain and ground", screen, request, key=f"drain-go-{record}", primary=True, disabled=not ready)
    st.caption("If it does not go to zero, it is alive: keep away, call it in, find the source.")
    if record not in dict(screen.standing):
        why = st.text_input("The test was never made: why", key=f"drain-never-{record}")
        never = rq.RecordDrain(evidence_id=record, never_charged=why)
        act("Nothing was charged", screen, never, key=f"drain-never-go-{record}", disabled=not why)


def ask_measured(screen: CaseScreen, step: dict[str, Any]) -> dict[str, Any]:
    """Ask for the readings a step stands on, and show whether they allow it; empty where it needs none."""
    asked = asked_of_step(desk(), screen.case_id, step)
    if not asked.kind:
        return {}
    order = screen.open_order
    key = f"measured-{screen.case_id}-{order.order_id if order else ''}-{step['n']}"
    rows, complete = [], True
    for phase in asked.phases if asked.kind == "phasing" else ():
        row = _phase_row(phase, asked.sides, key)
        complete = complete and None not in row.values()
        rows.append(row)
    measured: dict[str, Any] = {"readings": rows}
    if asked.kind == "presence":
        reading = st.number_input(f"Tester at the {asked.noun}, kV", value=None, min_value=0.0, key=f"{key}-kv")
        if reading is None:
            return {}
        measured = {"reading_kv": reading}
    measured["tester_before"] = st.checkbox("Tester proved on a live source before", key=f"{key}-before")
    measured["tester_after"] = st.checkbox("and again after", key=f"{key}-after")
    if complete:
        _show_allowed(*judge_step(desk(), screen.case_id, step, measured))
    return measured


def _phase_row(phase: str, sides: tuple[str, str], key: str) -> dict[str, Any]:
    row: dict[str, Any] = {"phase": phase}
    with st.container(horizontal=True):
        for name, label in zip(("across_kv", "side_a_kv", "side_b_kv"), ("across", *sides), strict=True):
            row[name] = st.number_input(f"{phase} {label}, kV", value=None, min_value=0.0, key=f"{key}-{phase}-{name}")
    return row


def _show_allowed(allowed: bool, told: tuple[str, ...]) -> None:  # noqa: FBT001 - the answer as it comes
    text = plain(". ".join(told)) or "allowed"
    if allowed:
        st.success(f"**{text.capitalize()}**: the step may be signed.")
    else:
        st.error(f"**Do not go on.** {text}")


def kit_card(screen: CaseScreen) -> None:
    """List what to load on the truck for this case."""
    with st.expander("Kit list", key="kit-open", on_change="rerun") as box:
        if box.open:
            items = case_kit(desk(), screen.case_id)
            show_table(
                {
                    "Take": [f"{item.quantity} x {plain(item.item)}" for item in items],
                    "Rating": [plain(item.rating) for item in items],
                    "Why": [plain(item.why) for item in items],
                },
                "kit-table",
            )
