"""Sides of a mesh collapsed or turned one at a time, where that folds nothing and makes no worse sliver."""

from __future__ import annotations

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray

# Neighbouring faces whose normals are this nearly opposite lie back on each other (about 170 degrees).
FOLDED = -0.985


def normals_and_heights(corners: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Unit normals (m, 3) and heights over the longest side (m,) of triangles (m, 3, 3)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    longest = np.sqrt(np.maximum.reduce([((a - b) ** 2).sum(axis=1), ((b - c) ** 2).sum(axis=1), ((c - a) ** 2).sum(axis=1)]))
    return cross / np.maximum(double, 1e-300)[:, None], double / np.maximum(longest, 1e-300)


class Collapsible:
    """A mesh of which single sides are collapsed, or turned to join the other two corners of their two faces. `count`: how many were.

    A side is collapsed only where two faces meet at it, its ends share exactly the two corners across it (link condition; Dey,
    Edelsbrunner, Guha, Nekhayev 1999), and no face around it comes to be a worse sliver, folded back, or turned over.
    """

    def __init__(self, points: FloatArray, triangles: IntArray, least: float, held: BoolArray | None = None) -> None:
        """least: a face less high than this over its longest side is a sliver, mm. held: (n,) points that no side may take away, as
        those of open and of crowded edges; the mesh is closed where there are none."""
        self.points, self.rows, self._least = points, triangles.copy(), least
        self._held = np.zeros(len(points), dtype=bool) if held is None else held
        self.alive = np.ones(len(triangles), dtype=bool)
        self.count = 0
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

    def drop(self, faces: set[int]) -> None:
        """Take faces out, all about each of their points."""
        for face in faces:
            self.alive[face] = False
            for point in self.rows[face].tolist():
                self._star[point] = set()
        self.count += len(faces)

    def turn(self, face: int) -> bool:
        """Turn the longest side of a sliver, so that it and the sound face across become two of the same outline; whether one could.

        Not where the new side is there already, or where a face would be turned over or no better than the sliver.
        """
        if not self.alive[face]:
            return False
        corner = self.rows[face].tolist()
        at = self.points[corner]
        sides = ((at - at[[1, 2, 0]]) ** 2).sum(axis=1)
        k = int(sides.argmax())
        a, c, b = corner[k], corner[k - 2], corner[k - 1]
        other = (self.star(a) & self.star(c)) - {face}
        if len(other) != 1:
            return False
        across = other.pop()
        d = (set(self.rows[across].tolist()) - {a, c}).pop()
        beside = self.rows[across].tolist()
        if d == b or beside[beside.index(c) - 2] != a or self.star(b) & self.star(d):
            return False
        new = np.array([(a, d, b), (d, c, b)])
        normal, height = normals_and_heights(self.points[new])
        _, (was, least) = normals_and_heights(self.points[[corner, beside]])
        out = np.cross(self.points[a] - self.points[c], self.points[d] - self.points[c])
        if was >= self._least or least < self._least or (normal @ out < 0).any() or (height.min() < self._least and height.min() <= was):
            return False
        self.rows[face], self.rows[across] = new
        self.star(a).discard(across)
        self.star(c).discard(face)
        self.star(b).add(across)
        self.star(d).add(face)
        self.count += 1
        return True

    def press(self, face: int, longest: float = np.inf) -> bool:
        """Collapse one side of a bad face, the shortest that may be, but none over `longest` mm; whether one could."""
        if not self.alive[face]:
            return True
        corner = self.rows[face].tolist()
        sides = [(corner[k], corner[(k + 1) % 3]) for k in range(3)]
        length = {s: float(np.linalg.norm(self.points[s[0]] - self.points[s[1]])) for s in sides}
        sides = sorted((s for s in sides if length[s] <= longest), key=length.__getitem__)
        return any(self._collapse(keep, lose) for a, b in sides for keep, lose in ((a, b), (b, a)))

    def _collapse(self, keep: int, lose: int) -> bool:
        if self._held[lose]:
            return False
        shared = self.star(keep) & self.star(lose)
        ring_keep, ring_lose = ({int(p) for f in self.star(v) for p in self.rows[f]} - {keep, lose} for v in (keep, lose))
        across = {int(p) for f in shared for p in self.rows[f]} - {keep, lose}
        if len(shared) != 2 or ring_keep & ring_lose != across or len(ring_keep | ring_lose) < 4:
            return False
        moving = sorted(self.star(lose) - shared)
        around = sorted((self.star(keep) | {f for p in ring_keep | ring_lose for f in self.star(p)}) - shared - set(moving))
        old = self.rows[moving]
        new = np.where(old == lose, keep, old)
        normal, height = normals_and_heights(self.points[new])
        was, was_height = normals_and_heights(self.points[old])
        if ((height < self._least) & (height <= was_height)).any():
            return False
        if ((np.einsum("ij,ij->i", normal, was) < 0.5) & (was_height >= self._least)).any():
            return False
        beside = normals_and_heights(self.points[self.rows[around]])[0] if around else np.zeros((0, 3))
        if _back(np.vstack((new, self.rows[around])), np.vstack((normal, beside)), len(new)):
            return False
        for face in shared:
            self.alive[face] = False
            for point in self.rows[face].tolist():
                self.star(point).discard(face)
        self.rows[moving] = new
        self.star(keep).update(moving)
        self._star[lose] = set()
        self.count += 1
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
