"""The kit list of a case: what to load on the truck for the tests and grounds that its plan needs."""

from __future__ import annotations

from collections.abc import Sequence

from loopmend.case.equipment import find_work_spans
from loopmend.case.measured import phase_to_ground_kv
from loopmend.evidence.kit import KitItem, kit_list
from loopmend.network.assets import phase_letters
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk
from loopmend.workbench.screens import reckon
from loopmend.workbench.stretch import USUAL_SET_MOHM, find_stretch

__all__ = ["KitItem", "case_kit"]


def case_kit(
    desk: Desk, case_id: str, methods: Sequence[str] = ("hipot", "dc_hipot"), *, set_mohm: float = USUAL_SET_MOHM
) -> tuple[KitItem, ...]:
    """List the kit for a case: for its suspects' phases and voltage, all of them tested at once, both ends grounded.

    Raises
    ------
    LoopmendError
        If there is no such case, or an entry is wrong.
    """
    case = load_case(desk, case_id)
    found = reckon(desk, case)[0]
    suspects = [s.id for s in (found.posterior.suspects if found.posterior else ()) if s.kind == "span"]
    spans = list(find_work_spans(case.circuit, case.state)) or suspects or list(found.dead.spans)
    stretch = find_stretch(desk, case_id, spans)
    circuit = case.circuit
    phases = max(len(phase_letters(int(circuit.spans.phases[circuit.span_row[name]]))) for name in spans)
    return tuple(
        kit_list(
            phase_to_ground_kv=phase_to_ground_kv(circuit, spans[0]),
            methods=list(methods),
            n_phases=phases,
            ends_to_ground=2,
            capacitance_uf=stretch.capacitance_uf if stretch else None,
            set_mohm=set_mohm,
        )
    )
