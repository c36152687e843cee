"""Slivers and folds that making a mesh of fewer faces leaves behind: the few of them are collapsed into their neighbours."""

from __future__ import annotations

import numpy as np

from lint.shape.tidy import turn_needles
from lint.shape.verify import bare_part
from lint.terms import BoolArray, FloatArray, IntArray

# Neighbouring faces whose normals are this nearly opposite lie back on each other (about 170 degrees).
FOLDED = -0.985
# A face less high than this over its longest side is a sliver, mm: ten times what a 32-bit file rounds by a metre away.
LEAST_HEIGHT = 6e-4
# More than this share of the faces being bad is no blemish, and nothing is mended.
FEW = 0.01
ROUNDS = 12


def bad_faces(points: FloatArray, triangles: IntArray) -> BoolArray:
    """(m,) faces of a closed mesh that lie back on a neighbour, or are slivers that the next rounding may turn."""
    normal, height = _normals(points[triangles])
    bad: BoolArray = height < LEAST_HEIGHT
    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * len(points) + np.maximum(start, end)
    order = np.argsort(key)
    one, two = order[0::2] // 3, order[1::2] // 3
    back = np.einsum("ij,ij->i", normal[one], normal[two]) < FOLDED
    bad[one[back]] = True
    bad[two[back]] = True
    return bad


def _normals(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit normals (m, 3) and heights over the longest side (m,) of triangles (m, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    longest = np.sqrt(np.maximum.reduce([((a - b) ** 2).sum(axis=1), ((b - c) ** 2).sum(axis=1), ((c - a) ** 2).sum(axis=1)]))
    return cross / np.maximum(double, 1e-300)[:, None], double / np.maximum(longest, 1e-300)


def ironed(points: FloatArray, triangles: IntArray) -> tuple[FloatArray, IntArray] | None:
    """A closed mesh whose few slivers and folds are turned or collapsed into the faces beside them; None where that cannot be done.

    A flat sliver is turned into the face across its longest side first; of what is left a side is collapsed, but only where its ends
    share exactly the two corners across it (link condition; Dey, Edelsbrunner, Guha, Nekhayev 1999) and where no face around it comes
    to be a worse sliver, folded back, or turned over. Loops only over bad faces.
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
        work = _Mesh(points, triangles)
        if not layer.count + sum(work.press(int(face)) for face in bad):
            return None
        points, triangles = work.mesh()
    return None if bad_faces(points, triangles).any() else (points, triangles)


class _Mesh:
    """A closed mesh of which single sides are collapsed."""

    def __init__(self, points: FloatArray, triangles: IntArray) -> None:
        self.points, self.rows = points, triangles.copy()
        self.alive = np.ones(len(triangles), dtype=bool)
        flat = triangles.reshape(-1)
        self._order = np.argsort(flat, kind="stable")
        self._begin = np.searchsorted(flat[self._order], np.arange(len(points) + 1))
        self._star: dict[int, set[int]] = {}

    def mesh(self) -> tuple[FloatArray, IntArray]:
        """What is left, without points that no face uses."""
        used, index = np.unique(self.rows[self.alive], return_inverse=True)
        return self.points[used], index.reshape(-1, 3).astype(np.int64)

    def star(self, point: int) -> set[int]:
        """The faces around a point."""
        if point not in self._star:
            self._star[point] = set((self._order[self._begin[point] : self._begin[point + 1]] // 3).tolist())
        return self._star[point]

    def press(self, face: int) -> bool:
        """Collapse one side of a bad face, the shortest that may be; whether one could."""
        if not self.alive[face]:
            return True
        corner = self.rows[face].tolist()
        sides = [(corner[k], corner[(k + 1) % 3]) for k in range(3)]
        sides.sort(key=lambda s: float(np.linalg.norm(self.points[s[0]] - self.points[s[1]])))
        return any(self._collapse(keep, lose) for a, b in sides for keep, lose in ((a, b), (b, a)))

    def _collapse(self, keep: int, lose: int) -> bool:
        shared = self.star(keep) & self.star(lose)
        ring_keep, ring_lose = ({int(p) for f in self.star(v) for p in self.rows[f]} - {keep, lose} for v in (keep, lose))
        across = {int(p) for f in shared for p in self.rows[f]} - {keep, lose}
        if len(shared) != 2 or ring_keep & ring_lose != across or len(ring_keep | ring_lose) < 4:
            return False
        moving = sorted(self.star(lose) - shared)
        around = sorted((self.star(keep) | {f for p in ring_keep | ring_lose for f in self.star(p)}) - shared - set(moving))
        old = self.rows[moving]
        new = np.where(old == lose, keep, old)
        normal, height = _normals(self.points[new])
        was, was_height = _normals(self.points[old])
        if ((height < LEAST_HEIGHT) & (height <= was_height)).any():
            return False
        if ((np.einsum("ij,ij->i", normal, was) < 0.5) & (was_height >= LEAST_HEIGHT)).any():
            return False
        beside = _normals(self.points[self.rows[around]])[0] if around else np.zeros((0, 3))
        if _back(np.vstack((new, self.rows[around])), np.vstack((normal, beside)), len(new)):
            return False
        for face in shared:
            self.alive[face] = False
            for point in self.rows[face].tolist():
                self.star(point).discard(face)
        self.rows[moving] = new
        self.star(keep).update(moving)
        self._star[lose] = set()
        return True


def _back(rows: IntArray, normal: FloatArray, count: int) -> bool:
    """Whether one of the first `count` faces lies back on a neighbour among all of them (m, 3)."""
    side: dict[tuple[int, int], int] = {}
    for number, (a, b, c) in enumerate(rows.tolist()):
        for pair in ((a, b), (b, c), (c, a)):
            other = side.setdefault((min(pair), max(pair)), number)
            if other != number and min(other, number) < count and float(normal[other] @ normal[number]) < FOLDED:
                return True
    return False
