"""How much of the material lies how deep under the skin: a coarse count, for what hollowing would save."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.columns import grid_around, times_inside
from lint.measure.edges import Edges
from lint.measure.nearest import distances
from lint.measure.surface import Extent, Skin
from lint.terms import FloatArray, IntArray, NotRun

CELLS = 90_000
# Depth is exact down to this many grid steps, and this many mm; below that no wall is asked for and the grid's own depth will do.
EXACT_STEPS = 2.0
EXACT = 8.0


@dataclass(frozen=True)
class Depths:
    """depth: (k,) mm under the skin at evenly spaced points inside, from point to point: never less than the true one; cell: mm3 each
    stands for; pitch: their spacing, mm; true: the distances from the skin of the points of these numbers, mm, as far as so many mm."""

    depth: FloatArray
    cell: float
    pitch: float
    true: Callable[[IntArray, float], FloatArray]

    @property
    def whole(self) -> float:
        """Volume in mm3 of all material."""
        return len(self.depth) * self.cell

    def deeper_at_most(self, level: float) -> float:
        """As `deeper`, rather too much, at once."""
        return float(self._share(self.depth, level).sum() * self.cell)

    def deeper(self, level: float) -> float:
        """Volume in mm3 of the material deeper than `level` mm; a point counts by the share of its cell that does.

        The distance to the nearest face is taken for the outermost layers, where it may decide: what is not deep enough from point
        to point is not deep enough.
        """
        near = self.depth <= max(EXACT_STEPS * self.pitch, EXACT) + self.pitch
        told = np.flatnonzero(near & (self.depth > level - self.pitch / 2))
        share = self._share(self.depth, level)
        share[told] = self._share(self.true(told, (level + self.pitch / 2) * (1 + 1e-9)), level)  # what is deeper counts whole
        return float(share.sum() * self.cell)

    def _share(self, depth: FloatArray, level: float) -> FloatArray:
        return np.asarray(np.clip((depth - level) / self.pitch + 0.5, 0.0, 1.0))


@measure
def depths(skin: Skin, edges: Edges, extent: Extent, longest: FloatArray, tree: loops.Tree | None) -> Depths:
    """Depth at the points of a coarse grid that lie inside, from point to point (Felzenszwalb and Huttenlocher 2012, in scipy),
    and the way to their distances from the skin itself.

    Raises NotRun for an open part: it has no inside.
    """
    from scipy.ndimage import distance_transform_edt

    if not edges.closed:
        raise NotRun("an open or crowded edge leaves no inside to measure")
    a, b, c = sorted((extent.high - extent.low).tolist(), reverse=True)
    pitch = max((a * b * c / CELLS) ** (1 / 3), (a * b / CELLS) ** (1 / 2), a / CELLS)  # a part may be as thin as a sheet or a thread
    grid = grid_around(extent.low, extent.high, np.full(3, pitch), margin=1)
    inside = times_inside(skin.vertices, skin.faces, grid) > 0
    depth: FloatArray = distance_transform_edt(inside, sampling=pitch)[inside]
    number = np.flatnonzero(inside)
    return Depths(depth, pitch**3, pitch, lambda some, reach: distances(grid.points(number[some]), skin, longest, tree, reach))
