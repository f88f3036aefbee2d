"""Two rules of practice to compare a plan with: halve what is left, or walk out from the source."""

from __future__ import annotations

from functools import partial

from loopmend.locate.model import Cut, SearchModel
from loopmend.locate.policy import Choose


def half_split(model: SearchModel) -> Choose:
    """Split the remaining suspects most evenly by number; ties: the nearest place, then its id, then the elbow."""
    return partial(_choose_half, model)


def _choose_half(model: SearchModel, region: int, position: int | None) -> Cut:
    left = region & model.positive
    count = left.bit_count()
    beyond = [(cut, (left & cut.beyond).bit_count()) for cut in model.cuts]
    best = min(abs(count - 2 * k) for _, k in beyond if 0 < k < count)
    even = [cut for cut, k in beyond if 0 < k < count and abs(count - 2 * k) == best]
    return min(even, key=partial(_nearness, model, position))


def _nearness(model: SearchModel, position: int | None, cut: Cut) -> tuple[float, str, tuple[tuple[str, int], ...]]:
    way = model.start[cut.place] if position is None else model.travel[position][cut.place]
    return way, model.places[cut.place], cut.elbows


def walk(model: SearchModel) -> Choose:
    """Split at the elbow nearest to the source, by elbows passed, that still tells something; ties: enclosure id."""
    ordered = sorted(model.cuts, key=lambda cut: (cut.hops, model.places[cut.place], cut.elbows))
    return partial(_choose_first, model, ordered)


def _choose_first(model: SearchModel, ordered: list[Cut], region: int, position: int | None) -> Cut:
    del position  # the walk goes outward wherever the crew stands
    left = region & model.positive
    return next(cut for cut in ordered if 0 < (left & cut.beyond).bit_count() < left.bit_count())
