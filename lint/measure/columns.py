"""Upright lines through a part: where they cross the skin, and from that which points of a grid lie inside.

The side of an edge on which a line passes is worked out from the edge alone, always from the same end, so that the two faces
that share it agree to the last bit: no line slips between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.terms import BoolArray, FloatArray, IntArray

_AT_ONCE = 2_000_000


@dataclass(frozen=True)
class Grid:
    """A box of points: `low` (3,) the first point, `pitch` (3,) the steps along x, y, z in mm, `count` (3,) how many along each.

    Arrays over a grid are indexed [z, y, x], so that a layer is one piece of memory.
    """

    low: FloatArray
    pitch: FloatArray
    count: tuple[int, int, int]

    @property
    def shape(self) -> tuple[int, int, int]:
        """The shape of an array over the grid."""
        return (self.count[2], self.count[1], self.count[0])

    def points(self, flat: IntArray) -> FloatArray:
        """Coordinates (k, 3) mm of grid points given by their flat numbers (k,)."""
        z, rest = np.divmod(flat, self.count[0] * self.count[1])
        y, x = np.divmod(rest, self.count[0])
        return np.stack((x, y, z), axis=1) * self.pitch + self.low


def grid_around(low: FloatArray, high: FloatArray, pitch: FloatArray, margin: int) -> Grid:
    """A grid over the box from low to high with `margin` spare points on every side, set off from the corner by an odd part of the
    pitch, so that no line runs along a side that is square to the axes."""
    start = low - (margin + 0.382) * pitch
    count = np.ceil((high - start) / pitch).astype(int) + margin + 1
    return Grid(start, np.asarray(pitch, dtype=np.float64), (int(count[0]), int(count[1]), int(count[2])))


@dataclass(frozen=True)
class Crossings:
    """Where upright lines meet the skin. column: (k,) y * nx + x of the line; height: (k,) mm; face: (k,); up: (k,) the skin faces up."""

    column: IntArray
    height: FloatArray
    face: IntArray
    up: BoolArray


def crossings(vertices: FloatArray, faces: IntArray, grid: Grid) -> Crossings:
    """Every crossing of the grid's upright lines with the skin. Linear in faces plus lines under their boxes."""
    flat = [(vertices[:, k] - grid.low[k]) / grid.pitch[k] for k in (0, 1)]
    if loops.there():
        return Crossings(*loops.columns(flat[0], flat[1], vertices, faces, grid.count[0], grid.count[1]))
    first, many = [], []
    for k, along in enumerate(flat):
        a, b, c = (np.take(along, np.ascontiguousarray(faces[:, i])) for i in range(3))
        first.append(np.ceil(np.minimum(np.minimum(a, b), c)).astype(np.int64).clip(min=0))
        last = np.floor(np.maximum(np.maximum(a, b), c)).astype(np.int64).clip(max=grid.count[k] - 1)
        many.append((last - first[k] + 1).clip(min=0))
    lines = many[0] * many[1]
    busy = np.flatnonzero(lines)
    total = np.cumsum(lines[busy])
    found: list[tuple[IntArray, FloatArray, IntArray, BoolArray]] = []
    begin = 0
    while begin < len(busy):
        done = total[begin - 1] if begin else 0
        end = max(int(np.searchsorted(total, done + _AT_ONCE, side="right")), begin + 1)
        found.append(_crossed(vertices, flat, faces, busy[begin:end], first, many, lines, grid.count[0]))
        begin = end
    if not found:
        nothing = np.zeros(0, dtype=np.int64)
        return Crossings(nothing, np.zeros(0), nothing, np.zeros(0, dtype=bool))
    column, height, face, up = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return Crossings(column, height, face, up)


def _crossed(
    vertices: FloatArray, flat: list[FloatArray], faces: IntArray, some: IntArray, first: list[IntArray], many: list[IntArray],
    lines: IntArray, wide: int,
) -> tuple[IntArray, FloatArray, IntArray, BoolArray]:  # fmt: skip
    number = lines[some]
    face = np.repeat(some, number)
    at = np.arange(len(face)) - np.repeat(np.cumsum(number) - number, number)
    row = np.take(many[0], face)
    y = at // row
    x = at - y * row + np.take(first[0], face)
    y += np.take(first[1], face)
    left = np.empty((3, len(face)), dtype=bool)
    size = np.empty((3, len(face)))
    corner = [faces[face, k] for k in range(3)]
    for k in range(3):
        a, b = corner[k - 2], corner[k - 1]
        one, two = np.minimum(a, b), np.maximum(a, b)
        px, py = np.take(flat[0], one), np.take(flat[1], one)
        side = (np.take(flat[0], two) - px) * (y - py) - (np.take(flat[1], two) - py) * (x - px)
        left[k] = (side >= 0) == (a < b)
        size[k] = np.where(a < b, side, -side)
    hit = (left[0] == left[1]) & (left[1] == left[2])
    weight = size[:, hit]
    whole = weight.sum(axis=0)
    upright = vertices[faces[face[hit]], 2]
    with np.errstate(invalid="ignore", divide="ignore"):
        height = np.where(
            whole != 0, (weight[0] * upright[:, 0] + weight[2] * upright[:, 2] + weight[1] * upright[:, 1]) / whole, upright.mean(axis=1)
        )
    return y[hit] * wide + x[hit], height, face[hit], left[0, hit]


def times_inside(vertices: FloatArray, faces: IntArray, grid: Grid) -> np.ndarray[tuple[int, ...], np.dtype[np.int8]]:
    """How many times the closed skin goes round each grid point, int8 of grid.shape: 0 outside, 1 inside, 2 where shells overlap."""
    met = crossings(vertices, faces, grid)
    level = np.ceil((met.height - grid.low[2]) / grid.pitch[2]).astype(np.int64).clip(min=0)
    inside = level < grid.count[2]
    steps = np.zeros(grid.shape, dtype=np.int8)
    flat = level[inside] * (grid.count[0] * grid.count[1]) + met.column[inside]
    np.add.at(steps.reshape(-1), flat, np.where(met.up[inside], -1, 1).astype(np.int8))
    np.cumsum(steps, axis=0, dtype=np.int8, out=steps)
    return steps
