"""Where a layer begins with nothing under it: low points of the skin with material above, and how far they grow before they join.

Going up through the part, the skin below each level falls into pieces; a piece begins at a low point and ends where it meets an older
one. How far up that is, is how far something printed there would stand alone (persistence of the low points of the height, found by
joining basins in order of the passes between them).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.contact import TOUCH
from lint.measure.edges import Edges
from lint.measure.surface import Extent, Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Basins:
    """Low points of the skin, each with the skin that drains to it.

    low: (b,) skin point; basin: (n,) the basin of every skin point, -1 where no edge ends; start: (b,) whether material lies above
    (else it is the floor of a pit) and the point is off the bed; passes: (p, 2) basins that meet, in order of height, each joining two
    that were apart; level: (p,) z of the pass.
    """

    low: IntArray
    basin: IntArray
    start: BoolArray
    passes: IntArray
    level: FloatArray


@measure
def basins(skin: Skin, edges: Edges, facets: Faces, extent: Extent) -> Basins:
    """Every point is led down along edges to a low point; basins are linked by the lowest pass between them (spanning tree)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import minimum_spanning_tree

    z = np.ascontiguousarray(skin.vertices[:, 2])
    a, b = (np.ascontiguousarray(edges.ends[:, k]) for k in (0, 1))
    one, two = np.take(z, a), np.take(z, b)
    upper = np.where((one > two) | ((one == two) & (a > b)), a, b)  # of two as high, the one with the higher number
    lower = a + b - upper
    down = np.arange(len(z))
    down[upper] = lower
    while True:
        further = down[down]
        if np.array_equal(further, down):
            break
        down = further
    touched = np.zeros(len(z), dtype=bool)
    touched[edges.ends] = True
    low = np.flatnonzero(touched & (down == np.arange(len(z))))
    number = np.full(len(z), -1, dtype=np.int64)
    number[low] = np.arange(len(low))
    basin = np.where(touched, number[down], -1)

    one, two = np.take(basin, upper), np.take(basin, lower)
    apart = np.flatnonzero(one != two)
    first, second = np.minimum(one[apart], two[apart]), np.maximum(one[apart], two[apart])
    height = z[upper[apart]]
    order = np.argsort(height)  # the lowest pass of each pair comes first, and only it is kept
    key = first[order] * max(len(low), 1) + second[order]
    _, kept = np.unique(key, return_index=True)
    pick = order[kept]
    # a spanning tree takes no link of weight zero for a link, so heights are counted from one below the part
    weight = height[pick] - extent.low[2] + 1.0
    tree = minimum_spanning_tree(coo_matrix((weight, (first[pick], second[pick])), shape=(len(low), len(low))).tocsr()).tocoo()
    by_height = np.argsort(tree.data, kind="stable")
    passes = np.stack((tree.row[by_height], tree.col[by_height]), axis=1).astype(np.int64)
    return Basins(
        low=low,
        basin=basin,
        start=(_facing_down(skin, facets, low)) & (z[low] > extent.low[2] + TOUCH),
        passes=passes,
        level=tree.data[by_height] - 1.0 + extent.low[2],
    )


def _facing_down(skin: Skin, facets: Faces, points: IntArray) -> BoolArray:
    """Whether the skin about each of the points (b,) faces down on the whole, so that the material is above it."""
    wanted = np.full(len(skin.vertices), -1, dtype=np.int64)
    wanted[points] = np.arange(len(points))
    corner = wanted[skin.faces]
    face, which = np.nonzero(corner >= 0)
    lean = np.bincount(corner[face, which], weights=facets.normal[face, 2] * facets.area[face], minlength=len(points))
    return np.asarray(lean < 0)


@dataclass(frozen=True)
class Start:
    """One place where a layer begins in the air: points (k, 3) of the skin it begins with, z of its lowest point, and depth: how far up
    it goes before it joins older skin, mm; joins: whether it ever does."""

    points: FloatArray
    z: float
    depth: float
    joins: bool


def mid_air_starts(skin: Skin, basins: Basins, extent: Extent, depth: float) -> list[Start]:
    """The places that stand alone for at least `depth` mm, the deepest first. Shallower dips count to the deeper place they lie in."""
    z = skin.vertices[basins.low, 2]
    count = len(basins.low)
    leader = list(range(count))  # the lowest basin of the piece each belongs to

    def lead(i: int) -> int:
        while leader[i] != i:
            leader[i] = leader[leader[i]]
            i = leader[i]
        return i

    alone = np.full(count, np.inf)
    into = np.arange(count)
    height = z.tolist()
    for (a, b), level in zip(basins.passes.tolist(), basins.level.tolist(), strict=True):
        one, two = lead(a), lead(b)
        old, young = (one, two) if height[one] <= height[two] else (two, one)
        alone[young] = level - height[young]
        into[young] = old
        leader[young] = old
    top = np.full(count, -np.inf)
    roots = np.array([lead(i) for i in range(count)], dtype=np.int64)
    used = basins.basin >= 0
    np.maximum.at(top, roots[basins.basin[used]], skin.vertices[used, 2])
    endless = ~np.isfinite(alone)
    alone[endless] = (top - z)[endless]
    reported = np.flatnonzero(basins.start & (alone >= depth))
    if not len(reported):
        return []
    owner = _owners(into, alone, depth)
    vertex = np.flatnonzero(used)
    mine = owner[basins.basin[vertex]]
    near = vertex[skin.vertices[vertex, 2] <= z[mine] + depth]
    mine = owner[basins.basin[near]]
    order = np.argsort(mine, kind="stable")
    near, mine = near[order], mine[order]
    found = [
        Start(
            points=skin.vertices[near[np.searchsorted(mine, i, "left") : np.searchsorted(mine, i, "right")]],
            z=float(z[i]),
            depth=float(alone[i]),
            joins=not endless[i],
        )
        for i in reported
    ]
    return sorted(found, key=lambda s: -s.depth)


def _owners(into: IntArray, alone: FloatArray, depth: float) -> IntArray:
    """For each basin the one that stands alone for `depth` mm or more which it was taken into, (b,)."""
    owner = np.where(alone >= depth, np.arange(len(into)), into)
    while True:
        further = owner[owner]
        if np.array_equal(further, owner):
            return owner
        owner = further
