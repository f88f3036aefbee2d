"""A map that asks no other machine for anything: Leaflet comes from an installed package, served by this very page.

Imported once by the page, before a map is drawn: Streamlit registers the folder of assets at import.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import folium
import streamlit.components.v1 as components
from branca.element import Element, MacroElement
from folium.template import Template
from xstatic.pkg import leaflet

NEEDED = ("leaflet.js", "leaflet.css")


class MissingAssetError(RuntimeError):
    """The package that carries Leaflet is not complete, so every map would stay blank without a word."""


def require_assets(folder: Path) -> Path:
    """Return the folder if Leaflet is complete in it.

    Raises
    ------
    MissingAssetError
        Naming the folder, every missing file and the remedy.
    """
    missing = [name for name in NEEDED if not (folder / name).is_file()]
    if missing:
        raise MissingAssetError(
            f"map assets in {folder}: {', '.join(missing)} missing; install the package xstatic-leaflet again"
        )
    return folder


_assets = components.declare_component("leaflet_assets", path=str(require_assets(Path(leaflet.BASE_DIR))))
ASSET_ROOT = f"../{_assets.name}/"
"""Where a map's frame finds the assets: relative, so that any base path of the server works."""


class OfflineMap(folium.Map):  # type: ignore[misc]
    """A folium map whose only links are the assets served by this page."""

    default_js = [("leaflet", ASSET_ROOT + "leaflet.js")]  # noqa: RUF012 - folium's own way
    default_css = [("leaflet_css", ASSET_ROOT + "leaflet.css")]  # noqa: RUF012


class UnreadElement(MacroElement):  # type: ignore[misc]
    """An element whose script is written once, by st_folium, and never read as a template.

    folium's own way compiles the script it has just written as a template again: slow where it holds the features of
    a large circuit, and an asset whose id holds ``{{`` or ``{%`` would break every map.
    """

    def render(self, **kwargs: Any) -> None:
        """Do nothing: the macro ``script`` of the template is all that is asked for."""


class Features(UnreadElement):
    """A layer of GeoJSON features, each drawn by its ``properties.style``; points are discs.

    Parameters
    ----------
    features
        EPSG:4326, in the order they are drawn.
    """

    _name = "Features"
    _template = Template("""{% macro script(this, kwargs) %}
    var {{ this.get_name() }} = L.geoJson({{ this.text }}, {
      style: function (feature) { return feature.properties.style; },
      pointToLayer: function (feature, at) { return L.circleMarker(at); }
    }).addTo({{ this._parent.get_name() }});{% endmacro %}""")

    def __init__(self, features: Sequence[dict[str, Any]]) -> None:
        super().__init__()
        self.features = features

    @property
    def text(self) -> str:
        """The features as they may stand in a script."""
        return safe_json({"type": "FeatureCollection", "features": self.features})


class TextTip(MacroElement):  # type: ignore[misc]
    """Tooltips of a GeoJSON layer as plain text: each feature's ``properties.tip`` is a list of lines."""

    _name = "TextTip"
    _template = Template("""{% macro script(this, kwargs) %}
    {{ this._parent.get_name() }}.eachLayer(function (layer) {
      var box = document.createElement('div');
      (layer.feature.properties.tip || []).forEach(function (text) {
        var line = document.createElement('div'); line.textContent = text; box.appendChild(line); });
      if (box.childNodes.length) layer.bindTooltip(box, {sticky: true});
    });{% endmacro %}""")


class MapWords(UnreadElement):
    """Words over a layer, deaf to clicks; one element for all, since each marker of its own costs a template.

    Parameters
    ----------
    written
        Latitude and longitude, and the words as HTML in which all text of the user's is escaped.
    """

    _name = "MapWords"
    _template = Template("""{% macro script(this, kwargs) %}
    {{ this.text }}.forEach(function (note) {
      L.marker(note[0], {interactive: false, keyboard: false,
        icon: L.divIcon({html: note[1], iconSize: [0, 0], className: 'map-note'})
      }).addTo({{ this._parent.get_name() }}); });{% endmacro %}""")

    def __init__(self, written: Sequence[tuple[tuple[float, float], str]]) -> None:
        super().__init__()
        self.written = tuple(written)
        self.text = safe_json(self.written)


class RawGeo(UnreadElement):
    """A backdrop that never changes: GeoJSON text drawn thin and grey, deaf to clicks; made by `backdrop_text`."""

    _name = "RawGeo"
    _template = Template("""{% macro script(this, kwargs) %}
    L.geoJson({{ this.text }}, {interactive: false,
      pointToLayer: function (feature, at) { return L.circleMarker(at, {radius: 2, interactive: false}); },
      style: function (feature) { return {color: '#9aa3ad', weight: /Polygon/.test(feature.geometry.type) ? 1 : 2,
        fill: /Polygon/.test(feature.geometry.type), fillColor: '#f1f3f5', fillOpacity: 0.6}; }
    }).addTo({{ this._parent.get_name() }});{% endmacro %}""")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class PlainCredit(MacroElement):  # type: ignore[misc]
    """Take the picture before the map's credit line away; the credit of tiles, if any, stays."""

    _name = "PlainCredit"
    _template = Template("""{% macro script(this, kwargs) %}
    {{ this._parent.get_name() }}.attributionControl.setPrefix(false);{% endmacro %}""")


class FirstView(MacroElement):  # type: ignore[misc]
    """Show the bounds as soon as the map has a size: fitted to a frame without one, a map has no place at all."""

    _name = "FirstView"
    _template = Template("""{% macro script(this, kwargs) %}
    (function (map) {
      function fit() {
        var size = map.getSize();
        if (size.x < 40 || size.y < 40) { map.once('resize', fit); return; }
        map.fitBounds({{ this.bounds }}, {animate: false,
          padding: [Math.min({{ this.padding[0] }}, size.x / 6), Math.min({{ this.padding[1] }}, size.y / 6)]});
      }
      fit();
    })({{ this._parent.get_name() }});{% endmacro %}""")

    def __init__(self, bounds: tuple[float, float, float, float], padding: tuple[int, int]) -> None:
        super().__init__()
        south, west, north, east = bounds
        self.bounds, self.padding = [[south, west], [north, east]], padding


class FitToZoom(MacroElement):  # type: ignore[misc]
    """Keep the map legible at every zoom: smaller discs when far, and no label over another (lowest rank wins)."""

    _name = "FitToZoom"
    _template = Template("""{% macro script(this, kwargs) %}
    (function (map) {
      var waiting = false;
      function fit() {
        waiting = false;
        var scale = Math.max(0.5, Math.min(1, Math.pow(2, (map.getZoom() - 16.25) / 1.5)));
        map.eachLayer(function (layer) {
          var look = layer.setRadius && layer.feature && layer.feature.properties.style;
          if (look && look.radius) layer.setRadius(look.radius * scale);
        });
        var taken = [], notes = Array.from(map.getPane('markerPane').querySelectorAll('.map-note b'));
        notes.sort(function (a, b) { return a.dataset.rank - b.dataset.rank; });
        notes.forEach(function (note) {
          var r = note.getBoundingClientRect();
          var hit = taken.some(function (t) {
            return r.left < t.right && t.left < r.right && r.top < t.bottom && t.top < r.bottom; });
          note.style.visibility = hit ? 'hidden' : 'visible';
          if (!hit) taken.push(r);
        });
      }
      function soon() { if (!waiting) { waiting = true; requestAnimationFrame(fit); } }
      map.on('zoomend layeradd resize', soon);
    })({{ this._parent.get_name() }});{% endmacro %}""")


def safe_json(value: Any) -> str:
    """Write JSON that may stand inside a script: no tag can be opened or closed in it, no place of a template."""
    text = json.dumps(value, separators=(",", ":")).replace("<", "\\u003c").replace(">", "\\u003e")
    return text.replace("{{", "{\\u007b")  # only within a string: in JSON a key stands after a brace


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6)
    return [_rounded(item) for item in value] if isinstance(value, list | tuple) else value


def backdrop_text(collection: dict[str, Any]) -> str:
    """Make the text of a backdrop: geometry alone, coordinates to 0.1 m; cache it, it costs more than the map.

    Parameters
    ----------
    collection
        GeoJSON feature collection, EPSG:4326.
    """
    shapes = [feature["geometry"] for feature in collection["features"] if feature.get("geometry")]
    features = [
        {"type": "Feature", "properties": {}, "geometry": {key: _rounded(value) for key, value in shape.items()}}
        for shape in shapes
    ]
    return safe_json({"type": "FeatureCollection", "features": features})


def outside_links(element: Any) -> list[tuple[str, str]]:
    """List what an element and all below it would fetch from elsewhere: kind and address.

    A tile layer that was asked for by the settings is listed too.
    """
    found: list[tuple[str, str]] = []
    waiting = [element]
    while waiting:
        current = waiting.pop()
        waiting += list(getattr(current, "_children", {}).values())
        links = [link for _, link in [*getattr(current, "default_js", []), *getattr(current, "default_css", [])]]
        links += [str(current.tiles)] if getattr(current, "tiles", None) else []
        found += [(type(current).__name__, link) for link in links if "//" in link]
    return found


def page_style(rules: str) -> Element:
    """Make style rules for the map's own frame."""
    return Element(f"<style>{rules}</style>")
