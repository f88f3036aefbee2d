"""Customers as a plan counts them: one who depends on power for life or safety counts for several."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from loopmend.locate.dead import DeadPart
from loopmend.network.graph import Circuit


def weigh_customers(circuit: Circuit, dead: DeadPart, critical_weight: float) -> tuple[Circuit, DeadPart]:
    """Count every critical customer so many times; with a weight of 1 both are given back unchanged.

    Only what a plan reckons with changes: numbers that are told of the outage itself stay those of people.
    """
    if critical_weight == 1.0:
        return circuit, dead
    weighed = _weighed(circuit, critical_weight)
    rows = [circuit.enclosure_row[name] for name in dead.out]
    people = f"customers (a critical one counted {critical_weight:g} times)"
    return weighed, replace(dead, customers_out=weighed.enclosures.customers[rows].sum().item(), people=people)


@lru_cache(maxsize=8)
def _weighed(circuit: Circuit, critical_weight: float) -> Circuit:
    columns = circuit.enclosures
    counted = columns.customers + (critical_weight - 1.0) * columns.critical
    if (counted == np.floor(counted)).all():
        counted = counted.astype(np.int64)
    return replace(circuit, enclosures=replace(columns, customers=counted))
