"""Fill the bays of a torn rim: triangles from tooth to tooth, laid on as the skin between them would run.

A scan that ends in whole faces has a rim like a saw. Carried down as it is, every bay becomes a dent in the wall and every tooth a spike
on it, wherever the rim looks: also where the skin hangs over and nothing can be seen of it from above.
"""

from __future__ import annotations

import heapq

import numpy as np

from lint.shape.shelf import rim_normals
from lint.terms import FloatArray, IntArray

SHARP = 150.0  # degrees: a bay opens less than this; a smooth rim that bends in is the maker's and stays
AGREE = 0.75  # cosine of the most by which a triangle may turn from the skin beside it


def bridged(vertices: FloatArray, faces: IntArray, rim: IntArray, reach: float) -> tuple[IntArray, IntArray]:
    """Faces (k, 3) over the bays of a rim (points in the order the faces run along it), and the evened rim that is left.

    reach: mm, the longest way from tooth to tooth. The narrowest bay goes first; each is filled from its ground up, and left open where
    another point of the rim lies in it.
    """
    count = len(rim)
    at = vertices[rim]
    normal = rim_normals(vertices, faces, rim, 2)
    length = np.linalg.norm(normal, axis=1)
    normal /= np.where(length > 0, length, 1.0)[:, None]
    before, after = np.roll(np.arange(count), 1), np.roll(np.arange(count), -1)
    alive = np.ones(count, dtype=bool)
    queue: list[tuple[float, int, int, int]] = []

    def offer(i: int) -> None:
        opening = _opening(at[before[i]], at[i], at[after[i]], normal[i])
        if opening < SHARP and float(np.linalg.norm(at[after[i]] - at[before[i]])) <= reach:
            heapq.heappush(queue, (opening, i, int(before[i]), int(after[i])))

    for i in range(count):
        offer(i)
    made: list[tuple[int, int, int]] = []
    while queue and int(alive.sum()) > 3:
        _, i, p, q = heapq.heappop(queue)
        if not alive[i] or before[i] != p or after[i] != q:
            continue  # its neighbours have changed since: it was offered again
        near = alive & (((at - at[i]) ** 2).sum(axis=1) <= reach**2)
        near[[i, p, q]] = False
        if _holds(at[[p, q, i]], at[near]):
            continue
        made.append((int(rim[p]), int(rim[q]), int(rim[i])))
        alive[i] = False
        after[p], before[q] = q, p
        offer(p)
        offer(q)
    return np.array(made, dtype=np.int64).reshape(-1, 3), rim[alive]


def _opening(p: FloatArray, i: FloatArray, q: FloatArray, normal: FloatArray) -> float:
    """How wide the rim opens at i between p and q, degrees, seen along the skin's normal; 360 for a tooth, or a bay askew to the skin."""
    u, v = p - i, q - i
    cross = _cross(u, v)  # of the triangle (p, q, i)
    size = float(np.linalg.norm(cross))
    if size == 0 or float(cross @ normal) < AGREE * size:
        return 360.0
    return float(np.degrees(np.arctan2(size, float(u @ v))))


def _holds(corners: FloatArray, points: FloatArray) -> bool:
    """Whether any of the points (k, 3) lies over or under a triangle (3, 3), or on its edge, nearer to it than it is long."""
    if not len(points):
        return False
    a, b, c = corners
    u, v, w = b - a, c - a, points - a
    normal = _cross(u, v)
    area = float(normal @ normal)
    if area == 0:
        return True
    s, t = _cross(w.T, v).T @ normal / area, _cross(u, w.T).T @ normal / area
    long = float(max(np.linalg.norm(u), np.linalg.norm(v)))
    close = np.abs(w @ normal) <= long * np.sqrt(area)
    return bool(((s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9) & close).any())


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of vectors (3,) or (3, k). It is asked for two vectors at a time so often that numpy's own took most of the time."""
    product: FloatArray = np.array((a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]))
    return product
