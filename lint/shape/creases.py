"""Slivers and folds that making a mesh of fewer faces leaves behind: the few of them are collapsed into their neighbours."""

from __future__ import annotations

import numpy as np

from lint.shape.collapse import FOLDED, Collapsible, normals_and_heights
from lint.shape.needles import turn_needles
from lint.shape.verify import bare_part
from lint.terms import BoolArray, FloatArray, IntArray

# A face less high than this over its longest side is a sliver, mm: ten times what a 32-bit file rounds by a metre away.
LEAST_HEIGHT = 6e-4
# More than this share of the faces being bad is no blemish, and nothing is mended.
FEW = 0.01
ROUNDS = 12


def bad_faces(points: FloatArray, triangles: IntArray) -> BoolArray:
    """(m,) faces of a closed mesh that lie back on a neighbour, or are slivers that the next rounding may turn."""
    normal, height = normals_and_heights(points[triangles])
    bad: BoolArray = height < LEAST_HEIGHT
    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * len(points) + np.maximum(start, end)
    order = np.argsort(key)
    one, two = order[0::2] // 3, order[1::2] // 3
    back = np.einsum("ij,ij->i", normal[one], normal[two]) < FOLDED
    bad[one[back]] = True
    bad[two[back]] = True
    return bad


def ironed(points: FloatArray, triangles: IntArray) -> tuple[FloatArray, IntArray] | None:
    """A closed mesh whose few slivers and folds are turned or collapsed into the faces beside them; None where that cannot be done.

    A flat sliver is turned into the face across its longest side first; of what is left a side is collapsed. Loops only over bad faces.
    """
    for _ in range(ROUNDS):
        bad = np.flatnonzero(bad_faces(points, triangles))
        if not len(bad):
            return points, triangles
        if len(bad) > max(FEW * len(triangles), 8):
            return None
        layer = turn_needles(bare_part(points, triangles), LEAST_HEIGHT)
        if layer.count:
            points, triangles = layer.part.vertices, layer.part.faces
            bad = np.flatnonzero(bad_faces(points, triangles))
        work = Collapsible(points, triangles, LEAST_HEIGHT)
        if not layer.count + sum(work.press(int(face)) for face in bad):
            return None
        points, triangles = work.mesh()
    return None if bad_faces(points, triangles).any() else (points, triangles)
