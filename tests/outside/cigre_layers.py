"""The CIGRE medium-voltage network as pandapower ships it, written as GIS layers, and our positions put back into it.

The network is pandapower's data in both directions; nothing here computes what a test expects. Names are pandapower's
numbers: bus 7 is enclosure ``B7``, line 12 is span ``L12``. The two busbars behind the transformers are our sources.
"""

from __future__ import annotations

import copy
import math
import warnings
from functools import cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import networkx as nx
import numpy as np
import shapely

from loopmend.files.circuit import read_circuit, require_circuit
from loopmend.network.assets import End, EndState
from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions

with warnings.catch_warnings():
    # pandapower and what it imports warn about their own future; nothing of ours is silenced.
    warnings.simplefilter("ignore")
    import pandapower as pp
    import pandapower.networks as pn
    import pandapower.topology as pt

CIGRE = "CIGRE Task Force C6.04.02, TB 575, 2014, European MV benchmark network, as shipped with pandapower"
HERTZ = 50.0
BUSBARS = (1, 12)
"""Buses behind the two transformers."""

CRS = "EPSG:32617"
CORNER = np.array([480_000.0, 3_900_000.0])
"""The published network has no place. This one is 20 km west of a central meridian: grid and ground agree to 0.04 %."""

METRES_PER_UNIT = 30.0
"""Small enough that no line is longer drawn straight than it is stated (240 m over 7 units is the tightest)."""


def build_network(*, busbar_volts_pu: float | None = None) -> Any:
    """The network as shipped; or with both busbars held at a voltage, in place of their transformers.

    Every end of a line gets a switch of its own, closed where the network ships none.
    """
    return copy.deepcopy(_build_once(busbar_volts_pu))


@cache
def _build_once(busbar_volts_pu: float | None) -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        net = pn.create_cigre_network_mv(with_der=False)
        if busbar_volts_pu is not None:
            pp.toolbox.drop_buses(net, [0])  # with the transformers, their breakers and the grid connection
            for bus in BUSBARS:
                pp.create_ext_grid(net, bus, vm_pu=busbar_volts_pu)
        there = set(zip(net.switch.bus[net.switch.et == "l"], net.switch.element[net.switch.et == "l"], strict=True))
        for line in net.line.itertuples():
            for bus in (line.from_bus, line.to_bus):
                if (bus, line.Index) not in there:
                    pp.create_switch(net, bus=bus, element=line.Index, et="l", closed=True)
    return net


def customers_at(bus: int) -> int:
    """Invented: no two sets of buses have the same sum, so that the best set to supply is only one."""
    return 2**bus


def enclosures_layer(net: Any, source_volts_pu: float) -> gpd.GeoDataFrame:
    """One enclosure for each 20 kV bus, with the sum of its loads."""
    buses = [bus for bus in net.bus.index if net.bus.vn_kv[bus] == 20.0]
    load = (net.load.groupby("bus")[["p_mw", "q_mvar"]].sum() * 1000).reindex(buses, fill_value=0.0)
    is_source = np.isin(buses, BUSBARS)
    return gpd.GeoDataFrame(
        {
            "id": [f"B{bus}" for bus in buses],
            "kind": np.where(is_source, "station", "padmount"),
            "phases": "ABC",
            "kva": net.load.groupby("bus").sn_mva.sum().reindex(buses, fill_value=0.0).to_numpy() * 1000,
            "load_kw": load.p_mw.to_numpy(),
            "load_kvar": load.q_mvar.to_numpy(),
            "customers": [customers_at(bus) for bus in buses],
            "source_kv": np.where(is_source, 20.0, np.nan),
            "source_volts_pu": np.where(is_source, source_volts_pu, np.nan),
        },
        geometry=[shapely.Point(_place(net, bus)) for bus in buses],
        crs=CRS,
    )


def spans_layer(net: Any) -> gpd.GeoDataFrame:
    """One span for each line, drawn with one bend so that its drawing is as long as stated."""
    switches = net.switch[net.switch.et == "l"]
    opened = {(row.element, row.bus) for row in switches.itertuples() if not row.closed}
    line = net.line
    states = {
        end: ["open" if key in opened else "closed" for key in zip(line.index, line[f"{end}_bus"], strict=True)]
        for end in ("from", "to")
    }
    return gpd.GeoDataFrame(
        {
            "id": [f"L{row}" for row in line.index],
            "from_id": [f"B{bus}" for bus in line.from_bus],
            "to_id": [f"B{bus}" for bus in line.to_bus],
            "from_end": states["from"],
            "to_end": states["to"],
            "phases": "ABC",
            "length_m": line.length_km.to_numpy() * 1000,
            "r_ohm_per_km": line.r_ohm_per_km.to_numpy(),
            "x_ohm_per_km": line.x_ohm_per_km.to_numpy(),
            "c_nf_per_km": line.c_nf_per_km.to_numpy(),
            "ampacity_a": line.max_i_ka.to_numpy() * 1000,
            "construction": np.where(line.type == "ol", "overhead", "direct_buried"),
        },
        geometry=[
            _bent_line(_place(net, row.from_bus), _place(net, row.to_bus), row.length_km * 1000)
            for row in line.itertuples()
        ],
        crs=CRS,
    )


def _place(net: Any, bus: int) -> np.ndarray[Any, Any]:
    return CORNER + METRES_PER_UNIT * shapely.get_coordinates(shapely.from_geojson(net.bus.geo[bus]))[0]


def _bent_line(start: np.ndarray[Any, Any], stop: np.ndarray[Any, Any], length_m: float) -> shapely.LineString:
    """Two equal legs over the straight way."""
    way = stop - start
    straight = float(np.hypot(*way))
    height = math.sqrt(length_m**2 - straight**2) / 2
    return shapely.LineString([start, (start + stop) / 2 + height * np.array([-way[1], way[0]]) / straight, stop])


def write_geopackage(net: Any, path: Path, source_volts_pu: float = 1.03) -> Path:
    """Both layers in one file, in metres."""
    enclosures_layer(net, source_volts_pu).to_file(path, layer="enclosures", driver="GPKG")
    spans_layer(net).to_file(path, layer="spans", driver="GPKG")
    return path


def write_geojson(net: Any, folder: Path, source_volts_pu: float = 1.03) -> Path:
    """Both layers as files of a folder, in longitude and latitude as that format wants."""
    folder.mkdir()
    enclosures_layer(net, source_volts_pu).to_crs("EPSG:4326").to_file(folder / "enclosures.geojson", driver="GeoJSON")
    spans_layer(net).to_crs("EPSG:4326").to_file(folder / "spans.geojson", driver="GeoJSON")
    return folder


def read_cigre(net: Any, folder: Path, source_volts_pu: float = 1.03) -> Circuit:
    """The whole way: written as layers, read and checked as anybody's layers are."""
    return require_circuit(read_circuit(write_geopackage(net, folder / "cigre.gpkg", source_volts_pu)))


def set_positions(net: Any, circuit: Circuit, positions: Positions) -> None:
    """Put every switch of pandapower's network where our positions say; our devices are its transformers' breakers."""
    states = {
        (int(circuit.enclosure_at(name, end)[1:]), int(name[1:])): positions.states[row, end] == EndState.CLOSED
        for name, row in circuit.span_row.items()
        for end in End
    }
    for row in net.switch.index:
        key = (int(net.switch.bus[row]), int(net.switch.element[row]))
        if net.switch.et[row] == "l":
            net.switch.loc[row, "closed"] = bool(states[key])
        else:
            net.switch.loc[row, "closed"] = f"B{net.trafo.lv_bus[key[1]]}" not in positions.open_devices
    for row in net.ext_grid.index:
        if net.ext_grid.bus[row] in BUSBARS:
            net.ext_grid.loc[row, "in_service"] = f"B{net.ext_grid.bus[row]}" not in positions.open_devices


def unsupplied(net: Any) -> set[str]:
    """Enclosures without supply, by pandapower alone."""
    return {f"B{bus}" for bus in pt.unsupplied_buses(net)}


def joined_graph(net: Any) -> nx.MultiGraph[Any]:
    """pandapower's own graph of what is joined now; two busbars alive together meet at the bus behind them."""
    return pt.create_nxgraph(net, multi=True)


def run_flow(net: Any) -> None:
    """Newton-Raphson, far tighter than any tolerance of the tests."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pp.runpp(net, tolerance_mva=1e-10, init="flat", numba=False)
