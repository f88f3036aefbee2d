"""The load that an order is reckoned with: at drafting, at approval, and at every signature alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from loopmend.case.assessment import at_outage
from loopmend.case.requests import DraftOrder
from loopmend.case.settings import read_settings
from loopmend.case.state import CaseState
from loopmend.errors import NetworkError
from loopmend.network.assets import Bools
from loopmend.network.graph import Circuit
from loopmend.network.tracing import trace_supply
from loopmend.switching.device_rules import FindAmps, amps_at
from loopmend.switching.loads import require_load_settings
from loopmend.switching.pickup import Pickup
from loopmend.switching.task import FlowSettings


class Reckoned(Protocol):
    """What says with which load an order is reckoned: `OrderLoad`, or an order as it stands in the state."""

    @property
    def demand(self) -> float:
        """Load of an enclosure without a metered one, as a share of its installed kVA."""

    @property
    def power_factor(self) -> float:
        """Lagging power factor of such a load."""

    @property
    def pickup_factor(self) -> float:
        """Factor on the load of those who have been out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLoad:
    """Load of an order, under the names that `OrderDrafted` keeps it with.

    Attributes
    ----------
    demand, power_factor
        As in `solve_flow`.
    pickup_factor
        Factor on the load of those who have been out, at least 1.
    """

    demand: float = 1.0
    power_factor: float = 0.9
    pickup_factor: float = 1.0


def find_order_load(state: CaseState, request: DraftOrder) -> OrderLoad:
    """Find the load that a draft is to be reckoned with.

    Where the request says how long those out have been out, their factor is the highest that the company's curve gives
    for that outage or any longer one: the order may take its time.

    Raises
    ------
    NetworkError
        Naming every figure that is out of range.
    """
    use = find_flow_settings(state, request)
    require_load_settings(use.demand, use.power_factor)
    factor = 1.0
    if request.out_minutes is not None:
        curve = read_settings(state.assumptions.get("settings") or {}).pickup
        findings = Pickup(curve=curve, out_minutes=request.out_minutes).check()
        if findings:
            raise NetworkError(findings)
        factor = curve.highest_from(request.out_minutes)
    return OrderLoad(demand=use.demand, power_factor=use.power_factor, pickup_factor=factor)


def find_case_load(state: CaseState) -> OrderLoad:
    """Find the load that an elbow moved outside an order is judged with: that of the case's settings."""
    use = read_settings(state.assumptions.get("settings") or {})
    return OrderLoad(demand=use.demand, power_factor=use.power_factor)


def find_flow_settings(state: CaseState, request: DraftOrder) -> FlowSettings:
    """Find what a restoration is reckoned with: as the request says, else as the settings of the case do."""
    use = read_settings(state.assumptions.get("settings") or {})
    return FlowSettings(
        demand=use.demand if request.demand is None else request.demand,
        power_factor=use.power_factor if request.power_factor is None else request.power_factor,
        lowest_volts_pu=use.lowest_volts_pu if request.lowest_volts_pu is None else request.lowest_volts_pu,
    )


def find_order_amps(circuit: Circuit, state: CaseState, load: Reckoned) -> FindAmps:
    """Make the reckoning of what an end would break under an order.

    The factor counts for everyone who lost supply when the devices operated, back since or not, and for everyone
    without supply now: higher than what flows once their load has settled, never lower.
    """
    pickup = None
    if load.pickup_factor > 1.0:
        pickup = np.where(_have_been_out(circuit, state), load.pickup_factor, 1.0)
    return amps_at(demand=load.demand, power_factor=load.power_factor, pickup=pickup)


def _have_been_out(circuit: Circuit, state: CaseState) -> Bools:
    had, left, has = (
        trace_supply(circuit, positions).supplied for positions in (state.as_found, at_outage(state), state.now)
    )
    return np.asarray(had & ~(left & has))


def say_order_load(load: Reckoned) -> tuple[str, ...]:
    """Say what an order is reckoned with where it is not the usual: for its remarks, which who approves it reads."""
    said = []
    usual = OrderLoad()
    if (load.demand, load.power_factor) != (usual.demand, usual.power_factor):
        said.append(
            f"reckoned at {load.demand:g} of installed kVA and power factor {load.power_factor:g} where no load is "
            "metered: measure before anything is opened under load"
        )
    if load.pickup_factor > 1.0:
        factor = f"{load.pickup_factor:.3g}"
        said.append(f"what may be opened under load is judged with {factor} times the load of those who have been out")
    return tuple(said)
