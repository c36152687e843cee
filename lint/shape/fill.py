"""Patches for holes: flat where the hole is small, and following the curve of the skin around it where it is larger.

The patch is filled in the plane the rim fits best, cut finer until its faces are as small as those around it, and then bent like a
thin plate that goes on from the skin without a crease (biharmonic, over the cotangent Laplacian).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.shape.facing import vector_area
from lint.shape.outline import area, ring, tangled
from lint.shape.triangles import filled, plumped
from lint.terms import FloatArray, IntArray

# Rims with fewer points than this are closed flat: there is no room for a curve.
FEW = 7
# A rim that folds over itself in every plane is filled with the least skin, up to this many points: the cost goes with the third power.
MOST = 220
# A patch is cut into at most about this many faces.
FINEST = 6000


@dataclass(frozen=True)
class Patch:
    """points: (k, 3) new points; faces: (m, 3) with rim points numbered first in the order of the loop, then the new ones."""

    points: FloatArray
    faces: IntArray


def patches(vertices: FloatArray, faces: IntArray, loop: IntArray) -> list[Patch]:
    """Ways to close a rim (points in the order the faces run along it), the best first; none when it is too tangled."""
    rim = vertices[loop]
    ways: list[Patch] = []
    plan = _plan(rim)
    if plan is not None:
        coarse = _filled_reversed(plan)
        if len(loop) >= FEW:
            flat, fine = _finer(plan, rim, coarse)
            bent = _bent(vertices, faces, loop, flat, fine)
            if bent is not None:
                ways.append(bent)
            ways.append(Patch(flat[len(loop) :], fine))
        ways.append(Patch(np.zeros((0, 3)), coarse))
    here, there = np.arange(len(loop)), np.roll(np.arange(len(loop)), -1)
    hub = Patch(rim.mean(axis=0)[None, :], np.stack((there, here, np.full(len(loop), len(loop))), axis=1))
    if len(loop) <= MOST:
        ways.append(Patch(np.zeros((0, 3)), _least_skin(rim)))
    return [*ways, hub] if len(loop) > 3 else ways


def _plan(rim: FloatArray) -> FloatArray | None:
    """The rim drawn in a plane (n, 2), clockwise, where it does not cross itself: square to its area, or the one it fits best."""
    for normal in (vector_area(rim), np.linalg.svd(rim - rim.mean(axis=0), full_matrices=False)[2][2]):
        size = float(np.linalg.norm(normal))
        if size == 0:
            continue
        across = normal / size
        aside = np.eye(3)[int(np.argmin(np.abs(across)))]
        u = np.cross(aside, across)
        u /= np.linalg.norm(u)
        plan = (rim - rim.mean(axis=0)) @ np.stack((u, np.cross(across, u)), axis=1)
        plan = plan if area(plan) < 0 else plan * [1.0, -1.0]
        if area(plan) < 0 and not tangled(plan, ring(len(plan))).any():
            return np.asarray(plan)
    return None


def _filled_reversed(plan: FloatArray) -> IntArray:
    """Faces that fill a clockwise plan, numbered by its points: they run against the rim, as a neighbour must."""
    numbers = np.arange(len(plan))[::-1]
    back = plan[::-1]
    return np.asarray(numbers[plumped(back, filled([back]))])


def _finer(plan: FloatArray, rim: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """The flat patch cut until no face is much larger than the rim's sides: points (n + k, 3), the rim's first, and faces."""
    edge = float(np.median(np.linalg.norm(np.roll(rim, -1, axis=0) - rim, axis=1)))
    edge = max(edge, float(np.sqrt(abs(area(plan)) / FINEST * 4 / np.sqrt(3))))
    flat, points = plan.copy(), rim.copy()
    for _ in range(24):
        corners = flat[faces]
        side = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
        a, b, c = corners.transpose(1, 0, 2)
        size = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])) / 2
        large = np.flatnonzero((side.max(axis=1) > 1.6 * edge) & (size > 0.6 * edge * edge))
        if not len(large):
            break
        middle = len(flat) + np.arange(len(large))
        flat = np.vstack((flat, corners[large].mean(axis=1)))
        points = np.vstack((points, points[faces[large]].mean(axis=1)))
        i, j, k = faces[large].T
        kept = np.delete(faces, large, axis=0)
        new = [np.stack(t, axis=1) for t in ((i, j, middle), (j, k, middle), (k, i, middle))]
        faces = plumped(flat, np.vstack((kept, *new)))
    return points, faces


def _bent(vertices: FloatArray, faces: IntArray, loop: IntArray, points: FloatArray, patch: IntArray) -> Patch | None:
    """The patch bent to go on from the two rings of skin around it; None when the plate does not settle near the rim."""
    import igl

    if len(points) == len(loop):
        return None
    near = np.zeros(len(vertices), dtype=bool)
    near[loop] = True
    for _ in range(2):
        ring_faces = near[faces].any(axis=1)
        near[faces[ring_faces].reshape(-1)] = True
    around = faces[ring_faces]
    inner = len(points) - len(loop)
    used = np.unique(np.concatenate((around.reshape(-1), loop)))
    number = np.full(len(vertices), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    mine = np.concatenate((number[loop], len(used) + np.arange(inner)))
    local_faces = np.vstack((number[around], mine[patch]))
    size = float(np.linalg.norm(np.ptp(vertices[loop], axis=0)))
    middle = vertices[loop].mean(axis=0)
    local = np.vstack((vertices[used] - middle, points[len(loop) :] - middle)) / size
    fixed = np.arange(len(used), dtype=np.int64)
    for _ in range(2):
        try:
            solved = np.asarray(igl.harmonic(local, local_faces, fixed, np.ascontiguousarray(local[: len(used)]), 2))
        except (RuntimeError, ValueError):
            return None
        if solved.shape != local.shape or not np.isfinite(solved).all() or float(np.abs(solved[len(used) :]).max()) > 1.5:
            return None
        local = np.vstack((local[: len(used)], solved[len(used) :]))
    return Patch(local[len(used) :] * size + middle, patch)


def _least_skin(rim: FloatArray) -> IntArray:
    """Faces that close a rim (n, 3) without new points and with the least area, by dynamic programming; they run against the rim.

    Method: Barequet and Sharir, "Filling gaps in the boundary of a polyhedron" (1995), weight area alone.
    """
    n = len(rim)
    cost = np.zeros((n, n))
    best = np.zeros((n, n), dtype=np.int64)
    for gap in range(2, n):
        i = np.arange(n - gap)
        j = i + gap
        k = i[:, None] + np.arange(1, gap)
        one, two = rim[k] - rim[i][:, None, :], rim[j][:, None, :] - rim[i][:, None, :]
        sizes = np.linalg.norm(np.cross(one, two), axis=2) / 2 + cost[i[:, None], k] + cost[k, j[:, None]]
        choice = sizes.argmin(axis=1)
        cost[i, j] = sizes[i, choice]
        best[i, j] = k[i, choice]
    made: list[tuple[int, int, int]] = []
    todo = [(0, n - 1)]
    while todo:  # as many turns as the patch has faces: a few hundred at most
        first, last = todo.pop()
        if last - first < 2:
            continue
        middle = int(best[first, last])
        made.append((last, middle, first))
        todo += [(first, middle), (middle, last)]
    return np.asarray(made, dtype=np.int64)
