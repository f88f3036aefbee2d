"""What the dispatcher sees when the fault may have burned clear."""

from __future__ import annotations

from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from loopmend.case import requests as rq
from loopmend.workbench.cases import Opening, load_case, start_case, submit
from loopmend.workbench.desk import open_desk

SAMPLE = Path(__file__).parents[2] / "sample_data" / "tern_hollow.gpkg"


@pytest.fixture
def case_id(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A case in which one test of everything was good."""
    monkeypatch.setenv("LOOPMEND_FOLDER", str(tmp_path))
    monkeypatch.delenv("LOOPMEND_STORE", raising=False)
    st.cache_resource.clear()
    desk = open_desk(tmp_path)
    opening = Opening(operated=("R-101",), title="Dark", assumptions={"settings": {"gone_share": 0.3}})
    made = start_case(desk, str(SAMPLE), opening, actor="N. Adair")
    dead = load_case(desk, made)
    found = dead.circuit.spans.span_id.tolist()
    places = dead.circuit.enclosures.enclosure_id.tolist()
    evidence = {"kind": "test", "spans": found, "enclosures": places, "method": "hipot", "verdict": "good"}
    submit(desk, made, rq.RecordEvidence(evidence=evidence), actor="J. Orme")
    desk.store.close()
    return made


def due_page() -> None:
    import streamlit as st

    import case_panels
    import due_panel
    import plan_panel
    import session
    from loopmend.workbench.screens import load_case_screen

    st.session_state.setdefault("name", "N. Adair")
    screen = load_case_screen(session.desk(), st.session_state["open-case"])
    due_panel.show_due(screen)
    case_panels.show_cautions(screen)
    plan_panel.show_plan(screen)


def test_the_panel_says_so_with_its_chance_and_offers_no_closing(case_id: str) -> None:
    page = AppTest.from_function(due_page, default_timeout=30)
    page.session_state["open-case"] = case_id
    page.run()
    assert not page.exception
    said = " ".join([m.value for m in page.markdown] + [c.value for c in page.caption])
    assert "may have burned clear" in said
    assert "decide by company rule whether to energize once" in said
    assert "nothing closes by itself" in said
    assert "The shares hold if it has not." in said
    assert "Never close onto a stretch" in said
    offered = [button.label.lower() for button in page.button]
    assert not [label for label in offered if "close" in label or "energize" in label]
    table = page.dataframe[0].value
    assert set(table["Fault"]) <= {
        f"{kind} {share} %" for kind in ("bolted", "breakdown", "leakage") for share in range(101)
    }
    st.cache_resource.clear()
