"""Cups: dips in the skin that hold liquid, or suck at a film laid over them, until a level where they open to the outside.

Seen from below upwards, the skin below a level falls into patches. A dip is a patch that starts at a spot where the skin faces up; it
ends at the level where it runs together with skin that bounds material on the other side: there it spills. All of it is exact on the
faces; nothing is sampled but the level at which a cup is widest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.shells import around
from lint.measure.surface import Extent, Skin
from lint.terms import BoolArray, FloatArray, IntArray, Place

# Dips shallower than this share of the part's size are left out, and never less than 0.3 mm.
SHALLOW = 0.002
LEVELS = 48
# The highest level looked at lies this far below the lip: a flat rim is as wide as rounding makes it. mm.
HAIR = 1e-3


@dataclass(frozen=True)
class Cup:
    """A dip. floor and lip: heights mm; area: its widest opening between them, mm2; volume: what it holds, mm3; deepest: (3,)."""

    floor: float
    lip: float
    area: float
    volume: float
    place: Place
    deepest: tuple[float, float, float]

    @property
    def depth(self) -> float:
        """From the floor to the lip, mm."""
        return self.lip - self.floor


@measure
def cups(skin: Skin, edges: Edges, extent: Extent) -> tuple[Cup, ...]:
    """Every dip of the skin, z up, deepest first. A sealed cavity has no lip and is none."""
    return dips(skin, edges, max(SHALLOW * extent.diagonal, 0.3))


def dips(skin: Skin, edges: Edges, shallow: float) -> tuple[Cup, ...]:
    """Every dip deeper than `shallow` mm.

    Patches run together as in the sorted sweep of a height function (its join tree; Carr, Snoeyink, Axen 2003): basins by steepest
    descent, then only the lowest pass between each two basins is looked at.
    """
    if not len(skin.faces):
        return ()
    sweep = _Sweep(skin, edges)
    sweep.run(shallow)
    found = [_cup(sweep, faces, floor, lip) for faces, floor, lip in sweep.ended]
    return tuple(sorted(found, key=lambda c: (-c.depth, c.floor, -c.volume)))


class _Sweep:
    """Basins of the height function and how they run together."""

    def __init__(self, skin: Skin, edges: Edges) -> None:
        self.skin = skin
        height = skin.vertices[:, 2]
        told = loops.descend if loops.there() else _descend
        self.basin, self.face_basin, self.twice, self.faces_up, apart = told(skin.vertices, skin.faces, edges.ends)
        self.height = height
        a, b = edges.ends[apart].T
        self.pass_low, self.pass_high, self.pass_at = _passes(a, b, self.basin, height)
        self.ended: list[tuple[IntArray, int, float]] = []

    @cached_property
    def by_basin(self) -> tuple[IntArray, IntArray]:
        """Faces in the order of their basins, and those; only where a dip is found anything is asked of it."""
        order = np.argsort(self.face_basin, kind="stable")
        return order, self.face_basin[order]

    def run(self, shallow: float) -> None:
        """Join patches at their passes from the lowest up, and note each dip where it spills."""
        parent: dict[int, int] = {}
        birth: dict[int, int] = {}
        air: dict[int, bool] = {}
        members: dict[int, list[int]] = {}

        def find(x: int) -> int:
            while parent.setdefault(x, x) != x:
                parent[x] = parent[parent[x]]
                x = parent[x]
            return x

        for low, high, at in zip(self.pass_low.tolist(), self.pass_high.tolist(), self.pass_at.tolist(), strict=True):
            one, two = find(low), find(high)
            if one == two:
                continue
            level = float(self.height[at])
            for root in (one, two):
                birth.setdefault(root, root)
                air.setdefault(root, bool(self.faces_up[root]))
                members.setdefault(root, [root])
            elder = one if self.height[birth[one]] <= self.height[birth[two]] else two
            holds = air[elder]
            if air[one] != air[two]:
                dip, rest = (one, two) if air[one] else (two, one)
                deep = level - float(self.height[birth[dip]]) >= shallow
                slight = level - float(self.height[birth[rest]]) < shallow
                if deep:
                    holds = slight or self._area(members[dip] + members[rest], level) > 0
                    if not holds:
                        self.ended.append((self.faces_of(members[dip]), birth[dip], level))
                else:
                    holds = air[elder] if slight else False
            big, small = (one, two) if len(members[one]) >= len(members[two]) else (two, one)
            parent[small] = big
            members[big].extend(members.pop(small))
            birth[big], air[big] = birth[elder], holds

    def faces_of(self, basins: list[int]) -> IntArray:
        """Faces whose lowest corner drains into one of the basins."""
        wanted = np.sort(np.array(basins))
        by_basin, ordered = self.by_basin
        left = np.searchsorted(ordered, wanted, side="left")
        right = np.searchsorted(ordered, wanted, side="right")
        count = right - left
        at = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        return np.asarray(by_basin[np.repeat(left, count) + at])

    def _area(self, basins: list[int], level: float) -> float:
        return self.below(self.faces_of(basins), level)[0]

    def below(self, faces: IntArray, level: float) -> tuple[float, float]:
        """Area in plan (mm2, skin facing up counts as positive) of the faces below a level, and the volume (mm3) between."""
        under = level - self.height[self.skin.faces[faces]]
        area = self.twice[faces] / 2
        low = under > 0
        many = low.sum(axis=1)
        whole = many == 3
        total = float(area[whole].sum())
        volume = float((area[whole] * under[whole].mean(axis=1)).sum())
        for count, odd in ((1, low), (2, ~low)):  # the corner that stands alone, below or above
            some = np.flatnonzero(many == count)
            if not len(some):
                continue
            alone = odd[some].argmax(axis=1)
            f = under[some, alone]
            g, h = under[some, (alone + 1) % 3], under[some, (alone + 2) % 3]
            share = (f / (f - g)) * (f / (f - h))
            piece, held = area[some] * share, area[some] * share * f / 3
            if count == 1:
                total, volume = total + float(piece.sum()), volume + float(held.sum())
            else:
                total += float((area[some] - piece).sum())
                volume += float((area[some] * under[some].mean(axis=1) - held).sum())
        return total, volume


def _descend(vertices: FloatArray, faces: IntArray, ends: IntArray) -> tuple[IntArray, IntArray, FloatArray, BoolArray, IntArray]:
    """The low point that each point (n,) and the lowest corner of each face (m,) comes to along edges, always to the lowest neighbour, of
    equal heights to that of the lower number; twice the area in plan of each face (m,), above zero where it faces up; whether those about
    each point (n,) do on the whole; and the numbers (k,) of edges (e, 2) whose ends come to different low points."""
    order = np.argsort(vertices[:, 2], kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    a, b = ends.T
    lowest = rank.copy()
    np.minimum.at(lowest, a, rank[b])
    np.minimum.at(lowest, b, rank[a])
    down = order[lowest]
    while True:
        further = down[down]
        if np.array_equal(further, down):
            break
        down = further
    one, two, three = (np.take(rank, np.ascontiguousarray(faces[:, k])) for k in range(3))
    face_basin = down[order[np.minimum(np.minimum(one, two), three)]]
    flat = [np.ascontiguousarray(vertices[:, k]) for k in (0, 1)]
    corner = [np.ascontiguousarray(faces[:, k]) for k in range(3)]
    (px, py), (qx, qy), (rx, ry) = ([np.take(along, of) for along in flat] for of in corner)
    twice = (qx - px) * (ry - py) - (qy - py) * (rx - px)
    upward = np.sum([np.bincount(of, weights=twice, minlength=len(order)) for of in corner], axis=0)
    return down, face_basin, twice, np.asarray(upward > 0), np.flatnonzero(down[a] != down[b])


def _passes(a: IntArray, b: IntArray, basin: IntArray, height: FloatArray) -> tuple[IntArray, IntArray, IntArray]:
    """For each two basins that edges a to b (k,) part, the lowest pass over which one goes from one to the other; the lowest pass first.

    A pass is the higher end of its edge: of two as high, that of the higher number.
    """
    one, two = np.minimum(basin[a], basin[b]), np.maximum(basin[a], basin[b])
    top = np.where((height[a] > height[b]) | ((height[a] == height[b]) & (a > b)), a, b)
    order = np.lexsort((top, height[top], two, one))
    keep = np.ones(len(order), dtype=bool)
    keep[1:] = (np.diff(one[order]) != 0) | (np.diff(two[order]) != 0)
    chosen = order[keep]
    chosen = chosen[np.lexsort((top[chosen], height[top[chosen]]))]
    return one[chosen], two[chosen], top[chosen]


def _cup(sweep: _Sweep, faces: IntArray, floor: int, lip: float) -> Cup:
    low = float(sweep.height[floor])
    levels = low + (lip - HAIR - low) * np.arange(1, LEVELS + 1) / LEVELS
    areas = [sweep.below(faces, float(level))[0] for level in levels]
    wet = faces[sweep.height[sweep.skin.faces[faces]].min(axis=1) < lip]
    x, y, z = sweep.skin.vertices[floor].tolist()
    return Cup(low, lip, max(areas), sweep.below(faces, lip)[1], around(sweep.skin, wet), (x, y, z))
