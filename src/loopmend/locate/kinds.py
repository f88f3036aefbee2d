"""Kinds of fault (bolted, flashing, leaking) and what a verdict says of them. Figures of ours, without a source."""

from __future__ import annotations

import numpy as np

from loopmend.evidence.methods import FAULT_KINDS
from loopmend.network.assets import Floats

KIND_MIX: Floats = np.array([0.30, 0.60, 0.10])
"""Share of bolted, flashing (verdict ``breakdown``) and leaking faults before any test. Planning figure, ours."""

SAID_RIGHT = 0.9
"""Chance that a bad verdict names the kind of the fault; the other two words share the rest. Planning figure, ours:
a flashing fault burns into a bolted one, and a leaking one breaks down under test."""

NO_FAULT = 0
"""State of a hypothesis under a record: no fault within reach of the record; 1, 2, 3 are the kinds in order."""

CONFUSION: Floats = np.full((3, 3), (1.0 - SAID_RIGHT) / 2.0)
"""Chance of each word of a bad verdict (column) by kind of fault (row)."""
np.fill_diagonal(CONFUSION, SAID_RIGHT)


def answer_table(detects: Floats, specificity: float, *, bad: bool) -> Floats:
    """Compute the chance of a bad (or good) answer for any two faults, shape (4, 4) over `NO_FAULT` and the kinds.

    Of two faults within reach, the one that the method sees better decides.

    Parameters
    ----------
    detects
        Chance that the method calls a fault bad, by kind, shape (3,).
    """
    seen = np.concatenate([[1.0 - specificity], detects])
    table = np.maximum.outer(seen, seen)
    table[NO_FAULT], table[:, NO_FAULT] = seen, seen
    return table if bad else _complement(table, specificity)


def _complement(table: Floats, specificity: float) -> Floats:
    good = 1.0 - table
    good[NO_FAULT, NO_FAULT] = specificity  # as given: 1 - (1 - x) is not always x
    return np.asarray(good)


def word_table(detects: Floats, verdict: str) -> Floats:
    """Compute the chance of the word of a bad verdict for any two faults, shape (4, 4).

    Of two faults within reach, the one that the method sees better gives the word, either where it sees both alike.
    A false alarm takes the words that a fault of unknown kind would get: the word alone never says whether there is
    a fault, only of which kind it is.
    """
    column = FAULT_KINDS.index(verdict)
    weight = KIND_MIX * detects if detects.any() else KIND_MIX
    said = np.concatenate([[float(weight @ CONFUSION[:, column]) / float(weight.sum())], CONFUSION[:, column]])
    seen = np.concatenate([[-1.0], detects])
    table = np.where(np.greater.outer(seen, seen), said[:, None], said[None, :])
    alike = np.equal.outer(seen, seen)
    return np.where(alike, (said[:, None] + said[None, :]) / 2.0, table)
