"""A made-up circuit of 60 spans in a made-up place, drawn by the browser tests: a loop with taps, a mesh, a feeder."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

from loopmend.network.assets import Enclosure, EnclosureKind, End, EndState, Span
from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.oneline import OneLineEnclosure, OneLineSpan, OneLineView, build_oneline_view, lay_out_loops
from loopmend.network.positions import apply_device, apply_end_states, normal_positions
from loopmend.network.tracing import trace_supply
from map_view import MapBase, MapLive, MapPoint, MapStyle
from offline_map import backdrop_text

EVIL = '<img src=x onerror="window.hurt=1">${window.hurt=2}`"\'</script>&'
"""Text that must stay text: it would leave a mark on the window if any drawing took it for markup or a template."""

LON, LAT, STEP = -34.2, 41.5, 0.0011
STREETS = ("Alder Way", "Birch Lane", "Cedar Court", "Dogwood Drive", "Elm Street")


_MESH_PLACES = (
    [(12 + n, 0.6) for n in range(6)] + [(17 - n, 2.2) for n in range(6)] + [(18 - 0.2 * n, 1.4 + n) for n in range(6)]
)


class _Town:
    """Collects assets; every chain runs along the grid."""

    def __init__(self) -> None:
        self.enclosures: list[Enclosure] = []
        self.spans: list[Span] = []

    def stand(self, name: str, kind: EnclosureKind, at: tuple[float, float], phases: str, **more: Any) -> str:
        number = len(self.enclosures)
        if kind is EnclosureKind.PADMOUNT:
            more = {"kva": 50.0, "customers": 4 + number * 7 % 9, "critical": int(number % 11 == 3), **more}
        self.enclosures.append(
            Enclosure(
                enclosure_id=name,
                kind=kind,
                phases=phases,
                street=EVIL if name in ("P02", "R5") else f"{100 + 4 * number} {STREETS[number % 5]}",
                longitude=LON + at[0] * STEP,
                latitude=LAT + at[1] * STEP * 0.75,
                **more,
            )
        )
        return name

    def join(self, from_id: str, to_id: str, phases: str, **more: Any) -> None:
        number = len(self.spans) + 1
        more = {"length_m": 60.0 + number * 37 % 90, **more}
        name = f"S{number:02d}"
        self.spans.append(Span(span_id=name, from_enclosure=from_id, to_enclosure=to_id, phases=phases, **more))

    def chain(self, names: list[str], phases: str) -> None:
        for near, far in pairwise(names):
            self.join(near, far, phases)


def build_demo_circuit() -> Circuit:
    """Build the circuit: 60 spans."""
    town = _Town()
    _single_phase_loop(town)
    _three_phase_mesh(town)
    _feeder(town)
    spans = [replace(span, indicator_from=number % 5 == 1) for number, span in enumerate(town.spans)]
    return build_circuit(town.enclosures, spans)


def _single_phase_loop(town: _Town) -> None:
    source: dict[str, Any] = {"source_kv": 12.47, "source_limit_a": 140.0}
    town.stand("R1", EnclosureKind.RISER, (0, 0), "A", **source)
    pads = [
        town.stand(f"P{n:02d}", EnclosureKind.PADMOUNT, (n if n < 10 else 19 - n, 1 if n < 10 else 3), "A")
        for n in range(1, 20)
    ]
    town.stand("R2", EnclosureKind.RISER, (-1, 3), "A", **source)
    town.chain(["R1", *pads, "R2"], "A")
    town.spans[10] = replace(town.spans[10], to_state=EndState.OPEN)
    for number, (at, length) in enumerate(((3, 3), (7, 1), (13, 2))):
        tap = [
            town.stand(f"T{number + 1}{n}", EnclosureKind.PADMOUNT, (at if at < 10 else 19 - at, 4.6 + 0.8 * n), "A")
            if at > 10
            else town.stand(f"T{number + 1}{n}", EnclosureKind.PADMOUNT, (at, -0.2 - 0.7 * n), "A")
            for n in range(1, length + 1)
        ]
        town.chain([pads[at - 1], *tap], "A")
    nested = town.stand("T19", EnclosureKind.PADMOUNT, (4.2, -0.9), "A")
    town.join("T11", nested, "A")


def _three_phase_mesh(town: _Town) -> None:
    source: dict[str, Any] = {"source_kv": 12.47, "source_limit_a": 600.0}
    town.stand("R3", EnclosureKind.RISER, (11, 0), "ABC", **source)
    names = [
        town.stand(f"C{n:02d}", EnclosureKind.CABINET if n % 3 == 0 else EnclosureKind.PADMOUNT, at, "ABC")
        for n, at in enumerate(_MESH_PLACES, start=1)
    ]
    town.stand("R4", EnclosureKind.RISER, (17, 7.4), "ABC", **source)
    town.chain(["R3", *names[:12]], "ABC")
    town.chain([names[5], *names[12:], "R4"], "ABC")
    town.spans[-5] = replace(town.spans[-5], from_state=EndState.OPEN)
    town.join(names[1], names[9], "ABC", to_state=EndState.OPEN)
    town.join(names[3], names[15], "ABC", from_state=EndState.OPEN)


def _feeder(town: _Town) -> None:
    town.stand("R5", EnclosureKind.RISER, (0, 7.5), "B", source_kv=12.47)
    pads = [town.stand(f"F{n:02d}", EnclosureKind.PADMOUNT, (n, 7.5), "B") for n in range(1, 60 - len(town.spans) + 1)]
    town.chain(["R5", *pads], "B")


def build_demo_view(step: int = 0) -> OneLineView:
    """Show the loop in trouble: R1 has operated; ``step`` 1 adds a test that clears half of the suspects."""
    circuit = build_demo_circuit()
    normal = normal_positions(circuit)
    changes = [("S05", End.TO, EndState.OPEN)] if step else []
    now = apply_device(apply_end_states(circuit, normal, changes), "R1", closed=False)
    suspects = [f"S{n:02d}" for n in (range(6, 12) if step else range(1, 12))]
    weight = {name: 1.0 + 2.5 * (name == "S08") for name in suspects}
    p = {name: value / (sum(weight.values()) + 0.2) for name, value in weight.items()} | {"P08": 0.2 / 8}
    return build_oneline_view(
        circuit,
        lay_out_loops(circuit, normal),
        normal,
        now,
        trace_supply(circuit, now),
        p_by_id=p,
        verdict_by_span={"S04": "good", "S05": "good"} if step else {},
        indicator_readings={("S02", End.FROM): "tripped", ("S07", End.FROM): "not_seen"},
        next_at="P08" if step else "P05",
        crew_at="P05" if step else "R1",
        step_numbers={("S05", End.TO): (1,), ("S11", End.TO): (2, 4)} if step else {},
    )


def build_demo_map(step: int = 0) -> tuple[MapBase, MapLive]:
    """Show the same trouble on the map, with streets behind it."""
    circuit, view = build_demo_circuit(), build_demo_view(step)
    at = {name: circuit.enclosure(name) for name in view.enclosures}
    spans = [
        _feature(name, "LineString", [_place(at[end.enclosure_id]) for end in view.spans[name].ends])
        for name in view.spans
    ]
    states: dict[str, OneLineSpan | OneLineEnclosure] = {**view.spans, **view.enclosures}
    styles = {
        name: MapStyle(
            energy=state.energy,
            p=state.p,
            is_next=state.is_next,
            has_crew=getattr(state, "has_crew", False),
            is_source=bool(getattr(state, "device", "")),
            note=name if getattr(state, "device", "") else EVIL if name == "T32" else "",
            tip=(name, EVIL if name == "S03" else str(getattr(state, "street", ""))),
        )
        for name, state in states.items()
    }
    open_points = tuple(
        MapPoint(longitude=_place(at[end.enclosure_id])[0], latitude=_place(at[end.enclosure_id])[1])
        for span in view.spans.values()
        for end in span.ends
        if end.normally_open
    )
    streets = [_feature("", "LineString", [[LON - 0.002, y], [LON + 0.023, y]]) for y in (LAT + 0.0004, LAT + 0.002)]
    base = MapBase(
        bounds=(LAT - 0.002, LON - 0.002, LAT + 0.007, LON + 0.022),
        backdrop=backdrop_text({"type": "FeatureCollection", "features": streets}),
    )
    live = MapLive(
        spans={"type": "FeatureCollection", "features": spans},
        enclosures={
            "type": "FeatureCollection",
            "features": [_feature(name, "Point", _place(place)) for name, place in at.items()],
        },
        styles=styles,
        open_points=open_points,
    )
    return base, live


def _place(enclosure: Enclosure) -> list[float]:
    return [enclosure.longitude, enclosure.latitude]


def _feature(name: str, kind: str, coordinates: list[Any]) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"id": name}, "geometry": geometry}
