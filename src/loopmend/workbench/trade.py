"""The trade of a case between minutes and risk, worked out when somebody asks for it: it takes tenths of a second."""

from __future__ import annotations

from typing import Any

from loopmend.case.assessment import assess
from loopmend.case.planning import find_trade
from loopmend.workbench.cases import load_case
from loopmend.workbench.desk import Desk


def trade_document(desk: Desk, case_id: str) -> list[dict[str, Any]]:
    """Lay out what other worths of a fuse would lead to now, the least first, closing nothing last.

    Returns
    -------
    list
        Rows with ``fuse_worth`` (None: nothing is closed before the fault is declared),
        ``expected_customer_minutes``, ``expected_crew_minutes``, ``p_closing_onto_fault`` and ``chosen``; none where
        the plan is proven, the records contradict each other, or a fault has been declared.

    Raises
    ------
    LoopmendError
        If there is no such case, or no plan can be made.
    """
    case = load_case(desk, case_id)
    found = assess(case.known, case.state)
    if found.posterior is None or case.state.faulted or case.state.closed_at is not None:
        return []
    rows = find_trade(case.known, found.dead, found.assumptions, found.observations, found.posterior)
    return [
        {
            "fuse_worth": row.fuse_worth,
            "expected_customer_minutes": row.customer_minutes,
            "expected_crew_minutes": row.crew_minutes,
            "p_closing_onto_fault": row.p_closing_onto_fault,
            "chosen": row.chosen,
        }
        for row in rows
    ]
