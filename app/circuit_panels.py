"""Panels of the circuits screen."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from case_map import base_of
from loopmend.workbench.circuits import (
    ExportFormat,
    export_circuit,
    keep_files,
    list_circuits,
    load_circuit,
    read_upload,
)
from loopmend.workbench.desk import Desk
from loopmend.workbench.refusals import LoopmendError
from loopmend.workbench.studies import check_document
from loopmend.workbench.views import CircuitFiles
from map_layers import MapLive, MapStyle
from map_view import draw_map
from session import plain, show_refusal

FORMATS: dict[ExportFormat, str] = {
    "gpkg": "GeoPackage",
    "geojson": "GeoJSON",
    "shp": "Shapefile",
    "parquet": "GeoParquet",
    "csv": "CSV with WKT",
}
FEET = 1 / 0.3048


def load_form(desk: Desk) -> None:
    """Take layers in: look at the findings first, keep the circuit if nothing stops the work."""
    with st.expander("Load layers"):
        uploaded = st.file_uploader(
            "One GeoPackage, or the layers of a folder (a zip of them will do); a .toml is taken as the field map",
            accept_multiple_files=True,
            key="upload",
        )
        if not uploaded:
            return
        try:
            with read_upload({file.name: file.getvalue() for file in uploaded}) as files:
                show_document(check_document(files))
                _finding_map(files, key="upload-map")
                name = st.text_input("Keep it under the name", files.name, key="upload-name")
                if st.button("Keep this circuit", type="primary", disabled=bool(files.problems), key="upload-keep"):
                    st.success(f"Kept as {plain(keep_files(desk, files, name).name)}.")
        except LoopmendError as error:
            show_refusal(error)


def choose_circuit(desk: Desk) -> str | None:
    """Choose among the circuits kept."""
    names = [kept.name for kept in list_circuits(desk)]
    return st.selectbox("Circuit", names, key="circuit") if names else None


def show_circuit(desk: Desk, name: str, unit: str) -> None:
    """Show a kept circuit: figures, findings on the map and in a table, export."""
    files = load_circuit(desk, name)
    document = check_document(files)
    scale = FEET if unit == "ft" else 1.0
    figures = [
        ("Enclosures", f"{document['enclosures']:,}"),
        ("Spans", f"{document['spans']:,}"),
        ("Cable", f"{document['length_m'] * scale:,.0f} {unit}"),
        ("Customers", f"{document['customers']:,}"),
        ("Sources", ", ".join(document["sources"])),
    ]
    for column, (label, value) in zip(st.columns(len(figures)), figures, strict=True):
        column.metric(label, value)
    _finding_map(files, key="circuit-map")
    show_document(document)
    chosen = st.segmented_control(
        "Export as", list(FORMATS), default="gpkg", format_func=FORMATS.__getitem__, key="export-as"
    )
    file_name, content = export_circuit(desk, name, chosen or "gpkg")
    st.download_button(f"Download {file_name}", content, file_name, key="export-go")


def show_document(document: dict[str, object]) -> None:
    """Show every finding: those that stop the work first."""
    rows = [
        {
            "Stops the work": kind == "problems",
            "Layer": f["layer"],
            "Asset": f["id"],
            "What": f["problem"],
            "Found": f["value"],
            "Do": f["remedy"],
        }
        for kind in ("problems", "warnings")
        for f in document[kind]  # type: ignore[attr-defined]
    ]
    if rows:
        st.dataframe(pd.DataFrame(rows), hide_index=True)
    else:
        st.success("Nothing found: the circuit can be worked with.")


def _finding_map(files: CircuitFiles, key: str) -> None:
    if files.spans.empty:
        return
    told: dict[str, list[str]] = {}
    for finding in files.findings:
        told.setdefault(finding.asset_id, []).append(f"{finding.problem}; {finding.remedy}")
    styles = {name: MapStyle(is_problem=True, tip=(name, *words)) for name, words in told.items() if name}
    west, south, east, north = files.spans.total_bounds.tolist()
    live = MapLive(
        spans=files.spans[["id", "geometry"]], enclosures=files.enclosures[["id", "geometry"]], styles=styles
    )
    base = base_of(f"{key}-{files.fingerprint}", files.backdrops, (south, west, north, east))
    draw_map(base, live, key=key, height=420)
