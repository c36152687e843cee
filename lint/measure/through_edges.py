"""Skin that passes through skin exactly along its edges, where every pair of faces merely touches.

Two grids pushed into each other can cross along lines that are edges of one of them or of both. No face then reaches through
another, and pair by pair nothing crosses; but the two faces at the edge stand on opposite sides of the other skin.
"""

from __future__ import annotations

import numpy as np

from lint.measure.edges import Edges
from lint.terms import BoolArray, FloatArray, IntArray


def passing(
    points: FloatArray, faces: IntArray, normal: FloatArray, edges: Edges, owner: IntArray, face: IntArray, tolerance: float
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Pairs of faces (k, 2) that cross along an edge of the first, each crossing once; the faces (k, 2) on the other side of the edge
    where it is an edge of theirs, else the same; how deep (k,), mm; and from where to where (k, 2, 3).

    points: (n, 3); faces, normal: (m, 3); owner, face: (n,) pairs in which two corners of `owner` lie in the plane of `face`
    within `tolerance`, mm, and the third does not. An edge with other than two faces is left to the rules of edges.
    """
    height = np.einsum("kij,kj->ki", points[faces[owner]] - points[faces[face, :1]], normal[face])
    half = 3 * owner + (np.abs(height).argmax(axis=1) + 1) % 3
    start, end = points[faces[half // 3, half % 3]], points[faces[half // 3, (half % 3 + 1) % 3]]
    seam, aside, side = _within(start, end, points[faces[face]], normal[face])
    span = np.linalg.norm(seam[:, 1] - seam[:, 0], axis=1)
    keep = _of_two(edges, half) & (span > tolerance)
    half, face, side, start, aside, seam = half[keep], face[keep], side[keep], start[keep], aside[keep], seam[keep]
    along = (seam[:, 1] - seam[:, 0]) / span[keep, None]
    here, there = _tip(points, faces, half, start, along), _tip(points, faces, _across(edges, half), start, along)

    # The edge lies in the middle of the face: its own two faces stand on opposite sides of it.
    rise, fall = np.einsum("ij,ij->i", here, normal[face]), np.einsum("ij,ij->i", there, normal[face])
    depth = np.minimum(np.abs(rise), np.abs(fall))
    crosses = (aside > tolerance) & (rise * fall < 0) & (depth > tolerance)
    # It lies along an edge of the face: about that line the four faces take turns.
    mate = 3 * face + side
    shared = np.flatnonzero((aside <= tolerance) & _of_two(edges, mate))
    sheet = [_tip(points, faces, h, start[shared], along[shared]) for h in (mate[shared], _across(edges, mate[shared]))]
    depth[shared] = _taking_turns(here[shared], there[shared], sheet[0], sheet[1], along[shared])
    crosses[shared] = depth[shared] > tolerance

    half, face, depth, mate, seam = half[crosses], face[crosses], depth[crosses], mate[crosses], seam[crosses]
    shared = np.flatnonzero(aside[crosses] <= tolerance)
    pairs, beside = np.stack((half // 3, face), axis=1), np.stack((_across(edges, half) // 3, face), axis=1)
    pairs[shared, 1], beside[shared, 1] = mate[shared] // 3, _across(edges, mate[shared]) // 3
    # One edge and one face, or two edges, are one crossing; met from both sides, it is told by the deeper, whichever was asked first.
    met = edges.half_edge[half], len(edges.ends) + face
    met[1][shared] = edges.half_edge[mate[shared]]
    key = np.minimum(*met) * (len(edges.ends) + len(faces)) + np.maximum(*met)
    order = np.lexsort((half, -np.linalg.norm(seam[:, 1] - seam[:, 0], axis=1), -depth, key))
    first = order[np.flatnonzero(np.diff(key[order], prepend=-1))]
    return np.minimum(pairs, beside)[first], np.maximum(pairs, beside)[first], depth[first], seam[first]


def _within(start: FloatArray, end: FloatArray, triangle: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray, IntArray]:
    """For lines (k, 3) to (k, 3) in triangles (k, 3, 3): the ends (k, 2, 3) of what is inside; how far its middle is from the nearest
    side; and which side that is."""
    forward = triangle[:, [1, 2, 0]] - triangle
    inward = np.cross(normal[:, None], forward)
    inward /= np.maximum(np.linalg.norm(inward, axis=2), 1e-300)[:, :, None]
    at, to = (np.einsum("kij,kij->ki", p[:, None] - triangle, inward) for p in (start, end))
    length = np.linalg.norm(end - start, axis=1)
    slack = 1e-9 * length[:, None]
    gap = np.where(np.abs(to - at) > slack, to - at, 1.0)
    level = np.abs(to - at) <= slack
    cut = -at / gap
    enter = np.where(~level & (to > at), cut, 0.0).max(axis=1).clip(0.0)
    leave = np.where(~level & (to < at), cut, 1.0).min(axis=1).clip(None, 1.0)
    outside = (level & (at < -1e-6 * length[:, None])).any(axis=1)
    leave = np.where(outside | (leave < enter), enter, leave)
    far = at + (enter + leave)[:, None] / 2 * (to - at)
    ends = start[:, None] + np.stack((enter, leave), axis=1)[:, :, None] * (end - start)[:, None]
    return ends, far.min(axis=1), far.argmin(axis=1)


def _of_two(edges: Edges, half: IntArray) -> BoolArray:
    edge = edges.half_edge[half]
    return np.asarray((edge >= 0) & (edges.count[edge] == 2))


def _across(edges: Edges, half: IntArray) -> IntArray:
    """The half-edge on the other face of an edge that has two."""
    edge = edges.half_edge[half]
    faces = edges.neighbours[np.searchsorted(edges.neighbour_edge, edge)]
    other = faces.sum(axis=1) - half // 3
    corner = (edges.half_edge[3 * other[:, None] + np.arange(3)] == edge[:, None]).argmax(axis=1)
    across: IntArray = 3 * other + corner
    return across


def _tip(points: FloatArray, faces: IntArray, half: IntArray, start: FloatArray, along: FloatArray) -> FloatArray:
    """(k, 3) from the edge's line straight to the third corner of the face of a half-edge."""
    tip = points[faces[half // 3, (half + 2 - half // 3 * 3) % 3]] - start
    square: FloatArray = tip - np.einsum("ij,ij->i", tip, along)[:, None] * along
    return square


def _taking_turns(here: FloatArray, there: FloatArray, one: FloatArray, two: FloatArray, along: FloatArray) -> FloatArray:
    """(k,) how far the nearest of two sheets about a line must move so as not to pass through the other; 0 when it does not.

    here, there: the faces of one sheet, (k, 3) square to the line `along`; one, two: those of the other.
    """
    across = np.cross(along, here)

    def turn(tip: FloatArray) -> FloatArray:
        angle: FloatArray = np.arctan2(np.einsum("ij,ij->i", tip, across), np.einsum("ij,ij->i", tip, here)) % (2 * np.pi)
        return angle

    far, first, second = turn(there), turn(one), turn(two)
    clear = np.full(len(here), np.inf)
    for tip, at in ((one, first), (two, second)):
        for edge, angle in ((here, np.zeros(len(here))), (there, far)):
            sine = np.where(np.cos(at - angle) > 0, np.abs(np.sin(at - angle)), 1.0)
            clear = np.minimum(clear, sine * np.minimum(np.linalg.norm(tip, axis=1), np.linalg.norm(edge, axis=1)))
    return np.where((first < far) != (second < far), clear, 0.0)
