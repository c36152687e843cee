"""Cut faces along the zero line of a value given at each point: planes, boxes and a strip along a rim are all cut this way.

Neighbours are cut at the same point of their common side, so what was matched stays matched, and no point that is kept moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Clipped:
    """vertices: (n, 3) and faces: (m, 3) of what is kept; parent: (m,) the face each came from; whole: (m,) whether it came uncut;

    on: (n,) whether a point lies on the cut; old: (n,) the point it was before, -1 for a point made by the cut.
    """

    vertices: FloatArray
    faces: IntArray
    parent: IntArray
    whole: BoolArray
    on: BoolArray
    old: IntArray


def clip(vertices: FloatArray, faces: IntArray, value: FloatArray, snap: float = 0.0) -> Clipped:
    """What lies where `value` (n,) is above zero. Points within `snap` of zero count as on the cut and make no new ones.

    A face that lies in the cut with all its corners goes, so that a lid over the cut may take its place.
    """
    sign = np.where(np.abs(value) <= snap, 0, np.sign(value)).astype(np.int64)
    corner = sign[faces]
    most, least = corner.max(axis=1), corner.min(axis=1)
    whole = np.flatnonzero((most > 0) & (least >= 0))
    mixed = np.flatnonzero((most > 0) & (least < 0))
    turned, turned_sign = _turned(faces[mixed], corner[mixed])
    many = len(vertices)
    ends: list[IntArray] = []

    def between(kept: IntArray, gone: IntArray) -> IntArray:
        """A stand-in for the cut point of each side, numbered below zero until all are known."""
        ends.append(np.minimum(kept, gone) * many + np.maximum(kept, gone))
        start = sum(len(e) for e in ends[:-1])
        return -1 - (start + np.arange(len(kept)))

    made: list[IntArray] = []
    parents: list[IntArray] = []
    a, b, c = turned.T
    second, third = turned_sign[:, 1], turned_sign[:, 2]

    def add(which: IntArray, *corners: IntArray) -> None:
        made.append(np.stack(corners, axis=1))
        parents.append(mixed[which])

    pick = np.flatnonzero((second > 0) & (third < 0))
    if len(pick):
        ac, bc = between(a[pick], c[pick]), between(b[pick], c[pick])
        add(pick, a[pick], b[pick], bc)
        add(pick, a[pick], bc, ac)
    pick = np.flatnonzero((second < 0) & (third < 0))
    if len(pick):
        add(pick, a[pick], between(a[pick], b[pick]), between(a[pick], c[pick]))
    pick = np.flatnonzero((second == 0) & (third < 0))
    if len(pick):
        add(pick, a[pick], b[pick], between(a[pick], c[pick]))
    pick = np.flatnonzero((second < 0) & (third == 0))
    if len(pick):
        add(pick, a[pick], between(a[pick], b[pick]), c[pick])
    keys = np.concatenate(ends) if ends else np.zeros(0, dtype=np.int64)
    distinct, index = np.unique(keys, return_inverse=True)
    points = _cut_points(vertices, value, distinct // many, distinct % many)
    cut = np.vstack(made) if made else np.zeros((0, 3), dtype=np.int64)
    below = cut < 0
    cut[below] = many + index[-1 - cut[below]]
    all_faces = np.vstack((faces[whole], cut))
    all_points = np.vstack((vertices, points))
    on = np.concatenate((sign == 0, np.ones(len(points), dtype=bool)))
    used = np.unique(all_faces)
    new = np.full(len(all_points), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    return Clipped(
        vertices=all_points[used],
        faces=new[all_faces],
        parent=np.concatenate((whole, *parents)).astype(np.int64),
        whole=np.arange(len(all_faces)) < len(whole),
        on=on[used],
        old=np.where(used < many, used, -1),
    )


def _turned(faces: IntArray, sign: IntArray) -> tuple[IntArray, IntArray]:
    """Faces turned so that a kept corner is first, and of two kept corners the first of the two: (k, 3) and their signs."""
    kept = sign > 0
    two = kept.sum(axis=1) == 2
    first = np.where(two, (np.argmin(kept, axis=1) + 1) % 3, np.argmax(kept, axis=1))
    order = (first[:, None] + np.arange(3)) % 3
    return np.take_along_axis(faces, order, axis=1), np.take_along_axis(sign, order, axis=1)


def _cut_points(vertices: FloatArray, value: FloatArray, one: IntArray, two: IntArray) -> FloatArray:
    """Where the value crosses zero on sides (k,), (k,): reckoned from the kept end, so that the numbering does not matter."""
    kept = np.where(value[one] > 0, one, two)
    gone = np.where(value[one] > 0, two, one)
    share = value[kept] / (value[kept] - value[gone]) if len(kept) else np.zeros(0)
    points: FloatArray = vertices[kept] + share[:, None] * (vertices[gone] - vertices[kept])
    return points
