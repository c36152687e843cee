"""How deep each point of a grid lies under the skin, exact where it matters: near one chosen depth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lint.measure.boxes import morton
from lint.measure.columns import Grid, crossings, grid_around, times_inside
from lint.measure.nearest import Closest, distance_to_faces
from lint.terms import BoolArray, FloatArray, IntArray, NotYet

Field = NDArray[np.float32]

# Beyond this many pitches from the chosen depth only "shallower" or "deeper" is kept.
REACH = 2.0


@dataclass(frozen=True)
class Depth:
    """field: depth under the skin less the chosen depth, mm, kept within REACH pitches of zero; cell: volume a grid point stands for."""

    grid: Grid
    field: Field
    pitch: float

    @property
    def cell(self) -> float:
        """mm3 for each grid point."""
        return float(np.prod(self.grid.pitch))


def depth_field(vertices: FloatArray, faces: IntArray, level: float, pitch: FloatArray) -> Depth:
    """Depth under a closed skin about the depth `level` (mm), on a grid of the given pitch (3,).

    Inside or outside by upright lines; a first, coarse depth by the exact distance transform between grid points (Felzenszwalb and
    Huttenlocher 2012, in scipy) from those outside and those next to the skin, for a slit may be narrower than the grid: it is wrong by
    less than a cell's diagonal; then the true distance to the faces for every point whose coarse depth could put it near the level.
    Raises Declined where shells overlap.
    """
    from scipy.ndimage import distance_transform_edt

    low, high = vertices[faces].min(axis=(0, 1)), vertices[faces].max(axis=(0, 1))
    grid = grid_around(low, high, pitch, margin=1)
    times = times_inside(vertices, faces, grid)
    if bool((times > 1).any()):
        raise NotYet("shells overlap: unite them first")
    inside: BoolArray = times == 1
    del times
    step = float(pitch.max())
    reach = REACH * step
    coarse = distance_transform_edt(inside & ~_beside(vertices, faces, grid), sampling=pitch[::-1]).astype(np.float32)
    diagonal = float(np.linalg.norm(pitch))
    field = np.where(coarse > level, np.float32(reach), np.float32(-reach))
    near = np.flatnonzero(inside & (coarse >= level - reach - diagonal) & (coarse <= level + reach + diagonal))
    del coarse, inside
    field.reshape(-1)[near] = np.clip(distance_to_faces(grid.points(near), vertices, faces) - level, -reach, reach)
    return Depth(grid, field, step)


def _beside(vertices: FloatArray, faces: IntArray, grid: Grid) -> BoolArray:
    """Grid points next to the skin: where one of the grid's lines, along any of the three axes, meets a face, the nearer of the two."""
    beside = np.zeros(grid.shape, dtype=bool)
    for axis in range(3):
        order = np.roll(np.arange(3), 2 - axis)  # this axis becomes the upright one; the turn stays the same
        wide, high, tall = (grid.count[k] for k in order)
        turned = Grid(grid.low[order], grid.pitch[order], (wide, high, tall))
        met = crossings(vertices[:, order], faces, turned)
        along = np.round((met.height - turned.low[2]) / turned.pitch[2]).astype(np.int64).clip(0, tall - 1)
        y, x = np.divmod(met.column, wide)
        where = np.empty((3, len(x)), dtype=np.int64)
        where[order[0]], where[order[1]], where[order[2]] = x, y, along
        beside[where[2], where[1], where[0]] = True
    return beside


class Near:
    """A skin made ready once to be asked for its nearest point."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        self._closest = Closest(vertices, faces)

    def nearest(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distance of each point (k, 3) to the nearest face, mm, (k,), and where on the face that is (k, 3)."""
        if not len(points):
            return np.zeros(0), np.zeros((0, 3))
        order = np.argsort(morton(points))  # neighbours one after another, so that the tree is walked out of the cache
        far, where = np.empty(len(points)), np.empty((len(points), 3))
        far[order], _, where[order] = self._closest(points[order])
        return far, where


def surface_of(depth: Depth, field: Field) -> tuple[FloatArray, IntArray]:
    """The skin of the space where `field` is above zero, seen from inside that space: (n, 3), (m, 3); empty when there is none.

    Values next to zero are pushed off it, so that no two points come closer than 32-bit numbers tell apart.
    """
    from skimage.measure import marching_cubes

    if not bool((field > 0).any()):
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    least = np.float32(0.03 * depth.pitch)
    clear = np.where(np.abs(field) < least, np.where(field > 0, least, -least), field)
    points, faces, *_ = marching_cubes(clear, 0.0, spacing=tuple(float(p) for p in depth.grid.pitch[::-1]), gradient_direction="ascent")
    return points[:, ::-1].astype(np.float64) + depth.grid.low, faces.astype(np.int64)
