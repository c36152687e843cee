"""What hangs together: components of nodes joined by links."""

from __future__ import annotations

import numpy as np

from lint import loops
from lint.terms import IntArray


def components(count: int, one: IntArray, two: IntArray) -> tuple[IntArray, int]:
    """The component (count,) of each of `count` nodes under links (k,) from `one` to `two`, numbered as their first nodes come; and
    how many there are. Linear, by a forest of pointers or by scipy's search."""
    if loops.there():
        return loops.join(count, one, two)
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(count, count))
    names, label = connected_components(graph, directed=False)
    return label.astype(np.int64), int(names)
