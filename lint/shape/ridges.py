"""Ridges of a cavity's roof: where a layer may open although the layer above it is shut.

A ridge is one point wide, so that it has nothing to hold up, and two slopes go down from it. Ridges of one room form a tree: were they
to close a ring, the material inside the ring would hang in mid-air.
"""

from __future__ import annotations

import numpy as np

from lint.measure.columns import Grid
from lint.shape.offset_field import Field
from lint.terms import BoolArray, IntArray

# Straight arms that go out from the top of a room as its ceiling widens: four leave corners of 90 degrees between them, whose
# hanging edge leans 55 degrees where its two sides lean 45; more arms would make it flatter.
ARMS = 4
# Between the arms a ridge is grown along the middle line of the ceiling every so often, mm.
GROWN_EVERY = 2.0

_TOUCHING = np.ones((3, 3), dtype=np.int64)


class Ridges:
    """The ridges of all rooms, layer by layer from the top."""

    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._tops: list[tuple[int, int]] = []
        self._every = max(round(GROWN_EVERY / float(grid.pitch[2])), 1)

    def begin(self, space: Field, ceiling: BoolArray) -> BoolArray:
        """The first ridge of new rooms: the middle line of their ceilings (a piece each), and the spot their arms go out from."""
        from scipy.ndimage import label, maximum_position
        from skimage.morphology import skeletonize

        pieces, count = label(ceiling)
        tops = np.atleast_2d(np.array(maximum_position(space, pieces, np.arange(1, count + 1)), dtype=np.int64))
        self._tops += [(y, x) for y, x in tops.tolist()]
        ridge: BoolArray = skeletonize(ceiling)
        return ridge

    def grow(self, z: int, free: BoolArray, opened: BoolArray) -> BoolArray:
        """Points of layer `z` to open besides those in `opened`: the arms as far as `free` lets them, and branches that join what is
        open in one place only."""
        from scipy.ndimage import binary_dilation, find_objects, label
        from skimage.morphology import skeletonize

        new = np.zeros_like(opened)
        for y, x in self._tops:
            if free[y, x] and opened[y, x]:
                self._arms(y, x, free, opened, new)
        if z % self._every or not opened.any():
            return new
        known = opened | new
        branches, _ = label(skeletonize(free) & ~known, structure=_TOUCHING)
        for number, place in enumerate(find_objects(branches), start=1):
            wide = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in place)
            mine = branches[wide] == number
            beside = binary_dilation(mine, structure=_TOUCHING) & known[wide]
            if beside.any() and label(beside, structure=_TOUCHING)[1] == 1:
                new[wide] |= mine
                known[wide] |= mine
        return new

    def _arms(self, y: int, x: int, free: BoolArray, opened: BoolArray, new: BoolArray) -> None:
        far = int(np.hypot(*free.shape))
        for arm in range(ARMS):
            angle = 2 * np.pi * (arm + 0.25) / ARMS
            along = np.arange(1, far)
            rows: IntArray = np.round(y + along * np.sin(angle)).astype(np.int64)
            columns: IntArray = np.round(x + along * np.cos(angle)).astype(np.int64)
            inside = (rows >= 0) & (columns >= 0) & (rows < free.shape[0]) & (columns < free.shape[1])
            rows, columns = rows[inside], columns[inside]
            stop = np.flatnonzero(~free[rows, columns])
            end = int(stop[0]) if len(stop) else len(rows)
            shut = np.flatnonzero(~opened[rows[:end], columns[:end]])
            if not len(shut):
                continue
            # An arm that comes out of the open and into it again would close a ring: it ends before.
            again = np.flatnonzero(opened[rows[shut[0] : end], columns[shut[0] : end]])
            end = shut[0] + (int(again[0]) - 1 if len(again) else end - shut[0])
            new[rows[shut[0] : end], columns[shut[0] : end]] = True
