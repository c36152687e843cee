"""Which of many boxes along the axes overlap: a tree of boxes walked against itself, level by level."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from lint.measure.vectors import Three, columns
from lint.terms import BoolArray, FloatArray, IntArray

Pairs = tuple[IntArray, IntArray]
Level = list[NDArray[np.float32]]
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
    waiting: list[tuple[Pairs, int]] = [((first, first), len(levels) - 1)]
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
    """Boxes as three low and three high coordinates, level 0 one a leaf, each next level the union of two neighbours."""
    minus, plus = np.float32(-np.inf), np.float32(np.inf)
    levels = [
        [np.nextafter(x.astype(np.float32), minus) for x in low] + [np.nextafter(x.astype(np.float32), plus) for x in high]
    ]
    while len(levels[-1][0]) > 1:
        level = levels[-1]
        if len(level[0]) % 2:
            level = [np.append(x, plus if k < 3 else minus) for k, x in enumerate(level)]
        levels.append([(np.minimum if k < 3 else np.maximum)(x[0::2], x[1::2]) for k, x in enumerate(level)])
    return levels


def _children(i: IntArray, j: IntArray, boxes: Level, leaves: bool) -> Pairs:
    """Pairs of children of the node pairs (i, j), i <= j, whose boxes overlap."""
    apart: BoolArray = i != j
    i, j = 2 * i, 2 * j
    one = np.concatenate((i, i + 1, i, (i + 1)[apart]))
    two = np.concatenate((j, j + 1, j + 1, j[apart]))
    last = len(boxes[0]) - 1
    if len(two) and int(two.max()) > last:
        keep = (one <= last) & (two <= last)
        one, two = one[keep], two[keep]
    if leaves:
        keep = one != two
        one, two = one[keep], two[keep]
    for axis in range(3):
        hit = np.flatnonzero(
            (np.take(boxes[axis], one) <= np.take(boxes[axis + 3], two)) & (np.take(boxes[axis], two) <= np.take(boxes[axis + 3], one))
        )
        one, two = np.take(one, hit), np.take(two, hit)
    return one, two
