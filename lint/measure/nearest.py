"""How far points are from a skin: by our compiled tree of boxes, or, without it, over the nearest corners for finely cut skin and by
libigl's tree for the rest.

A tree of corners is built and asked several times faster than one of faces, and for small faces it knows nearly all. Let L be the
longest side of a face, d its distance from a point and r that of its nearest corner: the nearest spot of the face is a corner, or is
seen at a right angle from a corner at most L / sqrt(3) away, so r^2 <= d^2 + L^2 / 3. Only faces with a corner that near are tried.
Where more than eight corners of a point are, the eight nearest are: even then r alone is too much by L^2 / 6d at most.
"""

from __future__ import annotations

import numpy as np

from lint import loops
from lint.measure.surface import Skin
from lint.measure.tree import tree_over
from lint.measure.vectors import Three, columns, cross, dot, minus, picked
from lint.terms import FloatArray, IntArray

PLAIN = 200_000  # faces that libigl is given as they are
FEW = 16  # points that are compared with every corner in turn
LONG = 3.0  # faces with a side longer than this, in middle sides, go to libigl
MOST = 8  # corners tried a point


def distances(points: FloatArray, skin: Skin, longest: FloatArray, tree: loops.Tree | None = None, reach: float = np.inf) -> FloatArray:
    """(k,) distance of points (k, 3) from the skin, mm; beyond `reach` it may be said to be infinite. longest: (m,) the longest side of
    each face, mm; tree: over the skin."""
    if tree is not None:
        return np.asarray(np.sqrt(tree.nearest(points, reach)[1]))
    if len(skin.faces) <= PLAIN or not len(points):
        return distance_to_faces(points, skin.vertices, skin.faces)
    point = columns(skin.vertices)
    limit = LONG * float(np.median(longest[:: max(len(longest) // 10_000, 1)]))
    fine = longest <= limit
    small = skin.faces[fine]
    if len(small) < PLAIN:
        return distance_to_faces(points, skin.vertices, skin.faces)
    of, near = _corners_near(points, skin, small, float(longest[fine].max()))
    found = np.full(len(points), np.inf)
    _least(found, points, point, small, of, near)
    if len(small) < len(skin.faces):
        found = np.minimum(found, distance_to_faces(points, skin.vertices, skin.faces[~fine]))
    return found


class Closest:
    """Faces (m, 3) of vertices (n, 3) made ready once to be asked for their nearest spot: our compiled tree, or else libigl's."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        self._own = tree_over(vertices, faces)
        if self._own is None:
            import igl

            self._vertices, self._faces = np.array(vertices), np.array(faces)  # it takes no read-only arrays
            self._boxes = igl.AABB()
            self._boxes.init(self._vertices, self._faces)

    def __call__(self, points: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Distance of each point (k, 3) to its nearest face (k,), the number of that face (k,), and where on it (k, 3)."""
        if not len(points):
            return np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros((0, 3))
        if self._own is not None:
            face, squared, spot = self._own.nearest(points)
        else:
            squared, face, spot = self._boxes.squared_distance(self._vertices, self._faces, np.ascontiguousarray(points))
        distance = np.sqrt(np.maximum(np.asarray(squared, dtype=np.float64).reshape(-1), 0.0))
        return distance, np.asarray(face, dtype=np.int64).reshape(-1), np.asarray(spot, dtype=np.float64).reshape(-1, 3)


def distance_to_faces(points: FloatArray, vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(k,) distance of points (k, 3) from the nearest of some faces (m, 3); infinite when there is none."""
    if not len(faces) or not len(points):
        return np.full(len(points), np.inf)
    return Closest(vertices, faces)(points)[0]


def _corners_near(points: FloatArray, skin: Skin, small: IntArray, longest: float) -> tuple[IntArray, IntArray]:
    """Pairs (point, corner) that may belong to the nearest small face; of more than MOST a point, the nearest."""
    used = np.zeros(len(skin.vertices), dtype=bool)
    used[small.reshape(-1)] = True
    number = np.flatnonzero(used)
    own = skin.vertices if len(number) == len(used) else skin.vertices[number]
    hair = 1 + 1e-9
    if len(points) <= FEW:
        axes = columns(own)
        pairs = []
        for k, at in enumerate(points):
            off = axes[0] - at[0], axes[1] - at[1], axes[2] - at[2]
            square = dot(off, off)
            pairs.append((k, number[square <= (float(square.min()) + longest**2 / 3) * hair]))
        of = np.concatenate([np.full(len(near), k) for k, near in pairs])
        return of, np.concatenate([near for _, near in pairs])
    from scipy.spatial import cKDTree

    tree = cKDTree(own, leafsize=32, balanced_tree=False, compact_nodes=False)
    said = tree.query(points, k=MOST)
    far, which = np.asarray(said[0], dtype=np.float64), np.asarray(said[1], dtype=np.int64)
    near = far <= np.sqrt(far[:, :1] ** 2 + longest**2 / 3) * hair
    of, rank = np.nonzero(near)
    return of, number[which[of, rank]]


def _least(found: FloatArray, points: FloatArray, point: Three, small: IntArray, of: IntArray, near: IntArray) -> None:
    """Lower `found`, in place, to the distance of each point from the small faces that have one of its corners."""
    wanted = np.zeros(len(point[0]), dtype=bool)
    wanted[near] = True
    face, at = np.nonzero(np.take(wanted, small))
    corner = small[face, at]
    order = np.argsort(corner, kind="stable")
    face, corner = face[order], corner[order]
    first, last = np.searchsorted(corner, near, "left"), np.searchsorted(corner, near, "right")
    many = last - first
    pair = np.repeat(np.arange(len(near)), many)
    mine = face[np.arange(len(pair)) + np.repeat(first - np.cumsum(many) + many, many)]
    here = of[pair]
    square = _squared(picked(columns(points), here), *(picked(point, small[mine, k]) for k in range(3)))
    best = np.full(len(points), np.inf)
    np.minimum.at(best, here, square)
    np.minimum(found, np.sqrt(best), out=found)


def _squared(at: Three, a: Three, b: Three, c: Three) -> FloatArray:
    """(k,) squared distance of points from triangles: to the plane where the point stands over the face, else to its nearest side."""
    best = np.full(len(at[0]), np.inf)
    normal = cross(minus(b, a), minus(c, a))
    over = np.ones(len(best), dtype=bool)
    for start, end in ((a, b), (b, c), (c, a)):
        side, off = minus(end, start), minus(at, start)
        size = dot(side, side)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.clip(np.where(size > 0, dot(off, side) / size, 0.0), 0.0, 1.0)
        gap = (off[0] - share * side[0], off[1] - share * side[1], off[2] - share * side[2])
        np.minimum(best, dot(gap, gap), out=best)
        over &= dot(cross(side, off), normal) >= 0
    size = dot(normal, normal)
    over &= size > 0
    height = dot(minus(at, a), normal)[over]
    best[over] = np.minimum(best[over], height * height / size[over])
    return best
