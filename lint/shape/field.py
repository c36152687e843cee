"""Inside or outside, and how far from the skin, asked of any point: the field from which a new skin is drawn.

Inside is where the generalized winding number is a half or more (A. Jacobson, L. Kavan, O. Sorkine-Hornung, Robust
inside-outside segmentation using generalized winding numbers, SIGGRAPH 2013), which also has an answer for skin with holes and
skin that passes through itself. Distances are to exposed skin only: a sheet buried in the solid must not pull the new skin in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lint.measure.nearest import Closest
from lint.terms import BoolArray, FloatArray, IntArray

HALF = 0.5


@dataclass(frozen=True)
class Field:
    """faces: all that count for inside and outside; shown: (k, 3) the exposed ones, to which distances are taken.

    origin: (3,) taken off all coordinates, so that a part far from zero is treated like one at zero;
    whole: whether no edge is open, so that the winding number changes nowhere but across skin.
    """

    vertices: FloatArray
    faces: IntArray
    share: FloatArray
    shown: IntArray
    normal: FloatArray
    origin: FloatArray
    winding_tree: Any
    exposed: Closest
    every: Closest
    whole: bool

    def clear(self, points: FloatArray) -> FloatArray:
        """(k,) distance from points (k, 3) to the nearest skin of any kind, buried or not."""
        return self.every(points)[0]

    def winding(self, points: FloatArray) -> FloatArray:
        """(k,) winding number at points (k, 3)."""
        if not len(points):
            return np.zeros(0)
        return np.asarray(self.winding_tree.winding_number(np.ascontiguousarray(points)), dtype=np.float64).reshape(-1)

    def inside(self, points: FloatArray) -> BoolArray:
        """(k,) whether points (k, 3) lie in the solid."""
        return self.winding(points) >= HALF

    def nearest(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Distance (k,), number in `shown` (k,) and closest point (k, 3) of the exposed skin, for points (k, 3)."""
        return self.exposed(points)


def field_of(vertices: FloatArray, faces: IntArray, fine: float, ask: BoolArray | None = None) -> Field:
    """The field of a mesh (n, 3), (m, 3). Faces with sides longer than `fine` mm are asked at four points whether they are exposed.

    ask: (m,) faces to be asked (None: all); the others count as exposed, and their share is NaN.
    """
    import igl

    origin = vertices[faces.reshape(-1)].min(axis=0)
    points = np.ascontiguousarray(vertices - origin)
    normal, double = _normals(points, faces)
    ask = np.ones(len(faces), dtype=bool) if ask is None else ask
    faces, normal, ask = np.ascontiguousarray(faces[double > 0], dtype=np.int64), normal[double > 0], ask[double > 0]
    winding_tree = igl.FastWindingNumberBVH()
    winding_tree.init(points, faces, 2)
    whole = balanced(faces, len(points))
    every = Closest(points, faces)
    half_made = Field(points, faces, np.ones(len(faces)), faces, normal, origin, winding_tree, every, every, whole)
    share = exposure(half_made, fine, np.flatnonzero(ask))
    exposed: BoolArray = ~(share <= 0)
    if not exposed.any():
        exposed[:] = True
    shown = np.ascontiguousarray(faces[exposed])
    near = every if exposed.all() else Closest(points, shown)
    return Field(points, faces, share, shown, normal[exposed], origin, winding_tree, near, every, whole)


def balanced(faces: IntArray, count: int) -> bool:
    """Whether every edge is run along as often one way as the other, so that the faces have no border."""
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    _, edge = np.unique(np.minimum(start, end) * count + np.maximum(start, end), return_inverse=True)
    return not np.bincount(edge, weights=np.where(start < end, 1.0, -1.0)).any()


def exposure(field: Field, fine: float, ask: IntArray) -> FloatArray:
    """(m,) share of each face in `ask` that bounds the solid, outside before it and inside behind it, NaN for the rest; asked at one
    point, of large faces at four.

    Across a face the winding number steps by one, so a look at its front tells both sides.
    """
    diagonal = float(np.linalg.norm(np.ptp(field.vertices[field.faces.reshape(-1)], axis=0)))
    corners = field.vertices[field.faces[ask]]
    ahead = 1e-6 * diagonal * field.normal[ask]
    share = _bounds(field.winding(corners.mean(axis=1) + ahead)).astype(np.float64)
    side = np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2).max(axis=1)
    large = np.flatnonzero(side > fine)
    for near in np.eye(3) * 0.7 + 0.1:
        share[large] += _bounds(field.winding(np.einsum("i,kij->kj", near, corners[large]) + ahead[large]))
    share[large] /= 4
    every = np.full(len(field.faces), np.nan)
    every[ask] = share
    return every


def _bounds(front: FloatArray) -> BoolArray:
    return (front < HALF) & (front >= HALF - 1)


def _normals(points: FloatArray, faces: IntArray) -> tuple[FloatArray, FloatArray]:
    a, b, c = (points[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    return cross / np.maximum(double, 1e-300)[:, None], double
