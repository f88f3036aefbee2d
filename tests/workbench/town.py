"""The small town of the case tests as GIS layers, a desk to work on it, and a clock that goes by hand."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from loopmend.case import requests as rq
from loopmend.files.export import write_circuit
from loopmend.workbench.cases import Opening, load_case, start_case, submit
from loopmend.workbench.desk import Desk, open_desk

UTM = "EPSG:32617"
CORNER = np.array([480_000.0, 3_900_000.0])
PLACES = ("R1", "E1", "E2", "E3", "E4", "R2")
START = datetime(2026, 3, 2, 2, 0, tzinfo=UTC)
TRUSTED = {"accuracy": "perfect", "faults": "one_span"}
GATES = {"isolated": True, "proven_dead": True, "called": True}
IN_PHASE = {
    "tester_before": True,
    "tester_after": True,
    "readings": [{"phase": "A", "across_kv": 0.1, "side_a_kv": 7.2, "side_b_kv": 7.2}],
}
DEAD = {"tester_before": True, "tester_after": True, "reading_kv": 0.0}
WAITED_FOR: dict[str, dict[str, Any]] = {
    "check_phasing": IN_PHASE,
    "prove_dead": DEAD,
    "hold_for_test": {"record": "repair"},
}
"""What the steps of an order wait for, by their action."""


@dataclass
class Clock:
    """A clock that stands still until it is set."""

    now: datetime = field(default=START)

    def __call__(self) -> datetime:
        return self.now

    def set(self, minute: float) -> None:
        self.now = START + timedelta(minutes=minute)


def enclosures() -> gpd.GeoDataFrame:
    """R1 - E1 - E2 - E3 - E4 - R2, 100 m apart, going east; 10, 20, 30 and 40 customers."""
    columns = {
        "id": list(PLACES),
        "kind": ["riser", "padmount", "padmount", "padmount", "padmount", "riser"],
        "phases": ["A"] * 6,
        "kva": [0.0, 50.0, 50.0, 50.0, 50.0, 0.0],
        "customers": [0, 10, 20, 30, 40, 0],
        "critical": [0, 0, 1, 0, 0, 0],
        "source_kv": [12.47, np.nan, np.nan, np.nan, np.nan, 12.47],
        "street": [f"{n} Sedge Court" for n in range(6)],
    }
    points = shapely.points(CORNER + np.array([[100.0 * n, 0.0] for n in range(6)]))
    return gpd.GeoDataFrame(columns, geometry=points, crs=UTM).to_crs("EPSG:4326")


def spans() -> gpd.GeoDataFrame:
    """S1 to S5 between them, straight, each 100 m; S4 is open at E4. S1 and S2 are old, the others young."""
    columns = {
        "id": ["S1", "S2", "S3", "S4", "S5"],
        "from_id": list(PLACES[:-1]),
        "to_id": list(PLACES[1:]),
        "from_end": ["closed"] * 5,
        "to_end": ["closed", "closed", "closed", "open", "closed"],
        "phases": ["A"] * 5,
        "length_m": [100.0] * 5,
        "cable": ["1/0 Al 15 kV"] * 5,
        "insulation": ["XLPE", "XLPE", "TR-XLPE", "TR-XLPE", "TR-XLPE"],
        "installed": ["1980", "1980", "2000", "2000", "2000"],
        "construction": ["direct_buried"] * 2 + ["duct"] * 3,
        "indicator": ["none", "from", "none", "from", "none"],
    }
    ends = CORNER + np.array([[100.0 * n, 0.0] for n in range(6)])
    lines = [shapely.LineString(ends[n : n + 2]) for n in range(5)]
    return gpd.GeoDataFrame(columns, geometry=lines, crs=UTM).to_crs("EPSG:4326")


def failures(rows: list[dict[str, Any]], metres: list[tuple[float, float] | None]) -> gpd.GeoDataFrame:
    """Failures at points given in metres east and north of R1."""
    points = [None if at is None else shapely.Point(*(CORNER + np.array(at))) for at in metres]
    return gpd.GeoDataFrame(rows, geometry=points, crs=UTM).to_crs("EPSG:4326")


PAST = failures(
    [
        {"id": "F1", "span_id": "S1", "date": "2012-05-01", "component": "cable", "cause": "age"},
        {"id": "F2", "span_id": "S1", "date": "2016-05-01", "component": "splice", "cause": "water"},
        {"id": "F3", "span_id": "S1", "date": "2019-05-01", "component": "cable", "cause": "age"},
        {"id": "F4", "span_id": None, "date": "2021-05-01", "component": "cable", "cause": "dig"},
        {"id": "F5", "span_id": None, "date": "2022-05-01", "component": "cable", "cause": "age"},
        {"id": "F6", "span_id": "S1", "date": "2014-05-01", "component": "cable", "cause": "age"},
        {"id": "F7", "span_id": "S1", "date": "2023-05-01", "component": "termination", "cause": "age"},
    ],
    # F4 lies 12 m beside the middle of S2, F5 80 m away from everything.
    [(50.0, 0.0), (60.0, 0.0), (70.0, 0.0), (150.0, 12.0), (250.0, 80.0), (20.0, 0.0), (1.0, 0.0)],
)
"""Seven failures of the past, five of them on S1."""


def tables(*, past: gpd.GeoDataFrame | None = PAST) -> dict[str, Any]:
    """Both layers, and the failures unless there are none."""
    return {"enclosures": enclosures(), "spans": spans()} | ({} if past is None else {"failures": past})


def write_town(folder: Path, name: str = "town", *, past: gpd.GeoDataFrame | None = PAST) -> Path:
    """Write the town to one GeoPackage."""
    path = folder / f"{name}.gpkg"
    write_circuit(tables(past=past), path)
    return path


OTHERS: list[Desk] = []


def another_desk(desk: Desk) -> Desk:
    """A second desk on the same record and circuits, as another program would open it; closed after the test."""
    other = open_desk(desk.folder, f"sqlite:///{desk.folder / 'loopmend.sqlite'}", clock=desk.clock)
    OTHERS.append(other)
    return other


def open_case(desk: Desk, **given: Any) -> str:
    """Open a case on the town; R1 operated unless said otherwise."""
    asked = {"operated": ("R1",), "title": "Half dark", "assumptions": TRUSTED} | given
    return start_case(desk, "town", Opening(**asked), actor="N. Adair")


def ask(desk: Desk, case_id: str, *requests: rq.Request, actor: str = "J. Orme") -> int:
    """Ask one thing after the other; the version afterwards."""
    version = 0
    for request in requests:
        version = submit(desk, case_id, request, actor=actor)
    return version


def hipot(verdict: str, *names: str, channel: rq.Channel = "desk", **more: Any) -> rq.RecordEvidence:
    """A hipot test of spans joined together."""
    evidence = {"kind": "test", "spans": list(names), "method": "hipot", "verdict": verdict}
    return rq.RecordEvidence(evidence=evidence, channel=channel, gates=GATES if channel == "field" else {}, **more)


def find_s3(desk: Desk, case_id: str) -> None:
    """Test until S3 is the only suspect, and declare it."""
    ask(desk, case_id, hipot("good", "S1", "S2"), hipot("breakdown", "S3"), rq.DeclareFault(spans=("S3",)))


def carry_out(desk: Desk, case_id: str, purpose: rq.Purpose) -> None:
    """Draft an order, approve it, sign every step."""
    ask(desk, case_id, rq.DraftOrder(purpose=purpose))
    order = load_case(desk, case_id).state.orders[-1]
    ask(desk, case_id, rq.ApproveOrder(order_id=order.order_id), actor="M. Sorley")
    for step in order.steps:
        sign(desk, case_id, order.order_id, step)


def sign(desk: Desk, case_id: str, order_id: str, step: dict[str, Any]) -> None:
    """Sign a step as it is meant: the desk issues a clearance, the crew does the rest, another one confirms."""
    by, second = ("N. Adair", "J. Orme") if step.get("who") == "desk" else ("J. Orme", "T. Vance")
    measured = WAITED_FOR.get(step["action"], {})
    request = rq.SignStep(order_id=order_id, n=step["n"], confirmed_by=second, measured=measured)
    ask(desk, case_id, request, actor=by)


REPAIR = rq.RecordRepair(
    span="S3", component="splice", cause="water", work="new splice", proof_method="hipot", proof_verdict="good"
)


def play_to_the_end(desk: Desk, clock: Clock, **given: Any) -> str:
    """Play a case from opening to closing: R1 back at minute 60, E3 at 70, repaired at 300, closed at 400."""
    case_id = open_case(desk, **given)
    find_s3(desk, case_id)
    ask(desk, case_id, rq.DraftOrder(purpose="restore"), rq.ApproveOrder(order_id="O1"))
    for step in load_case(desk, case_id).state.orders[0].steps:
        clock.set({9: 60, 10: 70}.get(step["n"], 25 + step["n"]))  # step 9 closes R1, step 10 closes S4
        sign(desk, case_id, "O1", step)
    clock.set(200)
    carry_out(desk, case_id, "ground")
    clock.set(300)
    ask(desk, case_id, REPAIR)
    carry_out(desk, case_id, "return")
    clock.set(400)
    ask(desk, case_id, rq.CloseCase())
    return case_id
