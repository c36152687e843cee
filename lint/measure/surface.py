"""The skin of a part: points welded where they coincide exactly, with area and normal of each face.

STL keeps three points a face and says nothing of neighbours, so every question about edges is asked of the welded skin,
whatever the format: then a part says the same after a trip through STL.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.terms import FloatArray, IntArray, Part


@dataclass(frozen=True)
class Skin:
    """vertices: (n, 3) float64; faces: (m, 3) int64 into them, in the part's own face order; old: (k,) part point -> skin point."""

    vertices: FloatArray
    faces: IntArray
    old: IntArray


@measure
def skin(part: Part) -> Skin:
    """Weld points with bitwise equal coordinates (minus zero counts as zero). Nothing is moved and no face is dropped."""
    return skin_of(part.vertices, part.faces)


def skin_of(points: FloatArray, faces: IntArray) -> Skin:
    """The skin of a bare mesh, points (n, 3) and faces (m, 3)."""
    vertices, old = weld_exact(points)
    return Skin(vertices, old[faces], old)


def weld_exact(points: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distinct rows of points (n, 3) and, for each row, the number of its distinct point.

    By a 64-bit hash of the coordinate bits and one sort; rows that share a hash but differ are told apart by their bits,
    so the answer is exact. Order follows the hash, not the file.
    """
    if not len(points):
        return np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    clean = np.ascontiguousarray(points, dtype=np.float64) + 0.0
    bits = clean.view(np.uint64)
    with np.errstate(over="ignore"):
        key = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
        key = (key + bits[:, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        key ^= key >> np.uint64(32)
        key = (key + bits[:, 2]) * np.uint64(0x94D049BB133111EB)
        key ^= key >> np.uint64(31)
    order = np.argsort(key)
    ordered = bits[order]
    new = np.empty(len(clean), dtype=bool)
    new[0] = True
    np.any(ordered[1:] != ordered[:-1], axis=1, out=new[1:])
    sorted_key = key[order]
    if bool(np.any(new[1:] & (sorted_key[1:] == sorted_key[:-1]))):  # two different points share a hash: sort by the bits
        order = np.lexsort((bits[:, 2], bits[:, 1], bits[:, 0]))
        ordered = bits[order]
        np.any(ordered[1:] != ordered[:-1], axis=1, out=new[1:])
    old = np.empty(len(clean), dtype=np.int64)
    old[order] = np.cumsum(new) - 1
    return clean[order[new]], old


@dataclass(frozen=True)
class Faces:
    """normal: (m, 3) unit, zero where the face has no area; area: (m,) mm2; centre: (m, 3)."""

    normal: FloatArray
    area: FloatArray
    centre: FloatArray


@measure
def facets(skin: Skin) -> Faces:
    """Unit normal, area and centre of every face, by the cross product of two sides."""
    a, b, c = (skin.vertices[skin.faces[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    length = np.sqrt(np.einsum("ij,ij->i", cross, cross))
    with np.errstate(invalid="ignore", divide="ignore"):
        normal = np.where(length[:, None] > 0, cross / length[:, None], 0.0)
    return Faces(normal, length / 2, (a + b + c) / 3)


@dataclass(frozen=True)
class Extent:
    """low and high corner (3,) of the points that faces use, and the diagonal between them."""

    low: FloatArray
    high: FloatArray
    diagonal: float


@measure
def extent(skin: Skin) -> Extent:
    """The box around the part, along the axes."""
    if not len(skin.faces):
        return Extent(np.zeros(3), np.zeros(3), 0.0)
    marked = np.zeros(len(skin.vertices), dtype=bool)
    marked[skin.faces.reshape(-1)] = True
    used = skin.vertices[marked]
    low, high = used.min(axis=0), used.max(axis=0)
    return Extent(low, high, float(np.linalg.norm(high - low)))


@measure
def worthless(skin: Skin) -> IntArray:
    """Numbers of faces with two corners on one point: they bound nothing and every edge question leaves them out."""
    f = skin.faces
    return np.flatnonzero((f[:, 0] == f[:, 1]) | (f[:, 1] == f[:, 2]) | (f[:, 2] == f[:, 0]))
