"""The skin of a part: points welded where they coincide exactly, with area and normal of each face.

STL keeps three points a face and says nothing of neighbours, so every question about edges is asked of the welded skin,
whatever the format: then a part says the same after a trip through STL.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lint import loops
from lint.measure import measure
from lint.measure.vectors import columns, cross, dot, length, minus, picked
from lint.terms import BoolArray, FloatArray, IntArray, Part


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
    return Skin(vertices, np.take(old, faces), old)


def used_points(skin: Skin) -> FloatArray:
    """The points (k, 3) that faces use; the skin's own array when that is all of them."""
    marked = np.zeros(len(skin.vertices), dtype=bool)
    marked[skin.faces.reshape(-1)] = True
    return skin.vertices if marked.all() else skin.vertices[marked]


def weld_exact(points: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distinct rows of points (n, 3), as they come first, and, for each row, the number of its distinct point.

    By a 64-bit hash of the coordinate bits, as much of it as leaves room for the row's number, and one sort of such numbers in place;
    rows that share a hash but differ are told apart by their bits, so the answer is exact. In the file's order neighbours lie near
    each other in memory, which every later look-up gains by. By a table of hashes where the compiled loops are.
    """
    count = len(points)
    if not count:
        return np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    if loops.there() and count < 1 << 32:
        number, row = loops.weld(points)
        return np.take(np.asarray(points, dtype=np.float64), row, axis=0) + 0.0, number
    clean = np.ascontiguousarray(points, dtype=np.float64) + 0.0
    room = np.uint64(max(count - 1, 1).bit_length())
    key = hashed(clean.view(np.uint64))
    key >>= room
    key <<= room
    key |= np.arange(count, dtype=np.uint64)
    key.sort()
    order = (key & ((np.uint64(1) << room) - np.uint64(1))).astype(np.int64)
    key >>= room
    new = np.empty(count, dtype=bool)
    new[0] = True
    np.not_equal(key[1:], key[:-1], out=new[1:])
    del key
    begin = np.flatnonzero(new)
    first = np.empty(count, dtype=np.int64)  # the first row like each: rows of one hash stand in their own order
    first[order] = np.repeat(order[begin], np.diff(np.append(begin, count)))
    odd = np.zeros(count, dtype=bool)
    for axis in range(3):
        column = np.ascontiguousarray(clean.view(np.uint64)[:, axis])
        odd |= np.take(column, first) != column
    if odd.any():
        _told_apart(clean, first, odd)
    own = first == np.arange(count)
    number = np.cumsum(own)
    number -= 1
    return clean[own], np.take(number, first)


def hashed(bits: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """A 64-bit hash of each row (n, 3)."""
    with np.errstate(over="ignore"):
        key = bits[:, 0] * np.uint64(0x9E3779B97F4A7C15)
        for column, factor in ((1, 0xBF58476D1CE4E5B9), (2, 0x94D049BB133111EB)):
            key ^= key >> np.uint64(31)
            key += bits[:, column]
            key *= np.uint64(factor)
        key ^= key >> np.uint64(29)
        key *= np.uint64(0xBF58476D1CE4E5B9)
    return key


def _told_apart(clean: FloatArray, first: IntArray, odd: BoolArray) -> None:
    """Set right, in place, the first row like each where different rows share a hash."""
    shared = np.zeros(len(clean), dtype=bool)
    shared[first[odd]] = True
    some = np.flatnonzero(shared[first])
    bits = clean[some].view(np.uint64)
    order = np.lexsort((some, bits[:, 2], bits[:, 1], bits[:, 0]))
    ordered = bits[order]
    new = np.append(True, (ordered[1:] != ordered[:-1]).any(axis=1))
    first[some[order]] = some[order][np.flatnonzero(new)[np.cumsum(new) - 1]]


@dataclass(frozen=True)
class Faces:
    """normal: (m, 3) unit, zero where the face has no area; area: (m,) mm2; centre: (m, 3)."""

    normal: FloatArray
    area: FloatArray
    centre: FloatArray


@measure
def facets(skin: Skin) -> Faces:
    """Unit normal, area and centre of every face, by the cross product of two sides."""
    if loops.there():
        return Faces(*loops.facets(skin.vertices, skin.faces))
    point = columns(skin.vertices)
    a, b, c = (picked(point, np.ascontiguousarray(skin.faces[:, i])) for i in range(3))
    across = cross(minus(b, a), minus(c, a))
    long = length(across)
    normal = np.zeros((len(long), 3))
    real = long > 0
    for axis in range(3):
        np.divide(across[axis], long, out=normal[:, axis], where=real)
    centre = np.stack([(a[k] + b[k] + c[k]) / 3 for k in range(3)], axis=1)
    return Faces(normal, long / 2, centre)


@dataclass(frozen=True)
class Extent:
    """low and high corner (3,) of the points that faces use, and the diagonal between them."""

    low: FloatArray
    high: FloatArray
    diagonal: float


@measure
def longest(skin: Skin) -> FloatArray:
    """(m,) the longest side of each face, mm."""
    square = longest_squares(skin.vertices, skin.faces)
    return np.asarray(np.sqrt(square, out=square))


def longest_squares(points: FloatArray, faces: IntArray) -> FloatArray:
    """(m,) the square of the longest side of each face (m, 3) of points (n, 3)."""
    if loops.there():
        return loops.sides(points, faces)
    point = columns(points)
    corner = [picked(point, np.ascontiguousarray(faces[:, i])) for i in range(3)]
    square = np.zeros(len(faces))
    for i in range(3):
        side = minus(corner[i], corner[i - 1])
        np.maximum(square, dot(side, side), out=square)
    return square


@measure
def extent(skin: Skin) -> Extent:
    """The box around the part, along the axes."""
    if not len(skin.faces):
        return Extent(np.zeros(3), np.zeros(3), 0.0)
    used = used_points(skin)
    low, high = (np.array([pick(used[:, k]) for k in range(3)]) for pick in (np.min, np.max))
    return Extent(low, high, float(np.linalg.norm(high - low)))


@measure
def worthless(skin: Skin) -> IntArray:
    """Numbers of faces with two corners on one point: they bound nothing and every edge question leaves them out."""
    a, b, c = (np.ascontiguousarray(skin.faces[:, i]) for i in range(3))
    return np.flatnonzero((a == b) | (b == c) | (c == a))
