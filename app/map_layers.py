"""The changing part of the map: how spans, enclosures, open points and failures look, and their words.

As in the one-line drawing nothing is told by colour alone: dashes, weights, rings and words say it again.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html import escape
from itertools import pairwise
from typing import Any

import folium
import shapely

import drawing_style as style
from offline_map import Features, MapWords, TextTip

Feature = dict[str, Any]
GeoLike = Mapping[str, Any]
"""A GeoJSON feature collection, or a GeoDataFrame; EPSG:4326, with ``id`` among the properties."""

LABELS_SHOWN = 40
"""More percentages than this would hide the map; the likeliest are shown, the tips tell the rest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapStyle:
    """State of one span or enclosure on the map.

    Attributes
    ----------
    energy
        ``live``, ``part`` or ``dead``.
    p
        Probability of holding the fault, None if not suspect.
    is_problem
        Something about it is wrong in the data.
    failures
        Past failures, told by the width of a band and by their number.
    note
        A word to be written beside it, such as a riser's name or a verdict.
    tip
        Lines of its tooltip, plain text.
    """

    energy: str = "live"
    p: float | None = None
    faulted: bool = False
    is_problem: bool = False
    is_next: bool = False
    has_crew: bool = False
    is_source: bool = False
    failures: int = 0
    note: str = ""
    tip: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPoint:
    """A point that is no asset's own: an open point (words shown) or a failure (an id to click)."""

    longitude: float
    latitude: float
    words: str = ""
    point_id: str = ""
    tip: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MapLive:
    """What may change from one run to the next; ``styles`` by the id of a span or enclosure."""

    spans: GeoLike
    enclosures: GeoLike
    styles: Mapping[str, MapStyle] = field(default_factory=dict)
    open_points: tuple[MapPoint, ...] = ()
    failures: tuple[MapPoint, ...] = ()


def build_live_group(live: MapLive) -> folium.FeatureGroup:
    """Build the part that changes: cables, wide places to touch, enclosures, failures, words."""
    group = folium.FeatureGroup(name="circuit")
    spans, enclosures = list(features_of(live.spans)), list(features_of(live.enclosures))
    styles = {name: live.styles.get(name, MapStyle()) for name in map(_id, [*spans, *enclosures])}
    _add(group, [_painted(span, look) for span in spans for look in _cable_looks(styles[_id(span)])])
    _add(group, [_touchable(span, styles[_id(span)], _TOUCH) for span in spans], tips=True)
    _add(group, [_painted(place, look) for place in enclosures for look in _ring_looks(styles[_id(place)])])
    _add(
        group,
        [_touchable(place, styles[_id(place)], _disc(styles[_id(place)])) for place in enclosures],
        tips=True,
    )
    _add(group, [_failure(point) for point in live.failures], tips=True)
    _add(
        group,
        [_painted(_at_point(point), _circle(4, style.INK, style.PAPER)) for point in live.open_points],
    )
    if notes := [(note.at, _written(note)) for note in _notes(live, [*spans, *enclosures], styles)]:
        group.add_child(MapWords(notes))
    return group


def features_of(collection: GeoLike) -> Iterator[Feature]:
    """Go through the features; a GeoDataFrame must be in degrees.

    Raises
    ------
    ValueError
        If a GeoDataFrame is in another system, or a feature has no id.
    """
    crs = getattr(collection, "crs", None)
    if crs is not None and crs.to_epsg() != 4326:
        raise ValueError(f"map layer is in {crs.to_string()}, must be EPSG:4326; convert it with to_crs")
    for number, feature in enumerate(_frame_features(collection) if crs is not None else collection["features"]):
        if (feature.get("properties") or {}).get("id") is None:
            raise ValueError(f"map feature {number} has no id among its properties; add one")
        yield feature


def _frame_features(frame: Any) -> Iterator[Feature]:
    """Write id and shape of each row; geopandas's own way takes ten times as long, on every redraw of a page."""
    shapes = map(json.loads, shapely.to_geojson(frame.geometry.array))
    for name, shape in zip(frame["id"], shapes, strict=True):
        yield {"type": "Feature", "properties": {"id": name}, "geometry": shape}


def count_features(collection: GeoLike) -> int:
    """Count the features without going through them."""
    return len(collection if hasattr(collection, "crs") else collection["features"])


def _id(feature: Feature) -> str:
    return str(feature["properties"]["id"])


_TOUCH = {"color": style.INK, "weight": 26, "opacity": 0, "fill": False}


def _cable_looks(state: MapStyle) -> list[dict[str, Any]]:
    """Paint a cable from below: the band of suspicion, its paper core, the cable itself."""
    shade, looks = style.shade_step(state.p), []
    if state.failures:
        width = 8 + 3 * min(state.failures, 6)
        looks.append({"color": style.FAULT, "weight": width, "opacity": 0.35, "lineCap": "butt"})
    if state.is_problem:
        looks.append({"color": style.PROBLEM, "weight": 16, "opacity": 0.45, "dashArray": "2 8"})
    if shade:
        looks.append(
            {"color": style.SUSPECT, "weight": 10 + 4 * shade, "opacity": 0.2 + 0.15 * shade, "lineCap": "butt"}
        )
        looks.append({"color": style.PAPER, "weight": 7, "opacity": 1, "lineCap": "butt"})
    if state.is_next:
        looks.append({"color": style.NEXT, "weight": 11, "opacity": 1, "lineCap": "butt"})
        looks.append({"color": style.PAPER, "weight": 7, "opacity": 1, "lineCap": "butt"})
    if state.faulted:
        looks.append({"color": style.PAPER, "weight": 9, "opacity": 1})
        looks.append({"color": style.FAULT, "weight": 6, "opacity": 1, "dashArray": "3 9"})
    elif state.energy == "dead":
        looks.append({"color": style.DEAD, "weight": 3.5, "opacity": 1, "dashArray": "8 6", "lineCap": "butt"})
    else:
        looks.append({"color": style.LIVE, "weight": 5, "opacity": 1})
    return looks


def _ring_looks(state: MapStyle) -> list[dict[str, Any]]:
    rings = []
    if shade := style.shade_step(state.p):
        rings.append({"radius": 9 + 2 * shade, "color": style.SUSPECT, "weight": 1.5, "fillOpacity": 0.15 * shade})
    if state.is_problem:
        rings.append({"radius": 14, "color": style.PROBLEM, "weight": 3, "dashArray": "2 5", "fill": False})
    if state.is_next:
        rings.append({"radius": 12, "color": style.NEXT, "weight": 3, "fill": False})
    if state.faulted:
        rings.append({"radius": 11, "color": style.FAULT, "weight": 4, "fill": False})
    return rings


def _disc(state: MapStyle) -> dict[str, Any]:
    """Draw an enclosure: full when live, empty and dashed when dead, large at a source."""
    radius = 9 if state.is_source else 6.5
    if state.energy == "dead":
        return _circle(radius, style.DEAD, style.PAPER) | {"dashArray": "3 3"}
    fill = style.LIVE if state.energy == "live" else style.PAPER
    return _circle(radius, style.INK if fill == style.LIVE else style.LIVE, fill) | {
        "weight": 2 if fill == style.LIVE else 4
    }


def _circle(radius: float, ink: str, fill: str) -> dict[str, Any]:
    return {
        "radius": radius,
        "color": ink,
        "weight": 2,
        "fill": True,
        "fillColor": fill,
        "fillOpacity": 1,
        "opacity": 1,
    }


def _painted(feature: Feature, look: dict[str, Any]) -> Feature:
    return {
        "type": "Feature",
        "properties": {"style": {"fill": "fillOpacity" in look, **look, "interactive": False}},
        "geometry": feature["geometry"],
    }


def _touchable(feature: Feature, state: MapStyle, look: dict[str, Any]) -> Feature:
    tip = list(state.tip) or [_id(feature)]
    properties = {"id": _id(feature), "tip": tip, "style": look}
    return {"type": "Feature", "properties": properties, "geometry": feature["geometry"]}


def _at_point(point: MapPoint) -> Feature:
    geometry = {"type": "Point", "coordinates": [point.longitude, point.latitude]}
    return {"type": "Feature", "properties": {"id": point.point_id}, "geometry": geometry}


def _failure(point: MapPoint) -> Feature:
    """Draw a past failure as a small ring with a heavy edge and an empty middle, unlike any enclosure."""
    return _touchable(
        _at_point(point), MapStyle(tip=point.tip), _circle(4.5, style.FAULT, style.PAPER) | {"weight": 3.5}
    )


def _add(group: folium.FeatureGroup, features: list[Feature], *, tips: bool = False) -> None:
    if features:
        layer = Features(features)
        if tips:
            layer.add_child(TextTip())
        layer.add_to(group)


@dataclass(frozen=True, slots=True)
class _Note:
    """Words at a place (latitude, longitude), ``lift`` pixels above it; a lower rank stays when there is no room."""

    at: tuple[float, float]
    words: str
    ink: str
    is_full: bool = False
    lift: float = 0.0
    rank: float = 0.0


def _notes(live: MapLive, drawn: list[Feature], styles: Mapping[str, MapStyle]) -> Iterator[_Note]:
    """Say in words what colour and dash say; words at one place are stacked."""
    suspects = [feature for feature in drawn if style.shade_step(styles[_id(feature)].p)]
    suspects.sort(key=lambda feature: (-(styles[_id(feature)].p or 0.0), _id(feature)))
    shown = {_id(feature) for feature in suspects[:LABELS_SHOWN]}
    for feature in drawn:
        state = styles[_id(feature)]
        lift = 22.0 if feature["geometry"]["type"] == "Point" else 18.0
        for words, ink, is_full in _note_words(state, with_p=_id(feature) in shown):
            rank = 0.0 if is_full else 3.0 - (state.p or 0.0) if ink == style.SUSPECT else 1.0
            yield _Note(_middle(feature), words, ink, is_full, lift, rank)
            lift += 20.0
    stacked: Counter[tuple[float, float]] = Counter()
    for point in live.open_points:
        at = (point.latitude, point.longitude)
        yield _Note(at, point.words or "NORMALLY OPEN", style.INK, lift=-24.0 - 20.0 * stacked[at], rank=1.5)
        stacked[at] += 1


def _note_words(state: MapStyle, *, with_p: bool) -> Iterator[tuple[str, str, bool]]:
    if state.note:
        yield state.note, style.INK, False
    if state.failures:
        yield f"{state.failures} failure{'s' if state.failures > 1 else ''}", style.FAULT, False
    if state.faulted:
        yield "FAULT", style.FAULT, True
    elif with_p and state.p is not None:
        yield style.percent_text(state.p), style.SUSPECT, False
    if state.is_next:
        yield "NEXT MOVE", style.NEXT, True
    if state.has_crew:
        yield "CREW HERE", style.INK, True


def _middle(feature: Feature) -> tuple[float, float]:
    """Latitude and longitude halfway along a line, or of a point."""
    shape = feature["geometry"]
    if shape["type"] == "Point":
        return shape["coordinates"][1], shape["coordinates"][0]
    line = shape["coordinates"] if shape["type"] == "LineString" else max(shape["coordinates"], key=len)
    pieces = [((x2 - x) ** 2 + (y2 - y) ** 2) ** 0.5 for (x, y, *_), (x2, y2, *_) in pairwise(line)]
    left = sum(pieces) / 2
    for piece, (x, y, *_), (x2, y2, *_) in zip(pieces, line, line[1:], strict=False):
        if left <= piece and piece > 0:
            return y + (y2 - y) * left / piece, x + (x2 - x) * left / piece
        left -= piece
    return line[0][1], line[0][0]


def _written(note: _Note) -> str:
    ink = f"--ink:{note.ink};" if note.is_full else f"color:{note.ink};"
    look = (
        f'class="{"full" if note.is_full else "plain"}" style="{ink}--lift:{-note.lift:g}px" data-rank="{note.rank:g}"'
    )
    return f"<b {look}>{escape(note.words)}</b>"
