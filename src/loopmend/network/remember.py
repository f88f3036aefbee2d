"""Remember what was found of the same positions: while an order is made the same few are asked about often."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, wraps
from typing import TypeVar

from loopmend.network.graph import Circuit
from loopmend.network.positions import Positions

Answer = TypeVar("Answer")

MOST_SPANS = 1_000
"""Answers on larger circuits are not kept: they would take more memory than they save time."""


def remember(find: Callable[[Circuit, Positions], Answer]) -> Callable[[Circuit, Positions], Answer]:
    """Keep the last 256 answers of a function of circuit and positions; both never change, nor may an answer."""
    kept = lru_cache(maxsize=256)(find)

    @wraps(find)
    def find_or_recall(circuit: Circuit, positions: Positions) -> Answer:
        return (kept if circuit.n_spans <= MOST_SPANS else find)(circuit, positions)

    return find_or_recall
