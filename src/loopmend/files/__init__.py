"""GIS layers in and out: circuits, field maps, cables, tables of failures."""
