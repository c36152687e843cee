"""Arrays of vectors worked on a coordinate at a time, which is several times faster than rows of three numbers.

numpy runs along the last axis; of a row of three it makes three short steps with their overhead. Here a batch of k vectors is a
triple of arrays (k,), and the same sums are made in the same order as by np.cross, np.einsum and np.linalg.norm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lint.terms import FloatArray, IntArray

_ABREAST = 256  # rows compared side by side

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


def reach(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The least and the greatest corner (3,) of rows (k, 3), at least one of them; not a number where some of a column is none."""
    rows = np.ascontiguousarray(rows)
    abreast = rows[: len(rows) // _ABREAST * _ABREAST].reshape(-1, 3 * _ABREAST)  # long steps where a row would be three short ones
    rest = rows[len(abreast) * _ABREAST :]
    if not len(abreast):
        return rest.min(axis=0), rest.max(axis=0)
    low, high = abreast.min(axis=0).reshape(-1, 3), abreast.max(axis=0).reshape(-1, 3)
    return np.vstack((low, rest)).min(axis=0), np.vstack((high, rest)).max(axis=0)


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
