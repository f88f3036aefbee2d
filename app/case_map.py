"""Turn the records of a case into what the map draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import streamlit as st

import drawing_style as style
from loopmend.workbench.screens import CaseScreen
from loopmend.workbench.views import OneLineEnclosure, OneLineEnd, OneLineSpan, OneLineView
from map_layers import MapLive, MapPoint, MapStyle
from map_view import MapBase
from offline_map import backdrop_text


@st.cache_data(show_spinner=False, max_entries=8)
def _backdrop(key: str, _layers: Mapping[str, Any]) -> str:  # noqa: ARG001 - what the cache goes by
    features = [feature for name in sorted(_layers) for feature in _layers[name].__geo_interface__["features"]]
    return backdrop_text({"type": "FeatureCollection", "features": features})


def base_of(name: str, backdrops: Mapping[str, Any], bounds: tuple[float, float, float, float]) -> MapBase:
    """Build the fixed part of a map: backdrop and first extent."""
    return MapBase(bounds=bounds, backdrop=_backdrop(name, backdrops) if backdrops else "")


def live_of(screen: CaseScreen) -> MapLive:
    """Build the part of the map that follows the case."""
    view = screen.whole_view
    styles = {name: span_style(span) for name, span in view.spans.items()}
    beside = _beside(view)
    styles |= {name: replace(styles[name], tip=(*styles[name].tip, words)) for name, words in beside.items()}
    styles |= {name: enclosure_style(place) for name, place in view.enclosures.items()}
    return MapLive(
        spans=_live_on_top(screen.spans, view) if beside else screen.spans,
        enclosures=screen.enclosures,
        styles=styles,
        open_points=open_points(view, screen.enclosures),
    )


def _beside(view: OneLineView) -> dict[str, str]:
    """Say of each phase of a run which others lie in the same line on the map."""
    bundles = (names for layout in view.layouts for names in layout.side_by_side())
    return {
        name: f"beside it: {'; '.join(_said(view.spans[other]) for other in names if other != name)}"
        for names in bundles
        if len(names) > 1
        for name in names
    }


def _live_on_top(spans: Any, view: OneLineView) -> Any:
    """Order lines that cover each other so that a dead phase never hides a live one; the fault is told in words."""
    states = [view.spans[name] for name in spans["id"]]
    return spans.iloc[sorted(range(len(spans)), key=lambda row: (states[row].energy != "dead", states[row].faulted))]


def _said(span: OneLineSpan) -> str:
    words = f"{span.span_id}, phase {span.phases}, {style.ENERGY_WORDS[span.energy]}"
    return f"{words}, faulted" if span.faulted else words


def span_style(span: OneLineSpan) -> MapStyle:
    """Style a span after its state."""
    ends = "; ".join(f"{end.label} at {end.enclosure_id}: {_stands(end)}" for end in span.ends)
    tip = [f"Span {span.span_id}, {span.length_text}, phase {span.phases}", ends]
    if span.p is not None:
        tip.append(f"suspect: {span.p:.1%}")
    if span.verdict:
        tip.append(f"last test: {span.verdict}")
    return MapStyle(
        energy=span.energy, p=span.p, faulted=span.faulted, is_next=span.is_next, note=span.verdict, tip=tuple(tip)
    )


def enclosure_style(place: OneLineEnclosure) -> MapStyle:
    """Style an enclosure after its state."""
    tip = [f"{place.kind} {place.enclosure_id}, phase {place.phases}"]
    if place.street:
        tip.append(place.street)
    if place.customers:
        critical = f", {place.critical} critical" if place.critical else ""
        tip.append(f"{place.customers} customers{critical}, {place.kva:g} kVA")
    if place.bypassed_by:
        tip.append(f"bypassed: {' and '.join(place.bypassed_by)} are joined on its feed-through")
    if place.winding_out:
        tip.append("winding fuse out: its customers are without supply")
    notes = (
        f"{place.enclosure_id} device {place.device}" if place.device else "",
        "BYPASSED" if place.bypassed_by else "",
        "WINDING FUSE OUT" if place.winding_out else "",
    )
    return MapStyle(
        energy=place.energy,
        p=place.p,
        faulted=place.faulted,
        is_next=place.is_next,
        has_crew=place.has_crew,
        is_source=bool(place.device),
        note=", ".join(filter(None, notes)),
        tip=tuple(tip),
    )


def open_points(view: OneLineView, enclosures: Any) -> tuple[MapPoint, ...]:
    """Find the open and grounded ends, and elbows alone on a feed-through, at the enclosures where they are."""
    place = dict(zip(enclosures["id"], enclosures.geometry, strict=True))
    return tuple(
        MapPoint(
            longitude=place[end.enclosure_id].x,
            latitude=place[end.enclosure_id].y,
            words=_end_words(end, span.span_id),
        )
        for span in view.spans.values()
        for end in span.ends
        if end.state != "closed" and not end.joined_to
    )


def _stands(end: OneLineEnd) -> str:
    if end.state != "joined":
        return end.state
    return f"on the feed-through, {f'joined to {end.joined_to}' if end.joined_to else 'alone'}"


def _end_words(end: OneLineEnd, span_id: str) -> str:
    normally = "NORMALLY " if end.normally_open and end.state == "open" else ""
    return f"{normally}{end.state.upper()} {span_id}"
