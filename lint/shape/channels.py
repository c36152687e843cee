"""Ways from the flat base up into a cavity that does not lie straight above it: a printed hole may lean, and bend inside the material.

The part is gone through layer by layer from the base up. A way goes from a point to one of the next layer that is not farther aside
than it may lean, so it falls all along and nothing stays in it; of all ways to a point the shortest is kept (Dijkstra's principle on
a graph of layers, which needs no queue). The way is then drawn taut between the bends it needs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lint.shape.block import Block
from lint.shape.drill import LOOK, Bore
from lint.shape.offset_field import Near
from lint.shape.throat import with_throat
from lint.terms import BoolArray, FloatArray, IntArray

# A hole may lean this far from upright, as a slope: it falls by one in 2.75, 20 degrees from level (common practice, no source).
LEAN = 2.75
# A way through the cavity itself counts so many times its length: a hole along its wall would only groove it.
GROOVE = 6.0
# A way is as good an end as the lowest one if it ends within this of it, mm.
SAME_FLOOR = 0.5
# An edge over the axis, in radii: the roof of a hole that lies level leans 39 degrees from the vertical, inside 45 (facts 1.3.1).
PEAK = 1.6
# How far apart two holes open into a cavity counts up to this, mm: more is not worth a longer way (common practice, no source).
FAR = 30.0
TRIES = 4

_Costs = NDArray[np.float32]
_Kind = TypeVar("_Kind", bound=np.generic)


def channels(block: Block, shell: int, widths: Sequence[float], wall: float, taken: list[Bore], peaked: bool) -> list[Bore]:
    """Two holes from the base into the cavity of `shell`, of the widest of `widths`, mm, that fits twice; else one, or none.

    taken: holes into other cavities, to which the wall is kept; peaked: whether the roof of a hole must hold itself up at 45 degrees.
    """
    near = block.near(shell)
    alone: list[Bore] = []
    for width in widths:
        one = _channel(block, shell, width / 2, wall, taken, [], near, peaked)
        if one is None:
            continue
        two = _channel(block, shell, width / 2, wall, taken, [one], near, peaked)
        if two is not None:
            return [one, two]
        alone = alone or [one]
    return alone


def _channel(
    block: Block, shell: int, radius: float, wall: float, taken: list[Bore], mates: list[Bore], near: Near, peaked: bool
) -> Bore | None:
    """A hole to the lowest place of the cavity that can be reached, or, where it has a mate, as far from that as can be."""
    others = [*taken, *mates]
    free = block.room(shell, radius, wall, others)
    peak = PEAK * radius if peaked else radius
    if peaked:  # the edge of the roof keeps the wall as well
        up = int(np.ceil((peak - radius) / block.step))
        free[:-up] &= free[up:]
    ends = openings(block, shell, radius) & free
    rise = max(int(np.ceil(max(wall, radius) / block.step)), 1)  # it begins upright, so that its mouth is round and clear of the rim
    for _ in range(TRIES):
        costs, came = _climbed(block, free, ends, radius, rise)
        cells = np.argwhere(ends & np.isfinite(costs))
        if not len(cells):
            return None
        end = _chosen(block, cells, costs, mates)
        taut, bad = _taut(_way(block, came, end, rise), _Clear(near, others, radius, wall, peak - radius))
        if bad is None:
            bore = with_throat(Bore(taut, radius, radius + 1.0, peak), block, shell, wall, near, others)
            if bore is not None:
                return bore
            bad = taut[-1]
        spot = np.round((bad - block.grid.low) / block.grid.pitch).astype(int)[::-1]
        free[tuple(slice(max(k - 1, 0), k + 2) for k in spot)] = False
        ends &= free
    return None


def openings(block: Block, shell: int, radius: float) -> BoolArray:
    """Cells of a cavity in which a hole opens with its whole width."""
    from scipy.ndimage import distance_transform_edt

    mine = block.hollow == shell
    deep: BoolArray = distance_transform_edt(mine, sampling=block.step) >= radius
    return deep


def _climbed(block: Block, free: BoolArray, ends: BoolArray, radius: float, rise: int) -> tuple[_Costs, NDArray[np.int16]]:
    """Length of the shortest falling way from the base to each cell, mm, infinite for none, and from which neighbour below it came."""
    step = block.step
    lowest = int(np.ceil((block.base - block.grid.low[2]) / step))
    begin = lowest + rise
    costs = np.full(free.shape, np.inf, dtype=np.float32)
    came = np.full(free.shape, -1, dtype=np.int16)
    if begin >= len(free):
        return costs, came
    mouth = (block.footing >= radius + step) & free[lowest : begin + 1].all(axis=0)
    costs[begin][mouth] = rise * step
    aside = _asides()
    length = step * np.hypot(1.0, np.hypot(*aside.T))
    for z in range(begin + 1, len(free)):
        below = np.where(ends[z - 1], np.float32(np.inf), costs[z - 1])
        if not np.isfinite(below).any():
            break
        best = np.full_like(below, np.inf)
        weight = np.where(block.hollow[z] >= 0, np.float32(GROOVE), np.float32(1.0))
        for k, (dy, dx) in enumerate(aside.tolist()):
            cost = _shifted(below, dy, dx, np.inf)
            if max(abs(dy), abs(dx)) > 1:  # no leap over what is not free
                cost[~_shifted(free[z - 1], dy // 2 if dy >= 0 else -(-dy // 2), dx // 2 if dx >= 0 else -(-dx // 2), False)] = np.inf
            cost += np.float32(length[k]) * weight
            better = cost < best
            best[better] = cost[better]
            came[z][better] = k
        best[~free[z]] = np.inf
        costs[z] = best
    return costs, came


def _asides() -> IntArray:
    """Steps aside (k, 2), y and x, that one layer allows; the upright one first."""
    reach = np.arange(-int(LEAN), int(LEAN) + 1)
    y, x = (a.ravel() for a in np.meshgrid(reach, reach, indexing="ij"))
    keep = np.hypot(y, x) <= LEAN
    steps = np.column_stack((y[keep], x[keep]))
    return np.asarray(steps[np.argsort(np.hypot(*steps.T), kind="stable")])


def _shifted(layer: NDArray[_Kind], dy: int, dx: int, empty: float) -> NDArray[_Kind]:
    """What of a layer lies (dy, dx) before each cell, a copy."""
    moved = np.full_like(layer, empty)
    high, wide = layer.shape
    moved[max(dy, 0) : high + min(dy, 0), max(dx, 0) : wide + min(dx, 0)] = (
        layer[max(-dy, 0) : high + min(-dy, 0), max(-dx, 0) : wide + min(-dx, 0)]
    )  # fmt: skip
    return moved


def _chosen(block: Block, cells: IntArray, costs: _Costs, mates: list[Bore]) -> IntArray:
    """The end of the way: the lowest for the first hole, with the shortest way; else far from its mate, but not by a long detour."""
    cost = costs[tuple(cells.T)].astype(np.float64)
    if not mates:
        lowest = cells[:, 0] <= cells[:, 0].min() + SAME_FLOOR / block.step
        cost[~lowest] = np.inf
        return np.asarray(cells[int(np.argmin(cost))])
    apart = np.linalg.norm(block.points(cells) - mates[-1].way[-1], axis=1).clip(max=FAR)
    return np.asarray(cells[int(np.argmax(apart - (cost - cost.min()) / 2))])


def _way(block: Block, came: NDArray[np.int16], end: IntArray, rise: int) -> FloatArray:
    """The points of the way to a cell, (k, 3), from its mouth in the base."""
    aside = _asides()
    cells = [end]
    while came[tuple(cells[-1])] >= 0:
        cells.append(cells[-1] - np.array([1, *aside[came[tuple(cells[-1])]]]))
    points = block.points(np.array(cells[::-1]))
    mouth = points[0].copy()
    mouth[2] = block.base
    return np.vstack((mouth, points))


@dataclass(frozen=True)
class _Clear:
    """What a hole keeps away from. lift: how far the edge of its roof stands over a round one, mm."""

    near: Near
    others: list[Bore]
    radius: float
    wall: float
    lift: float

    def worst(self, piece: FloatArray) -> FloatArray | None:
        """Where the axis along `piece` (k, 3) comes nearest to something, when that is too near."""
        points = Bore(piece, self.radius, 0.0).along(LOOK)
        spare = self.near.nearest(points)[0]
        if self.lift > 0:
            spare = np.minimum(spare, self.near.nearest(points + np.array([0.0, 0.0, self.lift]))[0])
        spare -= self.radius + self.wall
        for bore in self.others:
            spare = np.minimum(spare, bore.off(points) - self.radius - self.wall)
        worst = int(np.argmin(spare))
        return None if spare[worst] >= 0 else np.asarray(points[worst])


def _taut(way: FloatArray, clear: _Clear) -> tuple[FloatArray, FloatArray | None]:
    """The way with no more bends than it needs, and where it comes too near to something (None: nowhere).

    The piece up from the mouth stays as it is.
    """
    kept = [way[0], way[1]]
    at, last = 1, len(way) - 1
    bad = clear.worst(way[:2])
    while at < last and bad is None:
        reach = last
        bad = clear.worst(way[[at, reach]])
        while bad is not None and reach > at + 1:
            reach = max(at + 1, at + (reach - at) * 3 // 4)
            bad = clear.worst(way[[at, reach]])
        kept.append(way[reach])
        at = reach
    return np.array(kept), bad
