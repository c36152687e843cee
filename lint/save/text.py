"""Columns of numbers as text, many at a time. Floats are written in the fewest digits that read back to the same float."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.terms import FloatArray, IntArray

_BITE = 65536


def floats(form: str, rows: FloatArray) -> Iterator[str]:
    """`form` filled with each row of floats (n, k); its places are %s. -0.0 is written as 0.0."""
    for start in range(0, len(rows), _BITE):
        piece = rows[start : start + _BITE] + 0.0
        yield (form * len(piece)) % tuple(map(repr, piece.ravel().tolist()))


def ints(form: str, rows: IntArray) -> Iterator[str]:
    """`form` filled with each row of whole numbers (n, k); its places are %d."""
    for start in range(0, len(rows), _BITE):
        piece = np.asarray(rows[start : start + _BITE])
        yield (form * len(piece)) % tuple(piece.ravel().tolist())
