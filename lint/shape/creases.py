"""Slivers and folds that making a mesh of fewer faces leaves behind: the few of them are collapsed into their neighbours."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import sorted_by
from lint.shape.collapse import FOLDED, Collapsible, normals_and_heights
from lint.terms import BoolArray, FloatArray, IntArray

# A face less high than this over its longest side is a sliver, mm: ten times what a 32-bit file rounds by a metre away.
LEAST_HEIGHT = 6e-4
# More than this share of the faces being bad is no blemish, and nothing is mended.
FEW = 0.01


def bad_faces(points: FloatArray, triangles: IntArray) -> BoolArray:
    """(m,) faces that lie back on a neighbour, or are slivers that the next rounding may turn."""
    normal, height = normals_and_heights(points[triangles])
    bad: BoolArray = height < LEAST_HEIGHT
    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * len(points) + np.maximum(start, end)
    order, key = sorted_by(key, np.arange(len(key)), (len(points) ** 2).bit_length(), len(key))
    mate = np.flatnonzero(key[1:] == key[:-1])
    one, two = order[mate] // 3, order[mate + 1] // 3
    back = np.einsum("ij,ij->i", normal[one], normal[two]) < FOLDED
    bad[one[back]] = True
    bad[two[back]] = True
    return bad


def ironed(points: FloatArray, triangles: IntArray) -> tuple[FloatArray, IntArray] | None:
    """A closed mesh whose few slivers and folds are turned or collapsed into the faces beside them; None where that cannot be done.

    A flat sliver is turned into the face across its longest side first, a row of them from the last on; of what is left a side is
    collapsed. Loops only over bad faces and looks again only about them. Whether skin comes to cut skin is not asked.
    """
    bad = np.flatnonzero(bad_faces(points, triangles))
    if not len(bad):
        return points, triangles
    if len(bad) > max(FEW * len(triangles), 8):
        return None
    work = Collapsible(points, triangles, LEAST_HEIGHT)
    while len(bad):
        known = work.count
        while sum(work.turn(face) for face in bad.tolist()):
            bad = _bad_about(work, bad)
        for face in bad.tolist():
            work.press(face)
        bad = _bad_about(work, bad)
        for face in bad.tolist():
            work.drop(_alone(work, face, bad))
        bad = bad[work.alive[bad]]
        if len(bad) and work.count == known:
            return None
    points, triangles = work.mesh()
    return None if bad_faces(points, triangles).any() else (points, triangles)


def _alone(work: Collapsible, face: int, bad: IntArray) -> set[int]:
    """The shell of a face where it is made of bad faces only, as a flat scrap that came off the rest is; else none."""
    shell, waiting, within = {face}, [face], set(bad.tolist())
    while waiting and shell <= within:
        beside = {other for point in work.rows[waiting.pop()].tolist() for other in work.star(point)} - shell
        shell |= beside
        waiting += beside
    return shell if work.alive[face] and shell <= within else set()


def _bad_about(work: Collapsible, faces: IntArray) -> IntArray:
    """The bad ones among some faces (k,) of which some were changed, and all that stand within two points of them."""
    near = {int(point) for point in work.rows[faces].reshape(-1)}
    for _ in range(2):
        about = sorted({face for point in near for face in work.star(point)})
        near = set(work.rows[about].reshape(-1).tolist())
    rows = work.rows[about]
    used, index = np.unique(rows, return_inverse=True)
    return np.asarray(about, dtype=np.int64)[bad_faces(work.points[used], index.reshape(-1, 3))]
