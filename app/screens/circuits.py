"""Circuits: load layers, see every finding on the map and in a table, export."""

from __future__ import annotations

import circuit_panels as panels
from session import desk, unit

panels.load_form(desk())
name = panels.choose_circuit(desk())
if name:
    panels.show_circuit(desk(), name, unit())
