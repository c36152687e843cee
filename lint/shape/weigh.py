"""What a part will weigh, and where, once it is hollowed: worked out roughly, before a base is chosen for it to stand on."""

from __future__ import annotations

import numpy as np

from lint.measure.columns import grid_around, times_inside
from lint.shape.offset_field import REACH, Depth
from lint.shape.roof import LEANS, self_supporting
from lint.terms import FloatArray, IntArray

# Grid points are this many at most: a millimetre or two apart on a head.
CELLS = 800_000
# The grid is never coarser than this share of the wall says: below it the wall would be lost between two points.
COARSEST = 1.5


def hollows_inside(vertices: FloatArray, faces: IntArray, wall: float) -> list[tuple[float, FloatArray]]:
    """Volume, mm3, and middle (3,) of the cavities that hollowing a closed part to `wall` mm may leave under a roof that carries itself.

    To about a grid step, by the distance transform between grid points. Empty where there is none, or the grid would be too coarse.
    """
    from scipy.ndimage import distance_transform_edt

    lean = LEANS["extrusion"]  # the steepest roof, and so the most material high up
    size = np.ptp(vertices[np.unique(faces)], axis=0)
    step = max(wall / 2, float(size.prod() / (CELLS * lean.rise)) ** (1 / 3))
    if step > COARSEST * wall or not size.prod() > 0:
        return []
    pitch = np.array([step, step, step * lean.rise])
    low = vertices[np.unique(faces)].min(axis=0)
    grid = grid_around(low, low + size, pitch, margin=1)
    inside = times_inside(vertices, faces, grid) > 0
    # A point half a step within the skin is a whole step from the nearest outside.
    deep = distance_transform_edt(inside, sampling=pitch[::-1]) - step / 2 - wall
    reach = REACH * step * lean.rise
    field = np.clip(deep, -reach, reach).astype(np.float32)
    depth = Depth(grid, field, float(pitch.max()))
    found: list[tuple[float, FloatArray]] = []
    for grown in (True, False):
        cavity = np.flatnonzero(self_supporting(depth, max(wall, 3.0), lean, grown).field > 0)
        if len(cavity):
            found.append((len(cavity) * depth.cell, grid.points(cavity).mean(axis=0)))
    return found
