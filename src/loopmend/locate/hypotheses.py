"""Every hypothesis about the fault, and the likelihood of the records under each: where, which phases, which kind.

Items that no record tells apart share a class, so that the kinds (and phases) cost little: with m classes the pairs
take (3 m)^2 numbers for each record, and n^2 once.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from loopmend.evidence.methods import FAULT_KINDS
from loopmend.locate.kinds import KIND_MIX
from loopmend.locate.likelihood import Factor
from loopmend.locate.priors import Prior
from loopmend.network.assets import PHASE_BITS, Bools, Floats, Ints

MULTI_PHASE_SHARE = 0.1
"""Share of the faults of a span of several phases that are on all of them; the rest is on one, each phase alike.
Planning figure, ours."""


@dataclass(frozen=True, slots=True, eq=False)
class Atoms:
    """Items by the phases faulted: one row for each pair of item and phase set.

    Attributes
    ----------
    item, phases
        Row of the item, and its faulted phases (bits), shape (a,).
    share
        Share of the item's hypotheses, shape (a,), sums to 1 over an item.
    """

    item: Ints
    phases: Ints
    share: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Classes:
    """Hypotheses that no record tells apart.

    Attributes
    ----------
    pattern
        Which factors see a fault of the class, shape (m, n_factors).
    of_atom
        Class of each atom, shape (a,).
    share
        Share of each item's hypotheses in each class, shape (n, m).
    """

    pattern: Bools
    of_atom: Ints
    share: Floats


@dataclass(frozen=True, eq=False)
class Hypotheses:
    """The hypotheses of a prior, in classes under given factors.

    Simplifications, all ours: a kind of fault is as likely on any item; two faults have kinds and phases of their
    own, independent of one another, and a record that reaches both shows the one it sees better; a fault that is gone
    was a single one.

    Attributes
    ----------
    now, gone
        Classes of a fault that still shows, and of one that burned clear: of that only lasting factors tell.
    by_phase
        Whether items are parted by phase.
    """

    prior: Prior
    factors: tuple[Factor, ...]
    atoms: Atoms
    now: Classes
    gone: Classes
    by_phase: bool

    def tables(self, kept: Collection[int]) -> list[Floats | None]:
        """Likelihood of the kept records, one table per factor, each over its greatest entry."""
        found = (factor.table(kept) for factor in self.factors)
        return [table if table is None or not table.any() else table / table.max() for table in found]

    @cached_property
    def pair_support(self) -> Bools:
        """Which two classes some pair of the prior lies in, shape (m, m)."""
        if self.prior.pair is None:
            return np.zeros((len(self.now.pattern),) * 2, dtype=bool)
        held = (self.now.share > 0.0).astype(float)
        found = held.T @ (self.prior.pair > 0.0) @ held > 0.0
        return np.asarray(found | found.T)

    def best(self, kept: Collection[int], enough: float = np.inf) -> float:
        """Greatest likelihood of the kept records under any hypothesis of the prior, over the greatest of each factor.

        Pairs are looked at only where the others stay below ``enough``.
        """
        tables = self.tables(kept)
        alone = self.prior.single > 0.0
        ways = (self.now, self.gone) if self.prior.gone > 0.0 else (self.now,)
        found = [
            float(single_likelihood(way.pattern, tables)[(way.share[alone] > 0.0).any(axis=0)].max()) for way in ways
        ]
        if max(found) < enough and self.prior.pair is not None:
            support = np.repeat(np.repeat(self.pair_support, 3, axis=0), 3, axis=1)
            likelihood = pair_likelihood(self.now.pattern, tables)
            found.append(float(likelihood[support].max(initial=0.0)))
        return max(found)


def build_hypotheses(prior: Prior, factors: Sequence[Factor]) -> Hypotheses:
    """Spread a prior out by phase, where a record or the operated fuses tell phases apart, and put it in classes."""
    masks = prior.phases
    told = [factor.phases for factor in factors] + ([prior.operated_phases] if prior.operated_phases else [])
    by_phase = masks is not None and any(((masks & told_of) != masks).any() for told_of in told)
    by_phase = by_phase or bool(prior.operated_phases)
    atoms = _split_by_phase(masks) if by_phase and masks is not None else _whole(len(prior.ids))
    seen = np.zeros((len(atoms.item), len(factors)), dtype=bool)
    for k, factor in enumerate(factors):
        seen[:, k] = factor.reach[atoms.item] & ((atoms.phases & factor.phases) != 0)
    lasting = np.array([factor.lasting for factor in factors], dtype=bool)
    n = len(prior.ids)
    return Hypotheses(
        prior, tuple(factors), atoms, _classes(seen, atoms, n), _classes(seen & lasting, atoms, n), by_phase
    )


def _whole(n: int) -> Atoms:
    return Atoms(np.arange(n), np.full(n, sum(PHASE_BITS.values())), np.ones(n))


def _split_by_phase(masks: Ints) -> Atoms:
    rows: list[tuple[int, int, float]] = []
    for item, mask in enumerate(masks.tolist()):
        single = [bit for bit in PHASE_BITS.values() if mask & bit]
        if len(single) < 2:
            rows.append((item, mask, 1.0))
            continue
        rows += [(item, bit, (1.0 - MULTI_PHASE_SHARE) / len(single)) for bit in single]
        rows.append((item, mask, MULTI_PHASE_SHARE))
    columns = list(zip(*rows, strict=True))
    return Atoms(np.array(columns[0]), np.array(columns[1]), np.array(columns[2]))


def _classes(seen: Bools, atoms: Atoms, n: int) -> Classes:
    if seen.shape[1] == 0:
        pattern, of_atom = np.zeros((1, 0), dtype=bool), np.zeros(len(seen), dtype=np.int64)
    else:
        pattern, of_atom = np.unique(seen, axis=0, return_inverse=True)
        of_atom = of_atom.reshape(-1)
    share = np.zeros((n, len(pattern)))
    np.add.at(share, (atoms.item, of_atom), atoms.share)
    return Classes(pattern, of_atom, share)


def _states(pattern: Bools) -> Ints:
    """State of each class and kind under each factor, shape (m, 3, n_factors)."""
    kinds = np.arange(1, len(FAULT_KINDS) + 1)
    return np.asarray(pattern[:, None, :] * kinds[None, :, None])


def single_likelihood(pattern: Bools, tables: Sequence[Floats | None]) -> Floats:
    """Likelihood of one fault by class and kind, shape (m, 3)."""
    states = _states(pattern)
    found = np.ones(states.shape[:2])
    for k, table in enumerate(tables):
        if table is not None:
            found *= table[states[:, :, k], 0]
    return found


def pair_likelihood(pattern: Bools, tables: Sequence[Floats | None]) -> Floats:
    """Likelihood of two faults by class and kind of each, shape (3 m, 3 m), kinds varying fastest."""
    states = _states(pattern).reshape(3 * len(pattern), len(tables))
    found = np.ones((len(states),) * 2)
    for k, table in enumerate(tables):
        if table is not None:
            found *= table[states[:, k][:, None], states[:, k][None, :]]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Prior times likelihood, not normalized.

    Attributes
    ----------
    single, pair
        As in `Prior`; a pair is None where the prior has none.
    gone
        Weight of a fault that shows nowhere any more, by item where it was, shape (n,).
    by_kind
        Weight of each item being faulted, alone or with another, by kind, shape (n, 3).
    by_atom
        The same by item and phases, shape (a,).
    gone_by_kind
        Weight of a fault that is gone, by item and kind, shape (n, 3).
    """

    single: Floats
    pair: Floats | None
    gone: Floats
    by_kind: Floats
    by_atom: Floats
    gone_by_kind: Floats


def weigh(hypotheses: Hypotheses, kept: Collection[int]) -> Weighed:
    """Weigh every hypothesis by the kept records."""
    prior, now, atoms = hypotheses.prior, hypotheses.now, hypotheses.atoms
    tables = hypotheses.tables(kept)
    alone = single_likelihood(now.pattern, tables) * KIND_MIX
    by_kind = prior.single[:, None] * (now.share @ alone)
    by_atom = prior.single[atoms.item] * atoms.share * alone.sum(axis=1)[now.of_atom]
    single, pair = by_kind.sum(axis=1), None
    if prior.pair is not None:
        mix = np.tile(KIND_MIX, len(now.pattern))
        both = (
            (mix[:, None] * pair_likelihood(now.pattern, tables) * mix).reshape(len(now.pattern), 3, -1, 3).sum(axis=3)
        )
        pair = prior.pair * (now.share @ both.sum(axis=1) @ now.share.T)
        other = prior.pair @ now.share + prior.pair.T @ now.share
        # Weight of an item in a class and of a kind, over the classes of the other item.
        paired = np.tensordot(other, both, axes=([1], [2]))
        by_kind = by_kind + np.einsum("nc,nck->nk", now.share, paired)
        by_atom = by_atom + atoms.share * paired.sum(axis=2)[atoms.item, now.of_atom]
    gone_by_kind = _gone(hypotheses, tables)
    return Weighed(single, pair, gone_by_kind.sum(axis=1), by_kind, by_atom, gone_by_kind)


def _gone(hypotheses: Hypotheses, tables: Sequence[Floats | None]) -> Floats:
    single = hypotheses.prior.single
    likelihood = single_likelihood(hypotheses.gone.pattern, tables) * KIND_MIX
    return np.asarray((single / single.sum())[:, None] * (hypotheses.gone.share @ likelihood))
