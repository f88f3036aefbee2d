"""Put a case's order on paper: gather what the sheet says, render it, write it whole or not at all.

What is the same for a plan on paper stands here too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Literal, cast, get_args

from loopmend.case import events as ev
from loopmend.case.state import CaseState, Order
from loopmend.errors import DataError
from loopmend.files.order_html import render_order_html
from loopmend.files.order_pdf import render_order_pdf
from loopmend.files.order_sheet import OrderSheet, SheetStep
from loopmend.files.plan_html import render_plan_html
from loopmend.files.plan_pdf import render_plan_pdf
from loopmend.files.plan_sheet import PlanSheet
from loopmend.files.sheet_page import Paper
from loopmend.files.whole import write_whole
from loopmend.network.assets import End
from loopmend.network.graph import Circuit
from loopmend.network.loop_layout import LoopLayout, lay_out_loops
from loopmend.network.oneline import LengthUnit, OneLineView, build_oneline_view
from loopmend.network.tracing import trace_supply
from loopmend.workbench.cases import LoadedCase, load_case
from loopmend.workbench.cautions import ADVICE, approach_text
from loopmend.workbench.desk import Desk
from loopmend.workbench.energized import say_maybe_alive
from loopmend.workbench.step_places import device_words, find_step_place, parks
from loopmend.workbench.timeline import PURPOSE, say_measured, say_read

SheetKind = Literal["pdf", "html"]


def load_order_sheet(
    desk: Desk, case_id: str, order_id: str, *, unit: LengthUnit = "ft", zone: tzinfo | None = None
) -> OrderSheet:
    """Gather what the sheet of an order says, as the case stands.

    Parameters
    ----------
    unit
        Of the lengths on the one-line: ``ft`` or ``m``.
    zone
        Time zone of the clock times; default that of this machine.

    Raises
    ------
    DataError
        If there is no such case or order.
    """
    case = load_case(desk, case_id)
    state, circuit = case.state, case.circuit
    order = state.order(order_id)
    if order is None:
        known = ", ".join(one.order_id for one in state.orders) or "none"
        raise DataError.about(order_id, "orders", "no such order in the case", order_id, f"its orders: {known}")
    cautions = tuple(dict.fromkeys(text for step in order.steps for text in step.get("cautions", ())))
    drafted_at, approved_at = _moments(state, order_id)
    return OrderSheet(
        **known_of(case_id, state),
        order_id=order_id,
        purpose=PURPOSE[order.purpose],
        status=order.status,
        stopped=order.stopped,
        drafted_by=order.drafted_by,
        drafted_at=drafted_at,
        approved_by=order.approved_by,
        approved_at=approved_at,
        steps=_steps(case, order, cautions),
        cautions=cautions,
        remarks=(*filter(None, (say_maybe_alive(circuit, state),)), *order.remarks),
        standing=(*say_standing(circuit, state), *_branch(order)),
        view=_view(circuit, state, order, unit),
        zone=zone,
    )


def known_of(case_id: str, state: CaseState) -> dict[str, Any]:
    """Gather what every sheet of a case says of it: fields of `CaseSheet`."""
    return {
        "case_id": case_id,
        "case_title": state.title,
        "circuit": state.circuit,
        "fingerprint": state.fingerprint,
        "drill": state.drill,
        "version": state.version,
        "as_of": state.events[-1].at,
        "advice": ADVICE,
    }


def say_standing(circuit: Circuit, state: CaseState) -> tuple[str, ...]:
    """Say the approach distance of the highest voltage among the sources concerned, and who is out."""
    kv = max(float(circuit.enclosure(name).source_kv or 0.0) for name in state.operated)
    _, places, customers, critical = state.out_history[-1]
    out = f"Out at this log version: {customers} customers ({critical} critical) at {places} enclosures."
    return (approach_text(kv), out)


def render_sheet(sheet: OrderSheet | PlanSheet, kind: SheetKind, *, paper: Paper = "letter") -> bytes:
    """Render a sheet as ``pdf``, or as ``html`` in UTF-8."""
    if isinstance(sheet, OrderSheet):
        return render_order_pdf(sheet, paper=paper) if kind == "pdf" else render_order_html(sheet).encode()
    return render_plan_pdf(sheet, paper=paper) if kind == "pdf" else render_plan_html(sheet).encode()


def require_kind(path: Path) -> SheetKind:
    """Find the kind of sheet that a file name asks for by its ending.

    Raises
    ------
    DataError
        If it is neither ``.pdf`` nor ``.html``.
    """
    for kind in get_args(SheetKind):
        if path.suffix.lower() == f".{kind}":
            return cast("SheetKind", kind)
    raise DataError.about(path.name, "file", "is neither .pdf nor .html", path.suffix, "name it .pdf or .html")


def write_order_sheet(
    desk: Desk,
    case_id: str,
    order_id: str,
    path: Path,
    *,
    paper: Paper = "letter",
    unit: LengthUnit = "ft",
    zone: tzinfo | None = None,
) -> dict[str, Any]:
    """Write the sheet of an order to a file, whole or not at all: the ``loopmend/sheet/1`` document.

    Parameters
    ----------
    path
        Ending in ``.pdf`` or ``.html``; replaced if it is there.

    Raises
    ------
    DataError
        If there is no such order, the ending is another one, or the file cannot be written.
    """
    kind = require_kind(path)
    sheet = load_order_sheet(desk, case_id, order_id, unit=unit, zone=zone)
    content = render_sheet(sheet, kind, paper=paper)
    write_whole(path, content)
    return {
        "format": "loopmend/sheet/1",
        "case": case_id,
        "order": order_id,
        "version": sheet.version,
        "status": sheet.status,
        "steps": len(sheet.steps),
        "out": str(path),
        "bytes": len(content),
    }


def _moments(state: CaseState, order_id: str) -> tuple[datetime, datetime | None]:
    """Find when an order was drafted, and when it was approved."""
    drafted, approved = state.opened_at, None
    for event in state.events:
        match event.payload:
            case ev.OrderDrafted(order_id=name) if name == order_id:
                drafted = event.at
            case ev.OrderApproved(order_id=name) if name == order_id:
                approved = event.at
    return drafted, approved


def _branch(order: Order) -> tuple[str, ...]:
    """Say once what every step says where something is not as expected; orders of old say nothing."""
    told = dict.fromkeys(str(step["otherwise"]) for step in order.steps if step.get("otherwise"))
    return tuple(f"At any step, if it is not as expected: {text}." for text in told)


def _steps(case: LoadedCase, order: Order, cautions: tuple[str, ...]) -> tuple[SheetStep, ...]:
    number = {text: n for n, text in enumerate(cautions, start=1)}
    plain = [_step(case, step, number) for step in order.steps]
    signed = [
        replace(
            step,
            done_by=s.doer,
            confirmed_by=s.confirmed_by,
            done_at=s.at,
            found=" ".join(filter(None, (s.found, say_measured(s.measured).strip()))),
        )
        for step, s in zip(plain, order.signatures, strict=False)
    ]
    rest = [
        replace(step, stopped=order.stopped + say_read(order.stopped_measured)) if step.n == order.stopped_at else step
        for step in plain[len(signed) :]
    ]
    return (*signed, *rest)


def _step(case: LoadedCase, step: Mapping[str, Any], number: Mapping[str, int]) -> SheetStep:
    where = find_step_place(case, str(step["enclosure"]))
    return SheetStep(
        n=step["n"],
        action=step["action"],
        enclosure=str(step["enclosure"]),
        street=where.street,
        device=device_words(case.circuit, step),
        parks=parks(case.circuit, step),
        says=step["says"],
        before=step.get("before", ""),
        expect=step.get("expect", ""),
        cautions=tuple(number[text] for text in step.get("cautions", ())),
        after=step.get("after", ""),
        waits_for=step.get("waits_for", ""),
        who=step.get("who", "crew"),
        confirms=step.get("confirms", ""),
        longitude=where.longitude,
        latitude=where.latitude,
    )


def _view(circuit: Circuit, state: CaseState, order: Order, unit: LengthUnit) -> OneLineView:
    """Gather the loops that the order works on."""
    layouts = _layouts(lay_out_loops(circuit, state.as_found), order)
    repaired = set(state.repaired)
    return build_oneline_view(
        circuit,
        layouts,
        state.as_found,
        state.now,
        trace_supply(circuit, state.now),
        faulted=[span for span in state.faulted if span not in repaired],
        step_numbers=_step_numbers(order),
        length_unit=unit,
    )


def _layouts(layouts: tuple[LoopLayout, ...], order: Order) -> tuple[LoopLayout, ...]:
    spans = {step["span"] for step in order.steps if step.get("span")}
    places = {step["enclosure"] for step in order.steps}
    touched = tuple(layout for layout in layouts if spans.intersection(layout.span_ids()))
    return touched or tuple(layout for layout in layouts if places.intersection(layout.enclosure_ids()))


def _step_numbers(order: Order) -> dict[tuple[str, End | None], tuple[int, ...]]:
    found: dict[tuple[str, End | None], tuple[int, ...]] = {}
    for step in order.steps:
        span, end = step.get("span"), step.get("end")
        key = (span, End[end.upper()]) if span and end else (step["enclosure"], None)
        found[key] = (*found.get(key, ()), step["n"])
    return found
