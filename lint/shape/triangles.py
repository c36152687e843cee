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

    Sides with one triangle stay. Each round turns a set of sides no two of which share a triangle, so it works on whole arrays; and it
    looks only at triangles that can have changed their mind since the last: those with two corners at what was turned, or still wishes to.
    """
    faces = faces.copy()
    many = int(faces.max(initial=0)) + 1
    live = np.arange(len(faces))
    often: dict[int, int] = {}  # how many triangles have each side
    for _ in range(rounds):
        some = faces[live]
        corner = some.reshape(-1)
        start, end = corner, some[:, [1, 2, 0]].reshape(-1)
        key = np.minimum(start, end) * many + np.maximum(start, end)
        if not often:
            often = dict(zip(*(n.tolist() for n in np.unique(key, return_counts=True)), strict=True))
        order = np.argsort(key, kind="stable")
        same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
        one, two = order[same], order[same + 1]
        a, b = start[one], end[one]
        c, d = (corner[half // 3 * 3 + (half % 3 + 2) % 3] for half in (one, two))
        gain = _lies_inside(points[a], points[b], points[c], points[d])
        wish = np.flatnonzero((gain > 1e-9) & (c != d))
        # The two triangles must make a bulging four-cornered shape, and the turned side must not be there already.
        pa, pb, pc, pd = (points[at[wish]] for at in (a, b, c, d))
        wish = wish[(_twice(pc, pa, pd) > 0) & (_twice(pc, pd, pb) > 0)]
        turned = np.minimum(c[wish], d[wish]) * many + np.maximum(c[wish], d[wish])
        at_mind = np.zeros(many, dtype=bool)
        at_mind[a[wish]] = at_mind[b[wish]] = True
        new = np.array([not often.get(side) for side in turned.tolist()], dtype=bool)
        wish, turned = wish[new], turned[new]
        if not len(wish):
            break
        best = np.lexsort((turned, -gain[wish]))
        wish, turned = wish[best], turned[best]
        rank = np.arange(len(wish))
        first = np.full(len(some), len(wish), dtype=np.int64)
        np.minimum.at(first, one[wish] // 3, rank)
        np.minimum.at(first, two[wish] // 3, rank)
        mine = (first[one[wish] // 3] == rank) & (first[two[wish] // 3] == rank)
        chosen = wish[mine]
        faces[live[one[chosen] // 3]] = np.stack((c[chosen], a[chosen], d[chosen]), axis=1)
        faces[live[two[chosen] // 3]] = np.stack((c[chosen], d[chosen], b[chosen]), axis=1)
        for gone, come in zip(key[one[chosen]].tolist(), turned[mine].tolist(), strict=True):
            often[gone] -= 2
            often[come] = often.get(come, 0) + 2
        at_mind[c[chosen]] = at_mind[d[chosen]] = True
        live = np.flatnonzero(np.count_nonzero(at_mind[faces], axis=1) >= 2)
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
    """Points (k, 3) all over some faces, and how far apart they are at most: near enough to hug them, few enough to write down.

    Balls of that radius round the points cover the faces. The spacing is half a millimetre, or what gives about `most` points; but no
    more than a three-hundredth of the diagonal of `vertices` for the former, since a file whose units nobody knows may be in metres.
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
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    spacing = max(min(0.5, diagonal / 300), float(np.sqrt(double.sum() / 2 / most)), 1e-300)
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


def thinned(points: FloatArray, apart: float) -> FloatArray:
    """One of the points (n, 3) from each cell of a grid `apart` wide."""
    if not len(points):
        return points
    cell = np.floor(points / apart).astype(np.int64)
    cell -= cell.min(axis=0)
    span = cell.max(axis=0) + 1
    _, first = np.unique((cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2], return_index=True)
    return points[first]
