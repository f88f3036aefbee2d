"""Panels of the circuits screen."""

from __future__ import annotations

from typing import Any

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
from narrow_table import show_table
from session import plain, press, show_reasons

FORMATS: dict[ExportFormat, str] = {
    "gpkg": "GeoPackage",
    "geojson": "GeoJSON",
    "shp": "Shapefile",
    "parquet": "GeoParquet",
    "csv": "CSV with WKT",
}
FEET = 1 / 0.3048
ROWS_AT_ONCE = 10


def load_form(desk: Desk) -> None:
    """Take layers in: look at the findings first, keep the circuit if nothing stops the work."""
    with st.expander("Load layers", expanded=not list_circuits(desk)):
        uploaded = st.file_uploader(
            "One GeoPackage, or the layers of a folder (a zip of them will do); a .toml is taken as the field map",
            accept_multiple_files=True,
            key="upload",
        )
    if not uploaded:
        return
    try:
        files = _read_once({file.name: file.getvalue() for file in uploaded}, tuple(file.file_id for file in uploaded))
    except LoopmendError as error:
        show_reasons([str(finding) for finding in error.findings], headline="These layers cannot be read.")
    else:
        st.subheader(f"Loaded: {plain(files.name)}")
        show_document(check_document(files))
        with st.container(key="upload-findings"):
            _finding_map(files, key="upload-map")
        _keep_form(desk, files)
    st.divider()


def _read_once(uploaded: dict[str, bytes], ids: tuple[str, ...]) -> CircuitFiles:
    """Read an upload, once for as long as the same files are chosen."""
    known, files = st.session_state.get("upload-read", ((), None))
    if known != ids:
        with read_upload(uploaded) as files:
            st.session_state["upload-read"] = (ids, files)
    return files  # type: ignore[no-any-return]


def _keep_form(desk: Desk, files: CircuitFiles) -> None:
    if files.problems:
        st.warning("Not kept: correct what stops the work, then load the layers again.")
        return
    name = st.text_input("Keep it under the name", files.name, key="upload-name")
    if press("Keep this circuit", primary=True, key="upload-keep") is not None:
        try:
            kept = keep_files(desk, files, name).name
        except LoopmendError as error:
            show_reasons([str(finding) for finding in error.findings])
            return
        st.session_state["upload-kept"] = (files.fingerprint, kept)
    fingerprint, kept = st.session_state.get("upload-kept", ("", ""))
    if fingerprint == files.fingerprint:
        st.success(f"Kept as {plain(kept)}.")


def choose_circuit(desk: Desk) -> str | None:
    """Choose among the circuits kept."""
    names = [kept.name for kept in list_circuits(desk)]
    if not names:
        st.info("No circuit is kept yet: load its layers above.")
        return None
    return st.selectbox("Circuit", names, key="circuit")


def show_circuit(desk: Desk, name: str, unit: str) -> None:
    """Show a kept circuit: figures, findings on the map and in a table, export."""
    files = load_circuit(desk, name)
    document = check_document(files)
    scale = FEET if unit == "ft" else 1.0
    figures = [
        ("Enclosures", f"{document['enclosures']:,}"),
        ("Spans", f"{document['spans']:,}"),
        (f"Cable, {unit}", f"{document['length_m'] * scale:,.0f}"),
        ("Customers", f"{document['customers']:,}"),
        ("Sources", f"{len(document['sources'])}"),
    ]
    for column, (label, value) in zip(st.columns(len(figures)), figures, strict=True):
        column.metric(label, value)
    st.caption(f"Sources: {plain(', '.join(document['sources']))}")
    show_document(document)
    _finding_map(files, key="circuit-map")
    export_form(desk, name)


def export_form(desk: Desk, name: str) -> None:
    """Offer the circuit as files of a format of choice."""
    chosen = st.segmented_control(
        "Export as", list(FORMATS), default="gpkg", required=True, format_func=FORMATS.__getitem__, key="export-as"
    )
    file_name, content = export_circuit(desk, name, chosen)
    st.download_button(f"Download {file_name}", content, file_name, key="export-go")


def show_document(document: dict[str, Any]) -> None:
    """Show every finding: those that stop the work first."""
    rows = [(kind, finding) for kind in ("problems", "warnings") for finding in document[kind]]
    if not rows:
        st.success("Nothing found: the circuit can be worked with.")
        return
    stops = len(document["problems"])
    st.markdown(f"**Findings that stop the work: {stops}.** Findings to mind: {len(rows) - stops}.")
    with st.container(height="content" if len(rows) <= ROWS_AT_ONCE else 420, border=True):
        show_table(
            {
                "Weight": ["stops the work" if kind == "problems" else "to mind" for kind, _ in rows],
                "Asset": [plain(f"{f['layer']} {f['id']}".strip()) for _, f in rows],
                "What": [plain(f["problem"]) for _, f in rows],
                "Found": [plain(f["value"]) for _, f in rows],
                "Do": [plain(f["remedy"]) for _, f in rows],
            },
            "findings-table",
        )


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
    base = base_of(f"{key}-{files.fingerprint}", files.drawn, (south, west, north, east))
    draw_map(base, live, key=key, height=420)
