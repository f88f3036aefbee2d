"""Loopmend: find, isolate and record a failed span in a residential underground cable loop."""
