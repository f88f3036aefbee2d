"""Trees around one source: proven best without a solver, against every state of every end."""

from __future__ import annotations

import numpy as np
import pytest

from loopmend.network.graph import Circuit, build_circuit
from loopmend.network.positions import Positions, normal_positions
from loopmend.switching import search
from loopmend.switching.restoration import find_restoration
from loopmend.switching.task import Task
from switching.brute_force import Question, best_objective
from switching.small_circuits import CLOSED, OPEN, padmount, source, span
from switching.test_restoration_brute_force import objective_of, require_lawful


def tree_beyond_its_source(rng: np.random.Generator) -> Circuit:
    """Four places on a random tree whose source carries about half of them; charging is strong enough to count."""
    names = ["R", *(f"E{k}" for k in range(4))]
    enclosures = [source("R", source_limit_a=float(rng.uniform(15, 60)), load_kw=0.0, load_kvar=0.0)]
    enclosures += [
        padmount(
            name,
            load_kw=float(rng.uniform(0, 600)),
            load_kvar=float(rng.uniform(0, 300)),
            customers=int(rng.integers(0, 4)),
            critical=int(rng.random() < 0.2),
        )
        for name in names[1:]
    ]
    spans = []
    for k in range(1, 5):
        state = OPEN if rng.random() < 0.2 else CLOSED
        near = names[int(rng.integers(max(0, k - 2), k))]
        spans.append(span(f"S{k}", near, names[k], from_state=state, c_nf_per_km=float(rng.choice([0.0, 9000.0]))))
    return build_circuit(enclosures, spans)


@pytest.mark.parametrize("seed", range(2))
def test_equals_the_best_of_all_states(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng, proven = np.random.default_rng(seed), []

    def watched(task: Task, good: Positions) -> Positions | None:
        proven.append(best := prove_on_tree(task, good))
        return best

    prove_on_tree = search.prove_on_tree
    monkeypatch.setattr(search, "prove_on_tree", watched)
    monkeypatch.setattr(search, "_prove", None)  # no solver
    while len(proven) < 2:
        circuit = tree_beyond_its_source(rng)
        question = Question(circuit, Positions(normal_positions(circuit).states, frozenset({"R"})), (), limits=True)
        found = find_restoration(circuit, question.now, (), limits=True)
        assert found.exact
        assert objective_of(question, found) == best_objective(question)
        require_lawful(question, found)
    assert None not in proven
