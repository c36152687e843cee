"""Flat triangles: fill an outline, and turn the common sides of neighbours until the triangles are as plump as they can be."""

from __future__ import annotations

import numpy as np

from lint.terms import FloatArray, IntArray


def area_of(vertices: FloatArray, faces: IntArray) -> float:
    """The area of faces (m, 3), mm2."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def filled(outlines: list[FloatArray]) -> IntArray:
    """Triangles (k, 3) that fill flat outlines (n, 2), outer ones counter-clockwise, holes clockwise; numbered through the outlines."""
    from manifold3d import triangulate

    everything = np.vstack(outlines)
    middle = (everything.min(axis=0) + everything.max(axis=0)) / 2
    faces = np.asarray(triangulate([np.ascontiguousarray(o - middle) for o in outlines], allow_convex=False), dtype=np.int64)
    return faces.reshape(-1, 3)


def plumped(points: FloatArray, faces: IntArray, rounds: int = 60) -> IntArray:
    """The same flat area with sides turned toward Delaunay's rule: no corner inside the circle of its neighbour.

    Sides with one triangle stay. Each round turns a set of sides no two of which share a triangle, so it works on whole arrays.
    """
    faces = faces.copy()
    many = int(faces.max(initial=0)) + 1
    for _ in range(rounds):
        start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
        key = np.minimum(start, end) * many + np.maximum(start, end)
        order = np.argsort(key, kind="stable")
        same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
        one, two = order[same], order[same + 1]
        a, b = start[one], end[one]
        c = faces.reshape(-1)[3 * (one // 3) + (one % 3 + 2) % 3]
        d = faces.reshape(-1)[3 * (two // 3) + (two % 3 + 2) % 3]
        gain = _lies_inside(points[a], points[b], points[c], points[d])
        wish = np.flatnonzero((gain > 1e-9) & (c != d))
        # The turned side must not be there already, and the two triangles must make a bulging four-cornered shape.
        known = key[order]
        turned = np.minimum(c, d) * many + np.maximum(c, d)
        at = np.searchsorted(known, turned[wish]).clip(max=len(known) - 1)
        pa, pb, pc, pd = (points[corner[wish]] for corner in (a, b, c, d))
        wish = wish[(known[at] != turned[wish]) & (_twice(pc, pa, pd) > 0) & (_twice(pc, pd, pb) > 0)]
        if not len(wish):
            break
        wish = wish[np.lexsort((turned[wish], -gain[wish]))]
        rank = np.arange(len(wish))
        first = np.full(len(faces), len(wish), dtype=np.int64)
        np.minimum.at(first, one[wish] // 3, rank)
        np.minimum.at(first, two[wish] // 3, rank)
        chosen = wish[(first[one[wish] // 3] == rank) & (first[two[wish] // 3] == rank)]
        faces[one[chosen] // 3] = np.stack((c[chosen], a[chosen], d[chosen]), axis=1)
        faces[two[chosen] // 3] = np.stack((c[chosen], d[chosen], b[chosen]), axis=1)
    return faces


def _twice(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Twice the signed area of triangles."""
    result: FloatArray = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    return result


def _lies_inside(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> FloatArray:
    """How far past a straight angle the corners c and d opposite the side ab add up to, as a sine: above 0 the side wants turning."""
    ca, cb, da, db = a - c, b - c, a - d, b - d
    dot_c, dot_d = ca[:, 0] * cb[:, 0] + ca[:, 1] * cb[:, 1], da[:, 0] * db[:, 0] + da[:, 1] * db[:, 1]
    cross_c = np.abs(ca[:, 0] * cb[:, 1] - ca[:, 1] * cb[:, 0])
    cross_d = np.abs(da[:, 0] * db[:, 1] - da[:, 1] * db[:, 0])
    size = np.sqrt((dot_c**2 + cross_c**2) * (dot_d**2 + cross_d**2))
    result: FloatArray = -(cross_c * dot_d + dot_c * cross_d) / np.maximum(size, 1e-300)
    return result


def spots_on(vertices: FloatArray, faces: IntArray, most: int = 1500) -> tuple[FloatArray, float]:
    """Points (k, 3) all over some faces, and how far apart they are at most, mm: near enough to hug them, few enough to write down.

    Balls of that radius round the points cover the faces. The spacing is half a millimetre, or what gives about `most` points.
    """
    if not len(faces):
        return np.zeros((0, 3)), 0.5
    corners = vertices[faces]
    side = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    longest = side.argmax(axis=1)
    corners = np.take_along_axis(corners, ((longest[:, None] + np.arange(3)) % 3)[:, :, None], axis=1)
    length = side.max(axis=1)
    a, b, c = corners.transpose(1, 0, 2)
    double = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    height = double / np.maximum(length, 1e-300)
    spacing = max(0.5, float(np.sqrt(double.sum() / 2 / most)))
    along = np.maximum(np.ceil(length / spacing), 1).astype(np.int64)
    across = np.maximum(np.ceil(1.25 * height / spacing), 1).astype(np.int64)
    each = (along + 1) * across
    owner = np.repeat(np.arange(len(faces)), each)
    k = np.arange(len(owner)) - np.repeat(np.cumsum(each) - each, each)
    u = (k % (along + 1)[owner]) / along[owner]
    v = (k // (along + 1)[owner]) / across[owner]
    on_side = a[owner] + u[:, None] * (b - a)[owner]
    spots: FloatArray = on_side + v[:, None] * (c[owner] - on_side)
    return spots, spacing
