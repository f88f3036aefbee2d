"""The map of places for indicators: the loop by halves, what is mounted, and the places by number."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

import folium
from streamlit_folium import st_folium

import drawing_style as style
from map_layers import Feature, GeoLike, features_of
from map_view import CANVAS_FROM, MapBase, build_base_map
from offline_map import Features, MapWords, TextTip

HALVES: tuple[dict[str, Any], ...] = (
    {"color": style.LIVE, "weight": 6, "opacity": 1},
    {"color": style.LIVE, "weight": 6, "opacity": 1, "dashArray": "16 6", "lineCap": "butt"},
    {"color": style.LIVE, "weight": 6, "opacity": 1, "dashArray": "4 6", "lineCap": "butt"},
)
"""The first half, the second, and any other."""

OTHER: dict[str, Any] = {"color": style.DEAD, "weight": 2, "opacity": 1}
PLACE: dict[str, Any] = {"color": style.INK, "weight": 1.5, "fill": True, "fillColor": style.PAPER, "fillOpacity": 1}
RADII = {"none": 3.5, "mounted": 6.0, "add": 10.0}
LOOKS: dict[str, dict[str, Any]] = {
    "none": PLACE | {"radius": RADII["none"]},
    "mounted": PLACE | {"radius": RADII["mounted"], "fillColor": style.INK},
    "add": PLACE | {"radius": RADII["add"], "color": style.NEXT, "weight": 5},
}


def draw_places_map(base: MapBase, spans: GeoLike, enclosures: GeoLike, document: Mapping[str, Any], key: str) -> str:
    """Draw the map and return the id of the enclosure or span clicked last, or ""."""
    lines = list(features_of(spans))
    answer = st_folium(
        build_base_map(base, many=len(lines) > CANVAS_FROM),
        key=f"{key}-{base.fingerprint}",
        height=480,
        use_container_width=True,
        feature_group_to_add=build_places_group(lines, list(features_of(enclosures)), document),
        returned_objects=["last_active_drawing", "last_object_clicked_count"],
    )
    drawing = (answer or {}).get("last_active_drawing") or {}
    return str((drawing.get("properties") or {}).get("id") or "")


def build_places_group(
    spans: list[Feature], enclosures: list[Feature], document: Mapping[str, Any]
) -> folium.FeatureGroup:
    """Build the lines by half, a wide place to touch over each, the enclosures by what is there, and the numbers."""
    group = folium.FeatureGroup(name="places")
    half = {name: number for number, one in enumerate(document["halves"]) for name in one["spans"]}
    painted = [_styled(span, _line_look(half, span) | {"fill": False, "interactive": False}) for span in spans]
    said = told_by_enclosure(document)
    discs = [
        _styled(place, LOOKS[_kind(said, place)], tip=[_id(place), *said.get(_id(place), ())]) for place in enclosures
    ]
    for features in (painted, discs):
        if features:
            layer = Features(features)
            if features is discs:
                layer.add_child(TextTip())
            layer.add_to(group)
    at = {_id(place): place["geometry"]["coordinates"] for place in enclosures}
    numbers = [((at[name][1], at[name][0]), _written(words)) for name, words in _numbers(document) if name in at]
    if numbers:
        group.add_child(MapWords(numbers))
    return group


def told_by_enclosure(document: Mapping[str, Any]) -> dict[str, list[str]]:
    """Say of each enclosure what is mounted there and what should be added, added first."""
    found: dict[str, list[str]] = {}
    for one in document["places"]:
        found.setdefault(one["enclosure"], []).append(f"add number {one['n']}: on {one['span']}, {one['end']} end")
    for half in document["halves"]:
        for one in half["mounted"]:
            found.setdefault(one["enclosure"], []).append(f"mounted: on {one['span']}, {one['end']} end")
    return found


def places_legend(document: Mapping[str, Any]) -> str:
    """Write the legend as HTML for `st.html`."""
    rows = [
        (
            f'<i style="display:inline-block;width:34px;border-top:{_edge(_half_look(n))}"></i>',
            f"fed by {half['source']}",
        )
        for n, half in enumerate(document["halves"])
    ]
    rows += [
        (_disc(LOOKS["mounted"]), "indicator mounted"),
        (_disc(LOOKS["add"]), "add one here; the number says in which order"),
    ]
    items = "".join(
        '<span style="display:inline-flex;align-items:center;gap:8px;margin:2px 16px 2px 0">'
        f"{sign}{escape(words)}</span>"
        for sign, words in rows
    )
    return f'<div style="font-size:14px;color:{style.INK};background:{style.PAPER};padding:4px 6px">{items}</div>'


def _half_look(number: int) -> dict[str, Any]:
    return HALVES[min(number, len(HALVES) - 1)]


def _line_look(half: Mapping[str, int], span: Feature) -> dict[str, Any]:
    return _half_look(half[_id(span)]) if _id(span) in half else OTHER


def _kind(said: Mapping[str, list[str]], place: Feature) -> str:
    first = next(iter(said.get(_id(place), ())), "")
    return "add" if first.startswith("add") else "mounted" if first else "none"


def _numbers(document: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Words at each enclosure that gets one or more."""
    found: dict[str, list[str]] = {}
    for one in document["places"]:
        found.setdefault(one["enclosure"], []).append(str(one["n"]))
    for name, numbers in found.items():
        yield name, f"ADD {' + '.join(numbers)}"


def _written(words: str) -> str:
    return f'<b class="full" style="--ink:{style.NEXT};--lift:-24px" data-rank="0">{escape(words)}</b>'


def _edge(look: Mapping[str, Any]) -> str:
    gap = str(look.get("dashArray", "")).partition(" ")[0]
    kind = "solid" if not gap else "dotted" if float(gap) < 6 else "dashed"
    return f"{look['weight']}px {kind} {look['color']}"


def _disc(look: Mapping[str, Any]) -> str:
    size = 2 * look["radius"]
    return (
        f'<i style="display:inline-block;width:{size}px;height:{size}px;border-radius:50%;'
        f'background:{look["fillColor"]};border:{look["weight"]}px solid {look["color"]}"></i>'
    )


def _id(feature: Feature) -> str:
    return str(feature["properties"]["id"])


def _styled(feature: Feature, look: Mapping[str, Any], tip: list[str] | None = None) -> Feature:
    properties: dict[str, Any] = {"style": dict(look)}
    if tip is not None:
        properties |= {"id": _id(feature), "tip": tip}
    return {"type": "Feature", "properties": properties, "geometry": feature["geometry"]}
