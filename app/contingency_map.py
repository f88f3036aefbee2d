"""The map of failures ahead: every span by what its failure would mean, told by dash and weight too."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

import folium
from streamlit_folium import st_folium

import drawing_style as style
from map_layers import Feature, GeoLike, features_of
from map_view import CANVAS_FROM, MapBase, build_base_map
from offline_map import Features, TextTip

LOOKS: dict[str, dict[str, Any]] = {
    "nobody": {"color": style.LIVE, "weight": 4, "opacity": 1},
    "by limit": {"color": style.SUSPECT, "weight": 8, "opacity": 1, "dashArray": "14 5", "lineCap": "butt"},
    "no way": {"color": style.FAULT, "weight": 8, "opacity": 1, "dashArray": "2 10"},
    "no answer": {"color": style.PROBLEM, "weight": 5, "opacity": 1, "dashArray": "8 8", "lineCap": "butt"},
    "not asked": {"color": style.DEAD, "weight": 3, "opacity": 1, "dashArray": "3 6", "lineCap": "butt"},
}
WORDS = {
    "nobody": "everybody comes back",
    "by limit": "a limit keeps somebody out",
    "no way": "somebody has no second way",
    "no answer": "no answer: the arrangement holds a loop or a tie",
    "not asked": "not asked yet",
}
_QUIET = ("nobody", "not asked")
_TOUCH = {"color": style.INK, "weight": 24, "opacity": 0, "fill": False}
_PLACE = {"color": style.INK, "weight": 1.5, "fill": True, "fillColor": style.PAPER, "fillOpacity": 1, "radius": 3.5}


def draw_ahead_map(base: MapBase, spans: GeoLike, enclosures: GeoLike, answers: Mapping[str, Any], key: str) -> str:
    """Draw the map and return the id of the span clicked last, or "".

    Parameters
    ----------
    answers
        Of the document's ``spans``, by id; a span that is not there has not been asked.
    """
    lines = list(features_of(spans))
    answer = st_folium(
        build_base_map(base, many=len(lines) > CANVAS_FROM),
        key=f"{key}-{base.fingerprint}",
        height=480,
        use_container_width=True,
        feature_group_to_add=build_ahead_group(lines, list(features_of(enclosures)), answers),
        returned_objects=["last_active_drawing", "last_object_clicked_count"],
    )
    drawing = (answer or {}).get("last_active_drawing") or {}
    return str((drawing.get("properties") or {}).get("id") or "")


def build_ahead_group(
    spans: list[Feature], enclosures: list[Feature], answers: Mapping[str, Any]
) -> folium.FeatureGroup:
    """Build the lines by what is said of them, a wide place to touch with a tip over each, and the enclosures.

    What leaves somebody out lies over the enclosures, which hide every other line where a large circuit is seen whole.
    """
    group = folium.FeatureGroup(name="ahead")
    quiet, loud = (
        [
            _styled(span, LOOKS[said] | {"fill": False, "interactive": False})
            for span in spans
            if ((said := _said(answers, span)) in _QUIET) is below
        ]
        for below in (True, False)
    )
    touched = [_styled(span, _TOUCH, tip=_tip(answers, span)) for span in spans]
    places = [_styled(place, _PLACE | {"interactive": False}) for place in enclosures]
    for features, tips in ((quiet, False), (places, False), (loud, False), (touched, True)):
        if features:
            layer = Features(features)
            if tips:
                layer.add_child(TextTip())
            layer.add_to(group)
    return group


def ahead_legend() -> str:
    """Write the legend as HTML for `st.html`."""
    items = "".join(
        '<span style="display:inline-flex;align-items:center;gap:8px;margin:2px 16px 2px 0">'
        f'<i style="display:inline-block;width:34px;border-top:{_edge(look)}"></i>{escape(WORDS[kind])}</span>'
        for kind, look in LOOKS.items()
    )
    return f'<div style="font-size:14px;color:{style.INK};background:{style.PAPER};padding:4px 6px">{items}</div>'


def _edge(look: Mapping[str, Any]) -> str:
    gap = str(look.get("dashArray", "")).partition(" ")[0]
    kind = "solid" if not gap else "dotted" if float(gap) < 3 else "dashed"
    return f"{look['weight']}px {kind} {look['color']}"


def _said(answers: Mapping[str, Any], span: Feature) -> str:
    answer = answers.get(str(span["properties"]["id"]))
    return "not asked" if answer is None else str(answer["stays_out"])


def _tip(answers: Mapping[str, Any], span: Feature) -> list[str]:
    name = str(span["properties"]["id"])
    lines = [f"If {name} failed: {WORDS[_said(answers, span)]}"]
    answer = answers.get(name)
    if answer is not None and answer["left_out"]:
        lines.append(f"{answer['customers_left']} of {answer['customers_out']} customers stay out")
        lines += [limit["says"] for limit in answer["limits"]]
    return lines


def _styled(feature: Feature, look: Mapping[str, Any], tip: list[str] | None = None) -> Feature:
    properties: dict[str, Any] = {"style": dict(look)}
    if tip is not None:
        properties |= {"id": str(feature["properties"]["id"]), "tip": tip}
    return {"type": "Feature", "properties": properties, "geometry": feature["geometry"]}
