"""Faces of more than three corners cut into triangles, in place and in order, without moving or dropping a point."""

from __future__ import annotations

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray

# A triangle of a split that has less than this share of its polygon's area, or points against it, makes the split bad.
_SLIVER = 1e-9

# manifold3d takes about 2e-9 s times the square of the corners on the worst outline tried (a saw), n log n on others, and a
# call costs as much as a saw of 140 corners. What is spent on one file is held to a few seconds: smallest first, the rest stay fans.
_MOST_WORK = 2e9
_WORK_EACH = 2e4


def triangles(vertices: FloatArray, corners: IntArray, sizes: IntArray) -> tuple[IntArray, int]:
    """Triangles (m, 3) of polygons, and how many polygons had more than three corners.

    corners: every polygon's point numbers, one polygon after the other; sizes: (k,) how many each has, 3 at least.
    A fan from the first corner; where that would fold over or leave a sliver (a hollow or straight corner), a quad is cut
    along its other diagonal, and a larger polygon is laid flat along the axis nearest to its normal (Newell's) and cut there by manifold3d,
    up to some 44,000 corners. Polygons with indices out of range or non-finite points stay fans: rule 1 judges those.
    """
    first = np.cumsum(sizes) - sizes
    count = sizes - 2
    before = np.cumsum(count) - count
    polygon = np.repeat(np.arange(len(sizes)), count)
    step = np.arange(int(count.sum())) - before[polygon]
    head = first[polygon]
    faces = np.stack((corners[head], corners[head + step + 1], corners[head + step + 2]), axis=1)
    many = np.flatnonzero(sizes > 3)
    if len(many):
        _improve(vertices, corners, sizes, first, before, faces, many)
    return faces, len(many)


def _improve(
    vertices: FloatArray, corners: IntArray, sizes: IntArray, first: IntArray, before: IntArray, faces: IntArray, many: IntArray
) -> None:
    """Replace bad fans among the polygons `many`, in `faces` itself."""
    flat = _flat(first[many], sizes[many])
    owner = np.repeat(np.arange(len(many)), sizes[many])
    inside = (corners[flat] >= 0) & (corners[flat] < len(vertices))
    usable = np.bincount(owner, ~inside, len(many)) == 0
    usable[usable] = _finite(vertices, corners, first[many[usable]], sizes[many[usable]])
    many = many[usable]
    if not len(many):
        return
    with np.errstate(over="ignore", invalid="ignore"):
        rows = _flat(before[many], sizes[many] - 2)
        owner = np.repeat(np.arange(len(many)), sizes[many] - 2)
        cross = _cross(vertices, faces[rows])
        # The fan's crosses sum to Newell's normal: the sum over a closed polygon does not depend on how it is cut.
        normal = np.stack([np.bincount(owner, cross[:, k], len(many)) for k in range(3)], axis=1)
        square = np.einsum("ij,ij->i", normal, normal)
        along = np.einsum("ij,ij->i", cross, normal[owner])
        worst = np.full(len(many), np.inf)
        np.minimum.at(worst, owner, along)
        bad = (worst <= _SLIVER * square) & (square > 0)
        quad = bad & (sizes[many] == 4)
        if quad.any():
            _other_diagonal(vertices, corners, first[many[quad]], before[many[quad]], faces, normal[quad], worst[quad])
    larger = np.flatnonzero(bad & (sizes[many] > 4))
    larger = larger[np.argsort(sizes[many[larger]], kind="stable")]
    work = np.cumsum(sizes[many[larger]].astype(np.float64) ** 2 + _WORK_EACH)
    for k in larger[work <= _MOST_WORK]:
        which = many[k]
        ring = corners[first[which] : first[which] + sizes[which]]
        cut = _cut_flat(vertices[ring], normal[k])
        if cut is not None:
            faces[before[which] : before[which] + sizes[which] - 2] = ring[cut]


def _flat(first: IntArray, sizes: IntArray) -> IntArray:
    start = np.cumsum(sizes) - sizes
    flat: IntArray = np.repeat(first - start, sizes) + np.arange(int(sizes.sum()))
    return flat


def _finite(vertices: FloatArray, corners: IntArray, first: IntArray, sizes: IntArray) -> BoolArray:
    finite = np.asarray(np.isfinite(vertices).all(axis=1))
    owner = np.repeat(np.arange(len(first)), sizes)
    whole: BoolArray = np.bincount(owner, ~finite[corners[_flat(first, sizes)]], len(first)) == 0
    return whole


def _cross(vertices: FloatArray, faces: IntArray) -> FloatArray:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    crossed: FloatArray = np.cross(b - a, c - a)
    return crossed


def _other_diagonal(
    vertices: FloatArray, corners: IntArray, first: IntArray, before: IntArray, faces: IntArray, normal: FloatArray, worst: FloatArray
) -> None:
    a, b, c, d = (corners[first + k] for k in range(4))
    one, two = np.stack((a, b, d), axis=1), np.stack((b, c, d), axis=1)
    along = np.minimum(*(np.einsum("ij,ij->i", _cross(vertices, f), normal) for f in (one, two)))
    better = along > worst
    faces[before[better]] = one[better]
    faces[before[better] + 1] = two[better]


def _cut_flat(points: FloatArray, normal: FloatArray) -> IntArray | None:
    """Triangles of one polygon (n, 3) seen along the axis nearest to its normal, or None when they cannot be had."""
    import manifold3d

    axis = int(np.argmax(np.abs(normal)))
    flat = points[:, [(axis + 1) % 3, (axis + 2) % 3] if normal[axis] > 0 else [(axis + 2) % 3, (axis + 1) % 3]]
    flat = flat - flat[0]
    size = np.abs(flat).max()
    if not np.isfinite(size) or size == 0:
        return None
    cut = np.asarray(manifold3d.triangulate([flat / size]), dtype=np.int64)
    return cut if cut.shape == (len(points) - 2, 3) else None
