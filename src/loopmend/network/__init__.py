"""The circuit: assets, the graph over them, the position of every span end, and what feeds what."""
