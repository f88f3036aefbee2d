"""Names, code values and units of our own layers: what `loopmend` reads and writes."""

from __future__ import annotations

from loopmend.network.assets import PARKINGS, Device, EnclosureKind, EndState
from loopmend.units import FOOT_M, LENGTH_UNITS_M, MILE_M

ENCLOSURE_COLUMNS = (
    "id",
    "kind",
    "phases",
    "kva",
    "load_kw",
    "load_kvar",
    "customers",
    "critical",
    "source_kv",
    "source_limit_a",
    "source_volts_pu",
    "street",
    "device",
    "parking",
    "winding",
)
"""Columns of the layer ``enclosures``, besides its points."""

SPAN_COLUMNS = (
    "id",
    "from_id",
    "to_id",
    "from_end",
    "to_end",
    "phases",
    "length_m",
    "cable",
    "r_ohm_per_km",
    "x_ohm_per_km",
    "c_nf_per_km",
    "ampacity_a",
    "insulation",
    "installed",
    "construction",
    "indicator",
    "from_device",
    "to_device",
    "from_rated_a",
    "to_rated_a",
    "moved",
)
"""Columns of the layer ``spans``, besides its lines; ``length_ft`` is read too, and written as metres."""

STREET_COLUMNS = ("id", "name", "m_per_min")
"""Columns of the optional layer ``streets``, besides its lines."""

ADDED_COLUMNS = ("device", "parking", "winding", "from_device", "to_device", "from_rated_a", "to_rated_a", "moved")
"""Columns that came after fingerprints were first taken: where they are blank throughout, they do not count in one."""

READ_COLUMNS = {"enclosures": ENCLOSURE_COLUMNS, "spans": (*SPAN_COLUMNS, "length_ft"), "streets": STREET_COLUMNS}
"""Columns that a field map may fill, by layer."""

GEOMETRY_TYPE = {"enclosures": "Point", "spans": "LineString", "streets": "LineString"}
"""The one kind of geometry that each layer holds."""

SHAPEFILE_NAME_LENGTH = 10
"""Characters that a column name keeps in a shapefile (dBase III)."""

KINDS = {kind.value: kind.value for kind in EnclosureKind}
END_STATES = {state.label: int(state) for state in EndState}
CONSTRUCTIONS = ("direct_buried", "duct", "overhead")
END_DEVICES = {device.label: int(device) for device in Device}
SOURCE_DEVICES = {d.label: int(d) for d in (Device.CUTOUT, Device.BREAKER, Device.FUSED_WAY, Device.SWITCH_WAY)}
PARKING_STANDS = {name: name for name in PARKINGS}
WINDINGS = {"in": False, "out": True}
"""Whether the winding fuse of a transformer is out."""

MOVED = {"together": False, "by_phase": True}
"""Whether the elbows of a span are moved phase by phase; together where the layer is silent."""

INDICATORS = {"none": (False, False), "from": (True, False), "to": (False, True), "both": (True, True)}

KILOFOOT_KM = FOOT_M
"""Kilometres in a thousand feet: the same number as metres in a foot."""

MILE_KM = MILE_M / 1000.0

_OHM_PER_KM = {"ohm_per_km": 1.0, "ohm_per_kft": 1.0 / KILOFOOT_KM, "ohm_per_mi": 1.0 / MILE_KM, "ohm_per_m": 1000.0}
_POWER = {"k": 1.0, "": 1e-3, "M": 1e3}

UNITS: dict[str, dict[str, float]] = {
    "length_m": LENGTH_UNITS_M,
    "m_per_min": {"m_per_min": 1.0, "km_per_h": 1000.0 / 60.0, "mph": MILE_M / 60.0},
    "source_kv": {"kV": 1.0, "V": 1e-3},
    "source_limit_a": {"A": 1.0, "kA": 1e3},
    "ampacity_a": {"A": 1.0, "kA": 1e3},
    "from_rated_a": {"A": 1.0, "kA": 1e3},
    "to_rated_a": {"A": 1.0, "kA": 1e3},
    "kva": {f"{prefix}VA": factor for prefix, factor in _POWER.items()},
    "load_kw": {f"{prefix}W": factor for prefix, factor in _POWER.items()},
    "load_kvar": {f"{prefix}var": factor for prefix, factor in _POWER.items()},
    "r_ohm_per_km": _OHM_PER_KM,
    "x_ohm_per_km": _OHM_PER_KM,
    "c_nf_per_km": {
        "nF_per_km": 1.0,
        "uF_per_km": 1e3,
        "uF_per_kft": 1e3 / KILOFOOT_KM,
        "pF_per_ft": 1.0 / KILOFOOT_KM,  # 1e-3 nF over 1e-3 kilofoot
    },
}
"""Units that a field map may name for a column, and what to multiply by to get ours."""


def own_names(columns: list[str], layer: str) -> dict[str, str]:
    """Match the columns of a source layer to ours: exact, in another case, or cut to a shapefile's ten characters.

    Returns
    -------
    dict of str to str
        Our name for each source column that matches; an exact match comes before a looser one.
    """
    cut = {name[:SHAPEFILE_NAME_LENGTH]: name for name in READ_COLUMNS[layer]}
    found: dict[str, str] = {}
    for column in sorted(columns, key=lambda name: name != name.lower()):
        lower = column.lower()
        own = lower if lower in READ_COLUMNS[layer] else cut.get(lower)
        if own is not None and own not in found.values():
            found[column] = own
    return found
