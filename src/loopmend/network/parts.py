"""Number the parts that joins hold together."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from loopmend.network.assets import Ints

FEW = 300
"""Up to so many vertices a loop in Python is faster than laying out a sparse matrix: thirty times for ten of them."""


def number_parts(one: Ints, other: Ints, n: int) -> Ints:
    """Number the connected parts of a graph, in the order of their lowest vertices.

    Parameters
    ----------
    one, other
        The two vertices of every join, shape (n_joins,) each, from 0 to n - 1.
    n
        Number of vertices.

    Returns
    -------
    Ints
        Part of each vertex, from 0 on, shape (n,).
    """
    if n <= FEW:
        return _number_few(one.tolist(), other.tolist(), n)
    matrix = csr_array((np.ones(len(one), dtype=np.int8), (one, other)), shape=(n, n))
    return np.asarray(connected_components(matrix, directed=False)[1], dtype=np.int64)


def _number_few(one: list[int], other: list[int], n: int) -> Ints:
    """Number parts by union-find, the lowest vertex of a part above all its others."""
    above = list(range(n))
    for a, b in zip(one, other, strict=True):
        top_a, top_b = _find_top(above, a), _find_top(above, b)
        above[max(top_a, top_b)] = min(top_a, top_b)
    part = [0] * n
    n_parts = 0
    for vertex, over in enumerate(above):
        if over == vertex:
            part[vertex] = n_parts
            n_parts += 1
        else:
            part[vertex] = part[over]
    return np.array(part, dtype=np.int64)


def _find_top(above: list[int], vertex: int) -> int:
    while above[vertex] != vertex:
        above[vertex] = vertex = above[above[vertex]]
    return vertex
