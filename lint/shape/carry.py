"""Carry rims down to a flat base: walls, a land around them where one is wanted, and the underside.

The skin above is not touched: every point of it stays as it is, and all that is new is put below its rims.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.shape.outline import area
from lint.shape.triangles import filled, plumped, spots_on
from lint.terms import FloatArray, IntArray


@dataclass(frozen=True)
class Foot:
    """What one rim's wall comes down to: an outline (k, 2), counter-clockwise for an outer rim, clockwise for a hole.

    Plain feet are in step with the rim's points and the wall goes straight to them. A foot with `wall` has faces of its own: rim points
    numbered first, then the outline's at the heights `at` (k,), from where the wall goes straight down.
    """

    outline: FloatArray
    wall: IntArray | None = None
    at: FloatArray | None = None


@dataclass(frozen=True)
class Stand:
    """What is to be built under the rims. Heights in mm.

    new_below: everything lower is new; floor: height of the underside; outer: (k, 2) outer edge of a flat land at height `new_below`,
    counter-clockwise (None: no land, the walls go down to the floor).
    """

    feet: list[Foot]
    floor: float
    new_below: float
    outer: FloatArray | None = None


@dataclass(frozen=True)
class Built:
    """vertices: the old ones and the new behind them; faces likewise, `first_new` the first new one.

    wall_points: (w, 3) spots on the walls above `new_below`, at most `spacing` mm from the next.
    """

    vertices: FloatArray
    faces: IntArray
    first_new: int
    wall_points: FloatArray
    spacing: float


def carry(vertices: FloatArray, faces: IntArray, loops: list[IntArray], stand: Stand) -> Built:
    """Close the skin below its rims (`loops`: points in the order the faces run along them) as `stand` says.

    Rims that run clockwise seen from above are holes in the base: their walls go through to the floor.
    """
    points: list[FloatArray] = [vertices]
    made: list[IntArray] = []
    count = len(vertices)

    def add(new: FloatArray) -> IntArray:
        nonlocal count
        points.append(new)
        numbers = np.arange(count, count + len(new), dtype=np.int64)
        count += len(new)
        return numbers

    bottoms: list[tuple[FloatArray, IntArray]] = []
    lands: list[tuple[FloatArray, IntArray]] = []
    for loop, foot in zip(loops, stand.feet, strict=True):
        to_land = stand.outer is not None and area(foot.outline) > 0
        level = stand.new_below if to_land else stand.floor
        ring = loop
        if foot.wall is not None and foot.at is not None:
            below = add(np.column_stack((foot.outline, foot.at)))
            made.append(np.concatenate((loop, below))[foot.wall])
            ring = below
        above = np.vstack(points)[ring]
        for row in _rows(above, foot.outline, level):
            below = add(row)
            made.append(_strip(ring, below))
            ring = below
        (lands if to_land else bottoms).append((foot.outline, ring))
    walls = np.vstack(made) if made else np.zeros((0, 3), dtype=np.int64)
    everything = np.vstack(points)
    upper = everything[walls, 2].max(axis=1) > stand.new_below
    spots, spacing = spots_on(everything, walls[upper])
    spots = spots[spots[:, 2] >= stand.new_below - spacing]
    if stand.outer is not None:
        edge = add(_lifted(stand.outer, stand.new_below))
        made.append(_filled([(stand.outer, edge), *((foot[::-1], ring[::-1]) for foot, ring in lands)]))
        below = add(_lifted(stand.outer, stand.floor))
        made.append(_strip(edge, below))
        bottoms.append((stand.outer, below))
    made.append(_filled(bottoms)[:, ::-1])
    return Built(np.vstack(points), np.vstack((faces, *made)).astype(np.int64), len(faces), spots, spacing)


def _lifted(outline: FloatArray, height: float) -> FloatArray:
    return np.column_stack((outline, np.full(len(outline), height)))


def _rows(rim: FloatArray, foot: FloatArray, level: float) -> list[FloatArray]:
    """The rings (n, 3) of a straight wall from below the rim down to its foot at `level`; none when the rim lies there already."""
    height = rim[:, 2] - level
    if float(np.abs(height).max()) == 0:
        return []
    step = float(np.median(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1)))
    count = int(np.clip(np.ceil(float(height.mean()) / max(2 * step, 1e-9)), 1, 12))
    shares = np.arange(1, count) / count
    return [*(np.column_stack((foot, rim[:, 2] - share * height)) for share in shares), _lifted(foot, level)]


def _strip(above: IntArray, below: IntArray) -> IntArray:
    """Faces between two rings of the same number of points, outside on the right of the way they run."""
    above_next, below_next = np.roll(above, -1), np.roll(below, -1)
    return np.vstack((np.stack((above_next, above, below), axis=1), np.stack((above_next, below, below_next), axis=1)))


def _filled(rings: list[tuple[FloatArray, IntArray]]) -> IntArray:
    """Faces that fill flat outlines (holes clockwise), seen from above counter-clockwise."""
    points = np.vstack([outline for outline, _ in rings])
    numbers = np.concatenate([ring for _, ring in rings])
    return numbers[plumped(points, filled([outline for outline, _ in rings]))]
