"""Records that the drawings are made from, for those who may import only the workbench."""

from loopmend.files.circuit import CircuitFiles
from loopmend.network.bundles import name_phases
from loopmend.network.loop_layout import Hop, LoopLayout, LoopLink, LoopRow
from loopmend.network.oneline import OneLineEnclosure, OneLineEnd, OneLineSpan, OneLineView, iterate_rows

__all__ = [
    "CircuitFiles",
    "Hop",
    "LoopLayout",
    "LoopLink",
    "LoopRow",
    "OneLineEnclosure",
    "OneLineEnd",
    "OneLineSpan",
    "OneLineView",
    "iterate_rows",
    "name_phases",
]
