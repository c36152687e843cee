"""Chambers: air within a part that a ball of given size cannot reach from outside, such as a drained hollow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.columns import Grid, grid_around, times_inside
from lint.measure.edges import Edges
from lint.measure.surface import Extent, Skin
from lint.measure.within import within
from lint.terms import BoolArray, FloatArray, NotRun

# An opening that a ball of this radius cannot pass counts as shut: drain holes are 5 mm wide at most, a hand's way in is far wider. mm.
SHUT = 6.0
CELLS = 600_000
FINEST = 0.8


@dataclass(frozen=True)
class Chambers:
    """grid and inner: [z, y, x] the air that is shut in; volume: mm3 of it; solid: mm3 of material. Sampled at the grid's pitch."""

    grid: Grid
    inner: BoolArray
    volume: float
    solid: float

    def holds(self, points: FloatArray) -> BoolArray:
        """Which of the points (k, 3) lie in shut-in air, or within a pitch of it."""
        found = np.zeros(len(points), dtype=bool)
        if not self.inner.any():
            return found
        at = [np.round((points[:, k] - self.grid.low[k]) / self.grid.pitch[k]).astype(np.int64) for k in range(3)]
        good = np.flatnonzero(np.logical_and.reduce([(along >= 0) & (along < self.grid.count[k]) for k, along in enumerate(at)]))
        x, y, z = (along[good] for along in at)
        found[good] = self.inner[z, y, x]
        return found


@measure
def chambers(skin: Skin, edges: Edges, extent: Extent) -> Chambers:
    """Shut-in air on a coarse grid: the air that a ball of radius SHUT rolling in from outside does not touch.

    By growing twice by a ball (a closing by reconstruction; Soille, Morphological Image Analysis, ch. 6, from memory).
    Raises NotRun for an open part: it has no inside.
    """
    from scipy.ndimage import label

    if not edges.closed:
        raise NotRun("an open or crowded edge leaves no inside to look into")
    size = extent.high - extent.low
    pitch = max(float((size + 4 * SHUT).prod() / CELLS) ** (1 / 3), FINEST)
    margin = int(np.ceil(SHUT / pitch)) + 2
    grid = grid_around(extent.low, extent.high, np.full(3, pitch), margin)
    air: BoolArray = times_inside(skin.vertices, skin.faces, grid) == 0
    piece, _ = label(~within(~air, SHUT / pitch))
    outside = piece == piece[0, 0, 0]
    del piece
    inner = air & ~within(outside, SHUT / pitch + 1)
    # The fillet a ball leaves in every crease is not a chamber: keep only air that has some depth of its own.
    deep = inner & ~within(~inner, 1.5) if inner.any() else inner
    if deep.any():
        piece, count = label(inner)
        roomy = np.zeros(count + 1, dtype=bool)
        roomy[piece[deep]] = True
        inner = roomy[piece]
    else:
        inner = deep
    cell = pitch**3
    return Chambers(grid, inner, float(inner.sum() * cell), float((~air).sum() * cell))
