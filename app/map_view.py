"""The map of a circuit: streets fixed below, spans and enclosures redrawn in place, a click gives back an id."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import Any

import folium
import streamlit as st
from streamlit_folium import st_folium

import drawing_style as style
from map_layers import MapLive, MapPoint, MapStyle, build_live_group, count_features
from offline_map import FirstView, FitToZoom, OfflineMap, PlainCredit, RawGeo, page_style

__all__ = ["MapBase", "MapLive", "MapPick", "MapPoint", "MapStyle", "build_base_map", "draw_map", "map_legend"]

CANVAS_FROM = 1000
"""From so many features on the map is painted as one picture, which redraws faster."""

_ROOM_FOR_LABELS = (70, 30)
"""Pixels beside and above the outermost assets, so that their names are not cut."""

_RULES = f"""
path.leaflet-interactive:focus{{outline:none}}
.leaflet-container{{background:{style.PAPER};font-family:system-ui,'DejaVu Sans',sans-serif}}
.leaflet-tooltip{{font-size:13px;color:{style.INK};border:1.5px solid {style.INK};border-radius:3px;white-space:normal}}
.map-note{{pointer-events:none}}
.map-note b{{position:absolute;transform:translate(-50%,calc(-50% + var(--lift)));white-space:nowrap;
font-size:12px;line-height:1.25;padding:0 4px;border-radius:3px;
background:{style.PAPER};border:1.5px solid currentColor}}
.map-note b.full{{background:var(--ink);color:{style.PAPER};border-color:var(--ink)}}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapBase:
    """What never changes while a page is open; any change here loads the map anew.

    Attributes
    ----------
    bounds
        South, west, north, east of what is shown first, degrees.
    backdrop
        Text from `offline_map.backdrop_text`, "" for none.
    tile_url, tile_credit
        A tile service of the utility's own; "" for none.
    """

    bounds: tuple[float, float, float, float]
    backdrop: str = ""
    tile_url: str = ""
    tile_credit: str = ""

    @property
    def fingerprint(self) -> str:
        """Short name of the content: st_folium does not notice every change by itself."""
        text = repr((self.bounds, self.backdrop, self.tile_url, self.tile_credit))
        return hashlib.sha256(text.encode()).hexdigest()[:8]


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPick:
    """What was clicked last; ``is_new`` only in the run that the click caused."""

    asset_id: str | None
    is_new: bool


def draw_map(base: MapBase, live: MapLive, key: str, height: int = 520) -> MapPick:
    """Draw the map and tell what was clicked.

    Parameters
    ----------
    key
        Fixed for the page: the map is changed in place, zoom and place are kept.
    height
        Pixels; at most 260 on a phone, where a finger on the map moves the map and not the page.
    """
    features = count_features(live.spans) + count_features(live.enclosures)
    answer = st_folium(
        build_base_map(base, many=features > CANVAS_FROM),
        key=f"{key}-{base.fingerprint}",
        height=height,
        use_container_width=True,
        feature_group_to_add=build_live_group(live),
        returned_objects=["last_active_drawing", "last_object_clicked_count"],
    )
    return _read_pick(answer or {}, f"{key}-clicks-seen")


def _read_pick(answer: Mapping[str, Any], seen_key: str) -> MapPick:
    """Read the id, and whether this click was not yet handled: the answer stays the same on later runs."""
    drawing = answer.get("last_active_drawing") or {}
    asset_id = (drawing.get("properties") or {}).get("id")
    count = answer.get("last_object_clicked_count") or 0
    is_new = asset_id is not None and count != st.session_state.get(seen_key, 0)
    st.session_state[seen_key] = count
    return MapPick(asset_id=None if asset_id is None else str(asset_id), is_new=is_new)


def build_base_map(base: MapBase, *, many: bool = False) -> OfflineMap:
    """Build the fixed part: place, backdrop, scale; nothing in it may depend on the state of a case."""
    south, west, north, east = base.bounds
    drawn = OfflineMap(
        location=[(south + north) / 2, (west + east) / 2],
        zoom_start=16,
        max_zoom=21,
        tiles=None,
        prefer_canvas=many,
        control_scale=True,
        zoom_snap=1 if base.tile_url else 0.25,
    )
    if base.tile_url:
        folium.TileLayer(tiles=base.tile_url, attr=base.tile_credit or "tiles", max_zoom=21).add_to(drawn)
    if base.backdrop:
        drawn.add_child(RawGeo(base.backdrop))
    drawn.add_child(PlainCredit())
    drawn.add_child(FitToZoom())
    drawn.add_child(FirstView(base.bounds, padding=_ROOM_FOR_LABELS))
    drawn.get_root().header.add_child(page_style(_RULES), name="map_view_rules")
    return drawn


_LEGEND = (
    (f"border-top:5px solid {style.LIVE}", "live"),
    (f"border-top:4px dashed {style.DEAD}", "dead by the record, test first"),
    (f"border-top:14px solid {style.SUSPECT_WASH};outline:1px solid {style.SUSPECT}", "suspect, with its probability"),
    (f"border-top:6px dotted {style.FAULT}", "faulted"),
    (f"border-top:6px double {style.NEXT}", "next move"),
    (f"border-top:6px dotted {style.PROBLEM}", "problem in the data"),
    (f"border-top:14px solid {style.FAULT}59", "has failed before (the wider, the more often)"),
    (f"width:12px;height:12px;border-radius:50%;background:{style.LIVE}", "enclosure, live"),
    (f"width:9px;height:9px;border-radius:50%;border:2px dashed {style.DEAD}", "enclosure, dead by the record"),
    (f"width:7px;height:7px;border-radius:50%;border:4px solid {style.LIVE}", "enclosure, partly live"),
    (f"width:5px;height:5px;border-radius:50%;border:3px solid {style.FAULT}", "past failure"),
)


def map_legend() -> str:
    """Write the legend as HTML for `st.html`, which lets no SVG through."""
    items = "".join(
        '<span style="display:inline-flex;align-items:center;gap:8px;margin:2px 16px 2px 0">'
        f'<i style="display:inline-block;box-sizing:content-box;width:34px;{look}"></i>{escape(words)}</span>'
        for look, words in _LEGEND
    )
    return f'<div style="font-size:14px;color:{style.INK};background:{style.PAPER};padding:4px 6px">{items}</div>'
