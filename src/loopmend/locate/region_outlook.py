"""What remains to be spent on any part of a dead part when tests err and closing may blow a fuse: a rough look ahead.

The same step as on a line (see `line.look_ahead`): test a side and close the one believed good, or close at once. Only
the most even cuts of each part are tried. A heuristic: no test is repeated in it, and there is one fault.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from loopmend.locate.line import Doubt
from loopmend.locate.model import Cut, SearchModel
from loopmend.network.assets import Bools, Floats

Figures = tuple[float, float, float, float]
"""Worth, crew minutes, customer-minutes, fuses: each times the probability of the part."""

NOTHING: Figures = (0.0, 0.0, 0.0, 0.0)


class OutlookTooLargeError(Exception):
    """The look ahead met more parts than it was allowed."""


@dataclass(eq=False)
class RegionOutlook:
    """Memo over parts (bits of cells) and places.

    Attributes
    ----------
    width
        How many cuts of each part are tried.
    budget
        Most parts to look at.
    served
        Customers fed now whom a blown fuse would put out.
    closes
        Whether anything is closed before the fault is declared; if not, everyone stays out until then.
    """

    model: SearchModel
    doubt: Doubt
    width: int
    budget: int
    served: float = 0.0
    closes: bool = True
    _steps: dict[int, list[tuple[int, Figures]]] = field(default_factory=dict)
    _best: dict[tuple[int, int], Figures] = field(default_factory=dict)

    @cached_property
    def beyond(self) -> Bools:
        """Cells beyond each cut, shape (n_cuts, n_cells)."""
        return np.array([_spread(cut.beyond, len(self.model.weights)) for cut in self.model.cuts], dtype=bool)

    @cached_property
    def weights(self) -> Floats:
        """Probability of each cell."""
        return np.array(self.model.weights)

    @cached_property
    def suspect(self) -> Bools:
        """Whether each cell is a suspect."""
        return _spread(self.model.positive, len(self.model.weights))

    def even_cuts(self, region: int, most: int) -> list[Cut]:
        """Take the cuts that part a region most evenly by probability; ties: nearer the source, then in order."""
        inside = _spread(region, len(self.weights)) & self.suspect
        count = (self.beyond & inside) @ np.ones(len(inside))
        parts = np.flatnonzero((count > 0) & (count < inside.sum()))
        mass = self.beyond[parts] @ (self.weights * inside)
        uneven = np.round(np.abs(2.0 * mass - mass.dtype.type(self.model.mass(region))), 12)
        return [self.model.cuts[parts[k]] for k in np.argsort(uneven, kind="stable")[:most]]

    def best(self, region: int, place: int) -> Figures:
        """What a part still takes from a place, times its probability."""
        model = self.model
        if model.is_settled(region) or model.mass(region) <= 0.0:
            return NOTHING
        found = self._best.get((region, place))
        if found is None:
            mass, out, way = model.mass(region), self._out(region), model.travel[place]
            per_minute = mass * (out + self.doubt.crew_worth)
            where, step = min(self._steps_of(region), key=lambda row: row[1][0] + way[row[0]] * per_minute)
            minutes = way[where] * mass
            found = (
                step[0] + minutes * (out + self.doubt.crew_worth),
                step[1] + minutes,
                step[2] + minutes * out,
                step[3],
            )
            self._best[region, place] = found
        return found

    def _out(self, region: int) -> float:
        return float(self.model.customers(region if self.closes else self.model.whole))

    def _steps_of(self, region: int) -> list[tuple[int, Figures]]:
        found = self._steps.get(region)
        if found is None:
            if len(self._steps) >= self.budget:
                raise OutlookTooLargeError
            self._steps[region] = found = []
            found += [(cut.place, self._step(region, cut)) for cut in self.even_cuts(region, self.width)]
        return found

    def _step(self, region: int, cut: Cut) -> Figures:
        """Split at a cut the cheapest way, less the travel, and go on."""
        model, place = self.model, cut.place
        parts = (region & cut.beyond, region & ~cut.beyond)
        now = self._out(region)
        mass = (model.mass(parts[0]), model.mass(parts[1]))
        # A side comes back when the fault is in the other one.
        live = (self._out(parts[1]) < now, self._out(parts[0]) < now)
        crew, customer = 0.0, 0.0
        for k in (0, 1) if self.closes else ():
            minutes, cost = close_costs(model, now, place, region, parts[k])
            crew, customer = crew + mass[k] * minutes, customer + mass[k] * cost
        risk = self.doubt.fuse_minutes * (float(model.customers(model.whole)) - now + self.served)
        spent = min(self._ways(place, mass, live, now, risk, crew, customer))
        after = [self.best(part, place) for part in parts]
        return tuple(spent[k] + after[0][k] + after[1][k] for k in range(4))  # type: ignore[return-value]

    def _ways(
        self,
        place: int,
        mass: tuple[float, float],
        live: tuple[bool, bool],
        now: float,
        risk: float,
        crew: float,
        customer: float,
    ) -> list[Figures]:
        """Test either side, or close either without: worth and what it is made of."""
        doubt, total = self.doubt, mass[0] + mass[1]
        miss, false = 1.0 - doubt.sensitivity, 1.0 - doubt.specificity
        split, switch = self.model.split[place], self.model.switch[place]
        rows = []
        for side in (0, 1):
            wrong = [0.0, 0.0]
            wrong[side], wrong[1 - side] = miss * mass[side], false * mass[1 - side]
            minutes = split * total
            if doubt.tested_only:
                wrong[1 - side] *= miss
                minutes += doubt.again_minutes * (doubt.sensitivity * mass[side] + false * mass[1 - side])
            rows.append((minutes, wrong))
        if not doubt.tested_only:
            park = max(split - doubt.again_minutes, 0.0) * total
            rows += [(park, [mass[k] if k == side else 0.0 for k in (0, 1)]) for side in (0, 1) if live[side]]
        found = []
        for minutes, wrong in rows:
            blown = sum(p for p, alive in zip(wrong, live, strict=True) if alive)
            lost = sum(wrong) - blown
            time = minutes + blown * (doubt.fuse_minutes + switch) + lost * split
            spent = customer + time * now + blown * risk
            worth = spent + doubt.crew_worth * (crew + time) + doubt.blown_worth * blown
            found.append((worth, crew + time, spent, blown))
        return found


def close_costs(model: SearchModel, now: float, place: int, region: int, left: int) -> tuple[float, float]:
    """Crew minutes and customer-minutes of bringing back what an outcome proved good, ``left`` being what remains.

    In place the crew switches where it stands; go and return charges the way to the live end and back. What has no
    live end yet is charged as if the rest were back: left aside it has to be closed too, some time.
    """
    if model.restoration == "in-place":
        return model.switch[place], now * model.switch[place]
    ends = [number for vertex, number in model.live_ends(region) if vertex & model.closure(region ^ left)]
    if not ends:
        now = float(model.customers(region ^ left))
        ends = [number for _, number in model.live_ends(region ^ left)]
    if not ends:
        return 0.0, 0.0
    after, go, travel = min(float(model.customers(left)), now), model.travel[place], model.travel
    options = [
        (
            now * (go[end] + model.switch[end]) + after * travel[end][place],
            go[end] + model.switch[end] + travel[end][place],
        )
        for end in ends
    ]
    customer, crew = min(options)
    return crew, customer


def _spread(mask: int, n: int) -> Bools:
    """Bits of an integer as a row of booleans."""
    raw = np.frombuffer(mask.to_bytes((n + 7) // 8, "little"), dtype=np.uint8)
    return np.unpackbits(raw, bitorder="little")[:n].astype(bool)
