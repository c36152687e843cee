"""Keep the wall where a cavity's faces have become fewer: sides and faces that come too near the outer skin are bent back.

How near a whole face comes is known from its corners alone as far as it goes: |x - q|^2 is a parabola for any one point q of the skin,
so a point of the face with the weights w is never nearer than

    d^2 >= sum of w_i d_i^2 - sum over pairs of w_i w_j l_ij^2 >= least d_i^2 - r^2

with the lengths l of the sides and the radius r of the least circle round the face. Where that is not enough the longest side is
halved, its middle measured, and the two halves are asked again.
"""

from __future__ import annotations

import numpy as np

from lint.measure.surface import weld_exact
from lint.shape.offset_field import Near
from lint.terms import BoolArray, FloatArray, IntArray

ROUNDS = 6
OVER = 0.015  # what is bent back is given this much more than the wall, so that its halves keep it too, mm
FINE = 0.002  # how far a wall may be under what is said of it, mm
HALVINGS = 40
# A place this near a side, as a share of the face's height over it, is mended by a corner on the side.
BESIDE = 0.1


def thin_places(
    outer: Near, points: FloatArray, triangles: IntArray, distance: FloatArray, limit: float, *, all_thin: bool = True
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, float]:
    """Where faces with corners at the given distances (n,) come nearer to the outer skin than `limit` mm: the whole face is looked at.

    Returned are the faces (k,), places on them (k, 3), their distances (k,) and the nearest places of the skin (k, 3); and the least
    distance measured between corners. With `all_thin` off the limit falls to the least distance found on the way.
    """
    face = np.arange(len(triangles))
    corner, square = points[triangles], distance[triangles] ** 2
    found: list[tuple[IntArray, FloatArray, FloatArray, FloatArray]] = []
    lowest = np.inf
    for _ in range(HALVINGS):
        long = np.stack([((corner[:, k] - corner[:, (k + 1) % 3]) ** 2).sum(axis=1) for k in range(3)], axis=1)
        least = square.min(axis=1)
        # Nothing may be left that is nearer than the limit, or than what is known of the face already, by more than a hair.
        unsure = least - _circle(long) < (np.minimum(np.sqrt(least), limit) - FINE).clip(min=0.0) ** 2
        if not unsure.any():
            break
        face, corner, square, longest = face[unsure], corner[unsure], square[unsure], long[unsure].argmax(axis=1)
        turn = (longest[:, None] + np.arange(3)) % 3
        corner, square = np.take_along_axis(corner, turn[:, :, None], axis=1), np.take_along_axis(square, turn, axis=1)
        middle = (corner[:, 0] + corner[:, 1]) / 2
        once, old = weld_exact(middle)
        far, there = outer.nearest(once)
        lowest = min(lowest, float(far.min()))
        thin = far[old] < limit
        if thin.any():
            found.append((face[thin], middle[thin], far[old][thin], there[old][thin]))
            limit = limit if all_thin else lowest
        new, deep = middle[:, None], (far[old] ** 2)[:, None]
        corner = np.concatenate((np.hstack((corner[:, :1], new, corner[:, 2:])), np.hstack((new, corner[:, 1:]))))
        square = np.concatenate((np.hstack((square[:, :1], deep, square[:, 2:])), np.hstack((deep, square[:, 1:]))))
        face = np.concatenate((face, face))
    if not found:
        return np.zeros(0, dtype=np.int64), np.zeros((0, 3)), np.zeros(0), np.zeros((0, 3)), lowest
    faces, places, far, there = (np.concatenate(part) for part in zip(*found, strict=True))
    return faces, places, far, there, lowest


def _circle(square: FloatArray) -> FloatArray:
    """The squared radius (m,) of the least circle round triangles of the given squared sides (m, 3)."""
    a, b, c = square.T
    longest = square.max(axis=1)
    blunt = 2 * longest >= a + b + c
    area16 = np.maximum(2 * (a * b + b * c + c * a) - (a * a + b * b + c * c), 1e-300)
    radius: FloatArray = np.where(blunt, longest / 4, a * b * c / area16)
    return radius


def set_back(outer: Near, points: FloatArray, triangles: IntArray, wall: float) -> tuple[FloatArray, IntArray, float, BoolArray]:
    """The cavity's skin (n, 3), (m, 3) kept at least `wall` mm from the outer skin everywhere; the thinnest wall measured, mm; new faces.

    Corners too near are moved straight away from the skin; a side or face that is too near gets a corner where it is nearest. Ends
    after a few rounds, whether or not all is kept: that is told by the thinnest wall.
    """
    points = points.copy()
    distance, at = outer.nearest(points)
    low = np.flatnonzero(distance < wall)
    points[low] = _away(points[low], at[low], distance[low], wall)
    distance[low], _ = outer.nearest(points[low])
    moved: BoolArray = np.zeros(len(points), dtype=bool)
    moved[low] = True
    bent = moved[triangles[:, 0]] | moved[triangles[:, 1]] | moved[triangles[:, 2]]
    fresh, between = np.arange(len(triangles)), np.inf
    for turn in range(ROUNDS + 1):
        face, place, far, there, least = thin_places(outer, points, triangles[fresh], distance, wall)
        if not len(face) or turn == ROUNDS:
            between = min(between, least)
            break
        side, heart, new = _new_corners(points, triangles, fresh[face], place, far)
        added = _away(place[new], there[new], far[new], wall)
        points = np.vstack((points, added))
        triangles, whole = _divided(triangles, side, heart)
        fresh = np.arange(int(whole.sum()), len(triangles))
        bent = np.concatenate((bent[whole], np.ones(len(fresh), dtype=bool)))
        distance = np.concatenate((distance, outer.nearest(added)[0]))
    return points, triangles, min(float(distance.min()), between), bent


def _new_corners(
    points: FloatArray, triangles: IntArray, face: IntArray, place: FloatArray, far: FloatArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Where new corners go: (m, 3) on the sides and (m,) within the faces, as point numbers or -1, and which places (j,) they are.

    One for a side and one for a face, the nearest to the skin; a face with a new corner on a side gets none within.
    """
    worst = np.lexsort((far, face))
    worst = worst[np.unique(face[worst], return_index=True)[1]]
    face, where = face[worst], place[worst]
    share = _shares(points[triangles[face]], where)
    beside = share.min(axis=1) < BESIDE
    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * len(points) + np.maximum(start, end)
    name = key[3 * face[beside] + (share[beside].argmin(axis=1) + 1) % 3]
    order = np.lexsort((far[worst][beside], name))
    sides, first = np.unique(name[order], return_index=True)
    on_side = np.flatnonzero(beside)[order[first]]
    slot = np.searchsorted(sides, key).clip(max=max(len(sides) - 1, 0))
    hit = sides[slot] == key if len(sides) else np.zeros(len(key), dtype=bool)
    side = np.where(hit, len(points) + slot, -1).reshape(-1, 3)
    within = np.flatnonzero(~beside)
    within = within[(side[face[within]] < 0).all(axis=1)]
    heart = np.full(len(triangles), -1)
    heart[face[within]] = len(points) + len(sides) + np.arange(len(within))
    return side, heart, worst[np.concatenate((on_side, within)).astype(np.int64)]


def _shares(corner: FloatArray, place: FloatArray) -> FloatArray:
    """The weights (k, 3) of the corners (k, 3, 3) at places on triangles."""
    a, b, c = corner[:, 0], corner[:, 1], corner[:, 2]
    normal = np.cross(b - a, c - a)
    whole = np.maximum(np.einsum("ij,ij->i", normal, normal), 1e-300)
    parts = [np.einsum("ij,ij->i", normal, np.cross(q - p, place - p)) / whole for p, q in ((b, c), (c, a), (a, b))]
    return np.stack(parts, axis=1)


def _away(points: FloatArray, at: FloatArray, distance: FloatArray, wall: float) -> FloatArray:
    """Points moved straight away from the nearest points of the skin until they are a little over the wall from them."""
    moved: FloatArray = points + (points - at) * ((wall + OVER - distance) / np.maximum(distance, 1e-9))[:, None]
    return moved


def _divided(triangles: IntArray, middle: IntArray, heart: IntArray) -> tuple[IntArray, BoolArray]:
    """Faces (m, 3) divided at points of their sides (m, 3) and within them (m,), -1 for none; those left whole (m,) come first."""
    cut: BoolArray = middle >= 0
    count = cut.sum(axis=1)
    whole = (count == 0) & (heart < 0)
    out = [triangles[whole]]
    t, h = triangles[heart >= 0], heart[heart >= 0]
    out += [np.stack((t[:, k], t[:, (k + 1) % 3], h), axis=1) for k in range(3)]
    t, m = triangles[count == 3], middle[count == 3]
    out += [np.stack((t[:, k], m[:, k], m[:, (k + 2) % 3]), axis=1) for k in range(3)] + [m]
    t, m = _turned(triangles, middle, count == 1, np.argmax(cut, axis=1))
    out += [np.stack((t[:, 0], m[:, 0], t[:, 2]), axis=1), np.stack((m[:, 0], t[:, 1], t[:, 2]), axis=1)]
    t, m = _turned(triangles, middle, count == 2, (np.argmin(cut, axis=1) + 1) % 3)
    out += [
        np.stack((m[:, 0], t[:, 1], m[:, 1]), axis=1),
        np.stack((t[:, 0], m[:, 0], m[:, 1]), axis=1),
        np.stack((t[:, 0], m[:, 1], t[:, 2]), axis=1),
    ]
    return np.vstack(out).astype(np.int64), whole


def _turned(triangles: IntArray, middle: IntArray, which: BoolArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """Some faces and the points of their sides, turned so that side number `first` (m,) comes first."""
    turn = (first[which][:, None] + np.arange(3)) % 3
    return np.take_along_axis(triangles[which], turn, axis=1), np.take_along_axis(middle[which], turn, axis=1)
