"""Every radial arrangement of the CIGRE network that supplies given buses, and what each carries, by pandapower.

A brute force that shares nothing with the engine: arrangements are forests found by networkx, their flow is solved by
Newton-Raphson, all of them in one call as separate islands of one network.
"""

from __future__ import annotations

import itertools
import math
import warnings
from collections.abc import Iterator, Sequence
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd

from outside.cigre_layers import BUSBARS, HERTZ, pp, run_flow

Forest = tuple[int, ...]
"""Numbers of the lines that carry."""


def sets_with_more(served: dict[int, int], supplied: frozenset[int]) -> Iterator[frozenset[int]]:
    """Every set of buses, the busbars among them, that serves more customers than the one given."""
    others = sorted(set(served) - set(BUSBARS))
    enough = sum(served[bus] for bus in supplied)
    for count in range(len(others) + 1):
        for chosen in itertools.combinations(others, count):
            buses = frozenset(chosen) | frozenset(BUSBARS)
            if sum(served[bus] for bus in buses) > enough:
                yield buses


def forests(net: Any, buses: frozenset[int], without: int) -> Iterator[Forest]:
    """Every way to supply exactly these buses from the busbars by lines that close no loop and tie no busbars."""
    graph: nx.Graph[Any] = nx.Graph()
    graph.add_nodes_from(0 if bus in BUSBARS else bus for bus in buses)
    for line in net.line.itertuples():
        if line.Index != without and {line.from_bus, line.to_bus} <= buses:
            ends = (0 if bus in BUSBARS else bus for bus in (line.from_bus, line.to_bus))
            graph.add_edge(*ends, line=line.Index)
    if nx.is_connected(graph):
        for tree in nx.SpanningTreeIterator(graph):
            yield tuple(sorted(line for _, _, line in tree.edges(data="line")))


def solve_forests(
    net: Any, cases: Sequence[tuple[frozenset[int], Forest]], volts_pu: float
) -> tuple[list[float], list[float]]:
    """Share of its ampacity that the worst line of each carries, and its lowest voltage per unit.

    Lines that do not carry are taken out; but wherever one of them could hang at a live bus, its charging is put
    there, at both ends at once. That is more help for voltage and current than any true position of its ends gives.
    """
    every, bus_of_case, line_of_case = pp.create_empty_network(f_hz=HERTZ), [], []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pandapower warns about its own future
        for case, (buses, carrying) in enumerate(cases):
            number = dict(zip(sorted(buses), pp.create_buses(every, len(buses), vn_kv=20.0), strict=True))
            line = net.line.loc[list(carrying)]
            load = _loads(net, carrying).loc[sorted(buses)]
            pp.create_loads(every, [number[bus] for bus in load.index], load.p_mw.to_numpy(), load.q_mvar.to_numpy())
            for bus in BUSBARS:
                pp.create_ext_grid(every, number[bus], vm_pu=volts_pu)
            values = line[["length_km", "r_ohm_per_km", "x_ohm_per_km", "c_nf_per_km", "max_i_ka"]]
            ends = [[number[bus] for bus in line[end]] for end in ("from_bus", "to_bus")]
            pp.create_lines_from_parameters(every, *ends, **{name: values[name].to_numpy() for name in values})
            bus_of_case += [case] * len(buses)
            line_of_case += [case] * len(carrying)
    run_flow(every)
    loading = np.zeros(len(cases))
    lowest = np.full(len(cases), np.inf)
    np.maximum.at(loading, line_of_case, every.res_line.loading_percent.to_numpy() / 100)
    np.minimum.at(lowest, bus_of_case, every.res_bus.vm_pu.to_numpy())
    return loading.tolist(), lowest.tolist()


def _loads(net: Any, carrying: Forest) -> pd.DataFrame:
    """Load of every bus, less the charging of every line that lands there and does not carry."""
    load = net.load.groupby("bus")[["p_mw", "q_mvar"]].sum().reindex(net.bus.index, fill_value=0.0)
    highest_kv = 20.0 * 1.05  # no bus of any test is higher
    for line in net.line.drop(list(carrying)).itertuples():
        charging_mvar = 2 * math.pi * HERTZ * line.c_nf_per_km * 1e-9 * line.length_km * highest_kv**2
        load.loc[[line.from_bus, line.to_bus], "q_mvar"] -= charging_mvar
    return load
