"""Answer a drill's questions: what instruments show of a hidden fault, from physics and luck.

The luck is tied to a seed and to what is asked, so the same drill with the same questions gives the same answers; and a
question put again before its answer is recorded gives the same answer, not a second throw.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np

from loopmend.case.hidden import HiddenFault, HiddenItem
from loopmend.errors import EvidenceError
from loopmend.evidence.methods import Method, load_methods, search_voltage_kv
from loopmend.evidence.simulation import (
    Nature,
    draw_false_alarm,
    is_seen,
    simulate_hipot,
    simulate_indicator,
    simulate_insulation_mohm,
)
from loopmend.locate.dead import DeadPart
from loopmend.network.assets import End

WINDING = Nature(kind="bolted", leak_mohm=0.0)
"""What a direct voltage finds where a winding to ground is left on: full source on the display."""

_WORST_FIRST = ("bolted", "breakdown", "leakage")
_DIRECT = ("direct", "alternating")


@dataclass(frozen=True, slots=True, kw_only=True)
class Luck:
    """Chance tied to a seed and to what is asked.

    Attributes
    ----------
    repeat_share
        Chance that a repetition of a test only repeats its luck, 0 to 1.
    """

    seed: int
    repeat_share: float = 0.5

    def draw(self, *about: object) -> np.random.Generator:
        """Make the generator of one question."""
        digest = hashlib.sha256("|".join(str(part) for part in about).encode()).digest()
        return np.random.default_rng([self.seed, int.from_bytes(digest[:8], "big")])

    def draw_again(self, number: int, *about: object) -> np.random.Generator:
        """Make the generator of the error of a question put again so many times: the first one's, or a new one."""
        first = self.draw(*about)
        if not number:
            return first
        fresh = self.draw(*about, "again", number)
        return first if fresh.random() < self.repeat_share else fresh


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedTest:
    """A test to be answered.

    Attributes
    ----------
    enclosures
        Enclosures whose equipment is joined to the spans.
    windings
        Whether windings to ground are left on between the spans.
    number
        How many times the same test was recorded before.
    """

    spans: tuple[str, ...]
    method: str
    enclosures: tuple[str, ...] = ()
    windings: bool = False
    number: int = 0

    @property
    def items(self) -> frozenset[str]:
        """Ids of everything under test."""
        return frozenset((*self.spans, *self.enclosures))


@dataclass(frozen=True, slots=True, kw_only=True)
class TestGear:
    """What a test is made with, and on.

    Attributes
    ----------
    capacitance_uf, sound_mohm
        Of the stretch; the insulation resistance that the formula gives it at least.
    source_kv, set_mohm
        Reading of the set with the cable at zero, and its resistance.
    """

    __test__ = False  # not a test class, whatever its name suggests

    capacitance_uf: float
    sound_mohm: float
    phase_to_ground_kv: float
    source_kv: float
    set_mohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TestAnswer:
    """What the instrument shows.

    Attributes
    ----------
    readings
        (seconds, kV) of a source-voltage hipot, to be judged; else empty.
    swung
        Whether the display was seen to jump up; None where there is none to watch.
    mohm
        Insulation resistance as read, to be judged; else None.
    verdict
        What it looks like; "" where readings are to be judged.
    """

    __test__ = False  # not a test class, whatever its name suggests

    says: str
    readings: tuple[tuple[float, float], ...] = ()
    swung: bool | None = None
    mohm: float | None = None
    verdict: str = ""


def find_shown(hidden: HiddenFault, asked: AskedTest, luck: Luck) -> Nature | None:
    """Find what shows bad in a test, the worst first: a fault it sees, else a false alarm; None where all looks sound.

    Raises
    ------
    EvidenceError
        If the method table does not know the method.
    """
    method = _method(asked.method)
    if asked.windings and method.applies in _DIRECT:
        return WINDING
    about = (asked.method, *sorted(asked.items))
    seen = [
        item.nature
        for item in hidden.showing
        if item.id in asked.items
        and is_seen(method, item.nature, luck.draw_again(asked.number, "miss", item.id, *about))
    ]
    if seen:
        return min(seen, key=lambda nature: _WORST_FIRST.index(nature.kind))
    return draw_false_alarm(method, luck.draw_again(asked.number, "alarm", *about))


def answer_test(hidden: HiddenFault, asked: AskedTest, gear: TestGear, luck: Luck) -> TestAnswer:
    """Answer a test: readings of a hipot or of insulation resistance, words for the other methods.

    Raises
    ------
    EvidenceError
        If the method is unknown, reads no cable, or the gear cannot be.
    """
    shown = find_shown(hidden, asked, luck)
    if asked.method == "indicator":
        remedy = "ask for the indicator at an elbow"
        raise EvidenceError.about("indicator", "drill", "is read at an elbow, it tests no span", asked.method, remedy)
    noise = luck.draw("noise", asked.method, *sorted(asked.items), asked.number)
    if asked.method == "hipot":
        series = simulate_hipot(
            shown,
            noise,
            rc_s=gear.set_mohm * gear.capacitance_uf,
            set_mohm=gear.set_mohm,
            source_kv=gear.source_kv,
        )
        first, last = series.readings[0], series.readings[-1]
        jumped = f"the display jumped up {series.flashes} times" if series.flashes else "it did not jump up"
        says = f"From {first[1]:g} kV to {last[1]:g} kV in {last[0]:g} s; {jumped}."
        return TestAnswer(says=says, readings=series.readings, swung=series.flashes > 0)
    if asked.method == "insulation":
        mohm = float(f"{simulate_insulation_mohm(shown, noise, sound_mohm=gear.sound_mohm):.3g}")
        return TestAnswer(says=f"{mohm:g} megohms after one minute.", mohm=mohm)
    return TestAnswer(says=_words(asked.method, shown, gear), verdict=shown.kind if shown else "good")


def _method(method_id: str) -> Method:
    methods = load_methods()
    if method_id not in methods:
        remedy = f"use one of {', '.join(methods)}"
        raise EvidenceError.about("", "drill", "the method table does not know this method", method_id, remedy)
    return methods[method_id]


def _words(method: str, shown: Nature | None, gear: TestGear) -> str:
    """Say what an instrument without readings of its own shows."""
    if method == "energize":
        return "It held." if shown is None else "The fuse blew at once."
    if method == "reflectometer":
        return (
            "The pulse comes back from the far end alone."
            if shown is None
            else "Something before the far end turns part of the pulse back."
        )
    reach = load_methods()[method].flashing_up_to.value * search_voltage_kv(gear.phase_to_ground_kv)
    if shown is None:
        return f"It held {reach:.1f} kV, and the current died down."
    if shown.kind == "bolted":
        return "No voltage builds up: the current stands at its limit from the start."
    if shown.kind == "leakage":
        return f"At {reach:.1f} kV the current settled at {1000 * reach / shown.leak_mohm:.0f} microamperes and stayed."
    at = min(shown.flash_over_crest * search_voltage_kv(gear.phase_to_ground_kv), reach)
    return f"At {at:.1f} kV the voltage collapsed, built up again and collapsed again."


def answer_indicator(dead: DeadPart, hidden: HiddenFault, span: str, end: End, luck: Luck) -> str:
    """Answer what the fault indicator on an elbow shows: ``tripped`` or ``not_tripped``; it never changes.

    The current of a fault that has burned clear since passed it all the same.
    """
    passed = find_passed(dead, hidden, span, end)
    generator = luck.draw("indicator", span, end.label)
    if not passed:
        return simulate_indicator(None, generator)
    worst = min(passed, key=lambda item: _WORST_FIRST.index(item.nature.kind))
    return simulate_indicator(worst.nature, generator)


def find_passed(dead: DeadPart, hidden: HiddenFault, span: str, end: End) -> tuple[HiddenItem, ...]:
    """List the hidden faults whose current passed an elbow: parking it would part them from an operated source."""
    passed = []
    for item in hidden.items:
        for source in dead.operated:
            start, vertex = ("enclosure", source), (item.kind, item.id)
            if vertex in dead.trace_from(start) and vertex not in dead.trace_from(start, without=(span, end)):
                passed.append(item)
                break
    return tuple(passed)


def answer_energized(hidden: HiddenFault, asked: AskedTest, luck: Luck) -> bool:
    """Answer whether a stretch holds that is energized."""
    return find_shown(hidden, replace(asked, method="energize"), luck) is None
