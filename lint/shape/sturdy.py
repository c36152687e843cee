"""Make a mesh that survives single precision: points too close together to be told apart in a 32-bit file become one."""

from __future__ import annotations

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray

# Where skin is cut by other skin, points nearer than a file can tell apart become one, and a large flat face beside them tips a little:
# so far, mm, it may, and how far it did is measured and promised. A tenth of what a printer holds (facts 1.6.3).
TIPS = 0.01


def grain(vertices: FloatArray, in_mm: bool) -> float:
    """The distance below which two points may fall together in a 32-bit file, also after the part was moved by a metre."""
    if not len(vertices):
        return 0.0
    size = float(np.linalg.norm(vertices.max(axis=0) - vertices.min(axis=0)))
    return max(1e-6 * size + 2.0**-22 * float(np.abs(vertices).max()), 2.5e-4 if in_mm else 0.0)


def sturdy(vertices: FloatArray, faces: IntArray, short: float, fixed: BoolArray) -> tuple[FloatArray, IntArray]:
    """Collapse every side shorter than `short` of a closed mesh where that keeps it closed; points in `fixed` (n,) do not move.

    A side is collapsed only when its two ends share exactly the two neighbours across it (link condition; Dey, Edelsbrunner,
    Guha, Nekhayev 1999), so that no edge becomes crowded. Loops only over short sides, which are few.
    """
    side = np.sort(np.vstack((faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]])), axis=1)
    length = np.linalg.norm(vertices[side[:, 0]] - vertices[side[:, 1]], axis=1)
    near = np.flatnonzero(length < short)
    near = near[np.argsort(length[near], kind="stable")]
    if not len(near):
        return vertices, faces
    points, rows = vertices.copy(), faces.copy()
    alive = np.ones(len(rows), dtype=bool)
    order = np.argsort(rows.reshape(-1), kind="stable")
    begin = np.searchsorted(rows.reshape(-1)[order], np.arange(len(points) + 1))
    around: dict[int, set[int]] = {}
    now: dict[int, int] = {}

    def star(point: int) -> set[int]:
        if point not in around:
            around[point] = set((order[begin[point] : begin[point + 1]] // 3).tolist())
        return around[point]

    def current(point: int) -> int:
        while point in now:
            point = now[point]
        return point

    for one, two in side[near].tolist():
        keep, lose = current(one), current(two)
        if keep == lose or (fixed[keep] and fixed[lose]) or np.linalg.norm(points[keep] - points[lose]) >= short:
            continue
        if fixed[lose]:
            keep, lose = lose, keep
        shared = star(keep) & star(lose)
        ring_keep, ring_lose = ({int(p) for f in star(v) for p in rows[f]} - {keep, lose} for v in (keep, lose))
        across = {int(p) for f in shared for p in rows[f]} - {keep, lose}
        if len(shared) != 2 or ring_keep & ring_lose != across or len(ring_keep | ring_lose) < 4:
            continue
        for face in shared:
            alive[face] = False
            for point in rows[face].tolist():
                star(point).discard(face)
        for face in star(lose):
            rows[face][rows[face] == lose] = keep
        star(keep).update(star(lose))
        around[lose] = set()
        now[lose] = keep
    return points, rows[alive]


def used_only(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """The same mesh without points that no face uses; the order of the rest is kept."""
    used = np.zeros(len(vertices), dtype=bool)
    used[faces.reshape(-1)] = True
    return vertices[used], (np.cumsum(used) - 1)[faces]


def stacked(meshes: list[tuple[FloatArray, IntArray]]) -> tuple[FloatArray, IntArray]:
    """Several meshes as one, nothing joined."""
    offset = np.cumsum([0, *(len(v) for v, _ in meshes[:-1])])
    return np.vstack([v for v, _ in meshes]), np.vstack([f + o for (_, f), o in zip(meshes, offset, strict=True)])
