"""Which of many boxes along the axes overlap: a tree of boxes walked against itself, level by level."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from lint.terms import BoolArray, FloatArray, IntArray

Pairs = tuple[NDArray[np.int32], NDArray[np.int32]]
CHUNK = 49_152  # pairs worked on at once: the boxes they touch stay in the processor's cache


def overlapping(low: FloatArray, high: FloatArray) -> Iterator[tuple[IntArray, IntArray]]:
    """Pairs (i, j), i != j, each once, whose boxes share a point; boxes are (n, 3) low and high corners.

    Boxes are sorted along a Morton curve (G. M. Morton 1966, IBM) and paired into ever larger boxes; the tree is then
    compared with itself from the top. Boxes are held in 32 bits, rounded outward, so that none is missed. Yields in chunks.
    """
    if len(low) < 2:
        return
    order = np.argsort(morton((low + high) / 2))
    levels = _tree(low[order], high[order])
    first = np.zeros(1, dtype=np.int32)
    waiting: list[tuple[Pairs, int]] = [((first, first), len(levels) - 1)]
    while waiting:
        (i, j), level = waiting.pop()
        if len(i) > CHUNK:
            half = len(i) // 2
            waiting += [((i[:half], j[:half]), level), ((i[half:], j[half:]), level)]
        elif level == 0:
            if len(i):
                yield order[i], order[j]
        else:
            waiting.append((_children(i, j, levels[level - 1], level == 1), level - 1))


def morton(points: FloatArray) -> NDArray[np.uint64]:
    """The place of each point (n, 3) on a Morton curve through their box, 20 bits an axis."""
    low = points.min(axis=0)
    size = float((points.max(axis=0) - low).max()) or 1.0
    cell = ((points - low) * ((2**20 - 1) / size)).astype(np.uint64)
    code = np.zeros(len(points), dtype=np.uint64)
    for axis in range(3):
        bits = cell[:, axis]
        for shift, mask in (
            (32, 0x1F00000000FFFF), (16, 0x1F0000FF0000FF), (8, 0x100F00F00F00F00F), (4, 0x10C30C30C30C30C3), (2, 0x1249249249249249),
        ):  # fmt: skip
            bits = (bits | (bits << np.uint64(shift))) & np.uint64(mask)
        code |= bits << np.uint64(axis)
    return code


def _tree(low: FloatArray, high: FloatArray) -> list[NDArray[np.float32]]:
    """Boxes as (low, -high) rows of six, level 0 one a leaf, each next level the union of two neighbours."""
    minus = np.float32(-np.inf)
    rows = np.concatenate((np.nextafter(low.astype(np.float32), minus), np.nextafter((-high).astype(np.float32), minus)), axis=1)
    levels = [rows]
    while len(levels[-1]) > 1:
        rows = levels[-1]
        if len(rows) % 2:
            rows = np.vstack((rows, np.full((1, 6), np.inf, dtype=np.float32)))
        levels.append(np.minimum(rows[0::2], rows[1::2]))
    return levels


def _children(i: NDArray[np.int32], j: NDArray[np.int32], boxes: NDArray[np.float32], leaves: bool) -> Pairs:
    """Pairs of children of the node pairs (i, j), i <= j, whose boxes overlap."""
    apart: BoolArray = i != j
    one = np.concatenate((2 * i, 2 * i + 1, 2 * i, (2 * i + 1)[apart]))
    two = np.concatenate((2 * j, 2 * j + 1, 2 * j + 1, (2 * j)[apart]))
    keep = (one < len(boxes)) & (two < len(boxes))
    if leaves:
        keep &= one != two
    one, two = one[keep], two[keep]
    for axis in range(3):
        hit = np.flatnonzero((boxes[one, axis] <= -boxes[two, axis + 3]) & (boxes[two, axis] <= -boxes[one, axis + 3]))
        one, two = one[hit], two[hit]
    return one, two
