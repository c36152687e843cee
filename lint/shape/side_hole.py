"""Holes through the low side of a part into a cavity to which none leads from the base: the last choice, because they show.

A hole runs straight out and down from the cavity, through one wall, so that it leaves one round mouth. It may come out only where the
skin looks down, or on the lowest part of the sides; the lowest and shortest is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lint.measure.rays import Rays
from lint.shape.block import Block
from lint.shape.channels import FAR, PEAK, openings
from lint.shape.drill import LOOK, Bore
from lint.shape.offset_field import Near
from lint.terms import FloatArray, IntArray

# Skin may be cut on the lowest part of a part's height, or where it looks down so far that it is not seen as the part stands: the sine
# of its slope, 17 degrees (common practice, no source).
LOW = 1 / 3
UNDER = -0.3
# A hole falls outwards by these angles, degrees from level, in so many directions around.
FALLS = (75.0, 60.0, 45.0, 30.0, 15.0, 8.0)
AROUND = 24
SPOTS = 150
# It meets the skin within 45 degrees of square, so that its mouth is round and has no feather edge.
SQUARE = 0.7071
# Near its mouth an axis keeps at least this share of the depth it has under level skin.
LEVEL = 0.7
# Skin that looks down counts as lying this much lower, mm, and each mm of length as so many of height.
HIDDEN = 20.0
SHORT = 2.0
RIM = 16  # lines along the side of a hole that must leave the part once and for all


@dataclass(frozen=True)
class SideHole(Bore):
    """A hole through the side; height: of its mouth above the base, mm; below: whether the skin looks down there."""

    height: float = 0.0
    below: bool = False

    @property
    def where(self) -> str:
        """Where it comes out, for people."""
        return "the underside of the skin" if self.below else "the low side of the skin"


def with_side_holes(
    block: Block, shell: int, widths: Sequence[float], wall: float, taken: list[Bore], have: list[Bore], peaked: bool
) -> list[Bore]:
    """`have`, 0 or 1 holes into the cavity of `shell`, and as many through the low side as make two; `have` for want of room.

    taken: holes into other cavities, to which the wall is kept; widths: mm, those tried; peaked: whether roofs must hold themselves up.
    """
    finder = _Finder(block, shell, wall)
    for width in widths:
        holes = list(have)
        while len(holes) < 2:
            one = finder.hole(width / 2, [*taken, *holes], holes, peaked)
            if one is None:
                break
            holes.append(one)
        if len(holes) == 2:
            return holes
    return have


class _Finder:
    """The outer skin made ready for rays out of one cavity."""

    def __init__(self, block: Block, shell: int, wall: float) -> None:
        skin, facets, hollows = (block.survey.get(n) for n in ("skin", "facets", "hollows"))
        outer = np.flatnonzero(~hollows.hidden)
        self.block, self.shell, self.wall = block, shell, wall
        self.normal: FloatArray = facets.normal[outer]
        self.rays = Rays(skin.vertices, skin.faces[outer], self.normal)
        self.near = Near(skin.vertices, skin.faces[outer])
        extent = block.survey.get("extent")
        self.high = block.base + LOW * float(extent.high[2] - block.base)

    def hole(self, radius: float, others: list[Bore], mates: list[Bore], peaked: bool) -> Bore | None:
        """The best hole of this radius, mm, None where there is none. The first of two starts from the lowest of the cavity if it can."""
        spots = self._spots(radius, others)
        if not len(spots):
            return None
        # the lowest, or as low as lets a level hole stay off the rim of the base
        lowest = max(float(spots[:, 2].min()), self.block.base + radius / SQUARE + self.wall) + 1.5 * self.block.step
        for some in (spots,) if mates else (spots[spots[:, 2] <= lowest], spots):
            found = self._from(some[:: max(len(some) // SPOTS, 1)], radius, others, mates, peaked)
            if found is not None:
                return found
        return None

    def _from(self, spots: FloatArray, radius: float, others: list[Bore], mates: list[Bore], peaked: bool) -> Bore | None:
        from_, way = self._ways(spots)
        face, far = self.rays.first(from_, way)
        met = face >= 0
        from_, way, face, far = from_[met], way[met], face[met], far[met]
        out = from_ + far[:, None] * way
        normal = self.normal[face]
        low = (out[:, 2] <= self.high) | (normal[:, 2] <= UNDER)
        clear = out[:, 2] - self.block.base >= radius / SQUARE + self.wall  # the rim of the base stays whole
        fit = np.flatnonzero(low & clear & (np.einsum("ij,ij->i", normal, way) >= SQUARE))
        cost = out[fit, 2] - HIDDEN * (normal[fit, 2] <= UNDER) + SHORT * far[fit]
        if mates:
            cost -= np.linalg.norm(from_[fit] - mates[-1].way[-1], axis=1).clip(max=FAR) * SHORT
        for k in fit[np.argsort(cost, kind="stable")]:
            hole = SideHole(np.array([out[k], from_[k]]), radius, radius + 1.0, PEAK * radius if peaked else radius)
            if self._fits(hole, way[k], float(far[k]), float(normal[k] @ way[k]), others):
                return replace(hole, height=float(out[k, 2]) - self.block.base, below=bool(normal[k, 2] <= UNDER))
        return None

    def _spots(self, radius: float, others: list[Bore]) -> FloatArray:
        cells: IntArray = np.argwhere(openings(self.block, self.shell, radius))
        if not len(cells):
            return np.zeros((0, 3))
        points = self.block.points(cells)
        for bore in others:
            points = points[bore.off(points) >= radius + self.wall]
        return points

    def _ways(self, spots: FloatArray) -> tuple[FloatArray, FloatArray]:
        fall, turn = (a.ravel() for a in np.meshgrid(np.radians(FALLS), 2 * np.pi * np.arange(AROUND) / AROUND))
        way = np.column_stack((np.cos(fall) * np.cos(turn), np.cos(fall) * np.sin(turn), -np.sin(fall)))
        way = np.vstack((way, [[0.0, 0.0, -1.0]]))
        return np.repeat(spots, len(way), axis=0), np.tile(way, (len(spots), 1))

    def _fits(self, hole: Bore, way: FloatArray, far: float, square: float, others: list[Bore]) -> bool:
        """Whether it goes through one wall, leaves one mouth, and keeps the wall to other skin, other cavities and other holes."""
        points = hole.along(LOOK)
        deep = np.linalg.norm(points - points[0], axis=1)
        if bool((self.near.nearest(points)[0] < np.minimum(hole.radius + self.wall, LEVEL * square * deep)).any()):
            return False
        cells = np.round((points - self.block.grid.low) / self.block.grid.pitch).astype(int)[:, ::-1]
        if bool(np.isin(self.block.hollow[tuple(cells.T)], [-1, self.shell], invert=True).any()):
            return False
        if any(float(bore.off(points).min()) < hole.radius + self.wall for bore in others):
            return False
        return self._leaves_once(hole, way, far)

    def _leaves_once(self, hole: Bore, way: FloatArray, far: float) -> bool:
        aside = np.cross(way, [1.0, 0.0, 0.0] if abs(way[0]) < 0.9 else [0.0, 1.0, 0.0])
        aside /= np.linalg.norm(aside)
        turn = 2 * np.pi * np.arange(RIM)[:, None] / RIM
        start = hole.way[-1] + max(hole.radius, hole.peak) * (np.cos(turn) * aside + np.sin(turn) * np.cross(way, aside))
        ways = np.tile(way, (RIM, 1))
        face, out = self.rays.first(start, ways)
        reach = hole.radius + hole.beyond
        again, _ = self.rays.first(start + (out + self.rays.gap)[:, None] * ways, ways, far + reach + self.wall)
        return bool(((face >= 0) & (out <= far + reach) & (again < 0)).all())
