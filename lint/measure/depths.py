"""How much of the material lies how deep under the skin: a coarse count, for what hollowing would save."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.columns import grid_around, times_inside
from lint.measure.edges import Edges
from lint.measure.nearest import distances
from lint.measure.surface import Extent, Skin
from lint.terms import FloatArray, NotRun

CELLS = 90_000
# Depth is exact down to this many grid steps, and this many mm; below that no wall is asked for and the grid's own depth will do.
EXACT_STEPS = 2.0
EXACT = 8.0


@dataclass(frozen=True)
class Depths:
    """depth: (k,) mm under the skin at evenly spaced points inside, exact near it; cell: mm3 each stands for; pitch: their spacing, mm."""

    depth: FloatArray
    cell: float
    pitch: float

    def deeper(self, level: float) -> float:
        """Volume in mm3 of the material deeper than `level` mm; a point counts by the share of its cell that does."""
        return float(np.clip((self.depth - level) / self.pitch + 0.5, 0.0, 1.0).sum() * self.cell)


@measure
def depths(skin: Skin, edges: Edges, extent: Extent, longest: FloatArray, tree: loops.Tree | None) -> Depths:
    """Depth at the points of a coarse grid that lie inside: the distance to the nearest face for the outermost layers, and from
    point to point (Felzenszwalb and Huttenlocher 2012, in scipy) farther in. Sampled at `pitch`.

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
    near = np.flatnonzero(depth <= max(EXACT_STEPS * pitch, EXACT) + pitch)
    points = grid.points(np.flatnonzero(inside)[near])
    depth[near] = distances(points, skin, longest, tree)
    return Depths(depth, pitch**3, pitch)
