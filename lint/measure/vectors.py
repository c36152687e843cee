"""Arrays of vectors worked on a coordinate at a time, which is several times faster than rows of three numbers.

numpy runs along the last axis; of a row of three it makes three short steps with their overhead. Here a batch of k vectors is a
triple of arrays (k,), and the same sums are made in the same order as by np.cross, np.einsum and np.linalg.norm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lint.terms import FloatArray, IntArray

Three = tuple[FloatArray, FloatArray, FloatArray]


def columns(rows: FloatArray) -> Three:
    """Rows (k, 3) as three arrays (k,), each in one piece of memory."""
    x, y, z = (np.ascontiguousarray(rows[:, k]) for k in range(3))
    return x, y, z


def rows(vectors: Three) -> FloatArray:
    """Three arrays (k,) as rows (k, 3)."""
    return np.stack(vectors, axis=1)


def picked(vectors: Three, index: IntArray) -> Three:
    """The vectors of these numbers, in the shape of the index."""
    x, y, z = (np.take(v, index) for v in vectors)
    return x, y, z


def taken(rows: FloatArray, index: IntArray) -> Three:
    """Some of the rows (k, 3) as three arrays, without making columns of all of them: for few, and where memory is short."""
    return columns(np.take(rows, index, axis=0))


def minus(a: Three, b: Three) -> Three:
    """a - b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def cross(a: Three, b: Three) -> Three:
    """The cross product."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def dot(a: Three | Sequence[float], b: Three | Sequence[float]) -> FloatArray:
    """The inner product, (k,)."""
    total: FloatArray = np.asarray(a[0] * b[0] + a[1] * b[1] + a[2] * b[2])
    return total


def length(a: Three) -> FloatArray:
    """The length, (k,)."""
    return np.asarray(np.sqrt(dot(a, a)))
