"""Which of many boxes along the axes overlap: a tree of boxes walked against itself, level by level."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from lint.measure.vectors import Three, columns
from lint.terms import FloatArray, IntArray

Pairs = tuple[IntArray, IntArray]
Level = tuple[list[NDArray[np.float32]], list[NDArray[np.float32]]]
CHUNK = 49_152  # pairs worked on at once: the boxes they touch stay in the processor's cache


def overlapping(low: FloatArray, high: FloatArray) -> Iterator[tuple[IntArray, IntArray]]:
    """Pairs (i, j), i != j, each once, whose boxes share a point; boxes are (n, 3) low and high corners.

    Boxes are sorted along a Morton curve (G. M. Morton 1966, IBM) and paired into ever larger boxes; the tree is then
    compared with itself from the top. Boxes are held in 32 bits, rounded outward, so that none is missed. Yields in chunks.
    """
    if len(low) < 2:
        return
    order = np.argsort(morton((low + high) / 2))
    for i, j in along_curve(columns(low[order]), columns(high[order])):
        yield order[i], order[j]


def along_curve(low: Three, high: Three) -> Iterator[tuple[IntArray, IntArray]]:
    """The same for boxes that are already in the order of a Morton curve, given a coordinate at a time."""
    if len(low[0]) < 2:
        return
    levels = _tree(low, high)
    first = np.zeros(1, dtype=np.int64)
    waiting: list[tuple[Pairs, int]] = [((first, first), len(levels))]
    while waiting:
        (i, j), level = waiting.pop()
        if len(i) > CHUNK:
            half = len(i) // 2
            waiting += [((i[:half], j[:half]), level), ((i[half:], j[half:]), level)]
        elif level == 0:
            if len(i):
                yield i, j
        else:
            waiting.append((_children(i, j, levels[level - 1], level == 1), level - 1))


def morton(points: FloatArray) -> NDArray[np.uint64]:
    """The place of each point (n, 3) on a Morton curve through their box, 20 bits an axis."""
    axes = columns(points)
    low = [float(x.min()) for x in axes]
    size = max(float(x.max()) - least for x, least in zip(axes, low, strict=True)) or 1.0
    code = np.zeros(len(points), dtype=np.uint64)
    for axis in range(3):
        bits = ((axes[axis] - low[axis]) * ((2**20 - 1) / size)).astype(np.uint64)
        for shift, mask in (
            (32, 0x1F00000000FFFF), (16, 0x1F0000FF0000FF), (8, 0x100F00F00F00F00F), (4, 0x10C30C30C30C30C3), (2, 0x1249249249249249),
        ):  # fmt: skip
            bits |= bits << np.uint64(shift)
            bits &= np.uint64(mask)
        code |= bits << np.uint64(axis)
    return code


def _tree(low: Three, high: Three) -> list[Level]:
    """Boxes as three low and three high coordinates, level 0 one a leaf, each next level the union of two neighbours.

    Each coordinate is held apart for the first and the second of two neighbours, so that row i of both are the children of box i above.
    The top level has one box, and an empty one beside it.
    """
    minus, plus = np.float32(-np.inf), np.float32(np.inf)
    boxes = [np.nextafter(x.astype(np.float32), minus) for x in low] + [np.nextafter(x.astype(np.float32), plus) for x in high]
    levels: list[Level] = []
    while True:
        if len(boxes[0]) % 2:  # an empty box overlaps nothing
            boxes = [np.append(x, plus if k < 3 else minus) for k, x in enumerate(boxes)]
        first, second = ([np.ascontiguousarray(x[k::2]) for x in boxes] for k in (0, 1))
        levels.append((first, second))
        if len(first[0]) == 1:
            return levels
        boxes = [(np.minimum if k < 3 else np.maximum)(first[k], second[k]) for k in range(6)]


def _children(i: IntArray, j: IntArray, level: Level, leaves: bool) -> Pairs:
    """Pairs of children of the node pairs (i, j), i <= j, whose boxes overlap."""
    one = [[np.take(x, i) for x in side] for side in level]
    two = [[np.take(x, j) for x in side] for side in level]
    same = i == j
    found = []
    for a in (0, 1):
        for b in (0, 1):
            hit = one[a][0] <= two[b][3]
            for axis in range(3):
                if axis:
                    hit &= one[a][axis] <= two[b][axis + 3]
                hit &= two[b][axis] <= one[a][axis + 3]
            if a > b or (leaves and a == b):  # a node against itself: its two children once, and a leaf is no pair
                hit &= ~same
            kept = np.flatnonzero(hit)
            found.append((2 * np.take(i, kept) + a, 2 * np.take(j, kept) + b))
    return np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])
