"""Put the sample on an empty desk: its circuit, and one trouble case under way."""

from __future__ import annotations

from pathlib import Path

from loopmend.records.store import load_streams
from loopmend.workbench.cases import Opening, start_case
from loopmend.workbench.circuits import keep_circuit, list_circuits
from loopmend.workbench.desk import Desk
from loopmend.workbench.places import sample_folder

TITLE = "Half the loop dark"


def sample_circuit() -> Path:
    """Path of the sample circuit's GeoPackage."""
    return next(iter(sorted(sample_folder().glob("*.gpkg"))))


def lay_out_sample(desk: Desk) -> None:
    """Keep the sample circuit and open its case, unless the desk holds circuits or cases already."""
    if list_circuits(desk) or load_streams(desk.store, "C-"):
        return
    kept = keep_circuit(desk, sample_circuit())
    start_case(
        desk,
        kept.name,
        Opening(title=TITLE),
        actor="sample",
        case_file=sample_folder() / "case.json",
        command_id="sample-case",
    )
