"""Stitch: a slit between one long side and the short sides that lie along it, because a point was set on the one skin only, is sewn up.

Filling such a slit would leave faces a hair wide that pass through the skin beside them as soon as the point lies a hair off the side. So
the face with the long side is cut at the points instead, and the skin is whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lint.measure import Survey
from lint.shape.lids import simple_loops
from lint.terms import FloatArray, IntArray

# A slit no wider than this share of the part's diagonal, as for the cracks that weld joins (rule 2), or than half of the tenth of a
# millimetre to which the skin is to be true.
SLIT = 1e-4
SLIT_MM = 0.05
# The new faces look the way the old one did: the cosine of the turn, at least.
TURNED = 0.9


@dataclass(frozen=True)
class Sewn:
    """faces: (m, 3) of the skin's points, without worthless ones; slits: how many were sewn up; widest: mm a point lay off its side."""

    faces: IntArray
    slits: int
    widest: float


def sewn_up(survey: Survey) -> Sewn | None:
    """Cut the faces whose long side has points of a slit along it, at those points; None where there is no such slit."""
    skin = survey.get("skin")
    limit = max(SLIT * survey.get("extent").diagonal, SLIT_MM if survey.part.units is not None else 0.0)
    loops = [loop for rim in survey.get("rims") if rim.closed for loop in simple_loops(rim.points)]
    slits = [slit for loop in loops if (slit := _slit(skin.vertices[loop], loop, limit)) is not None]
    if not slits:
        return None
    cloth = _Cloth(skin.vertices, skin.faces)
    done = [wide for along, wide in slits if cloth.cut(along)]
    return Sewn(cloth.faces(), len(done), max(done)) if done else None


def _slit(points: FloatArray, loop: IntArray, limit: float) -> tuple[IntArray, float] | None:
    """The points from the start of a loop's longest side to its end, by way of all others, when they lie along it one after another and no
    farther off than the limit; and how far off. A loop runs as the faces beside it do, so the others come back from the end."""
    side = np.roll(points, -1, axis=0) - points
    long = np.linalg.norm(side, axis=1)
    at = int(long.argmax())
    order = np.roll(np.arange(len(loop)), -at)[[0, *range(len(loop) - 1, 0, -1)]]
    way = side[at] / max(float(long[at]), 1e-300)
    off = points[order] - points[at]
    along = off @ way
    wide = float(np.linalg.norm(off - along[:, None] * way, axis=1)[:-1].max())
    if len(loop) < 3 or wide > limit or (np.diff(along) <= wide).any():
        return None
    return loop[order], wide


class _Cloth:
    """Faces that can be cut one after another, found by the sides they run along."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        good = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
        self._points = vertices
        self._rows: list[tuple[int, int, int] | None] = [(int(a), int(b), int(c)) for a, b, c in faces[good].tolist()]
        self._with: dict[tuple[int, int], int] = {}
        for number, row in enumerate(self._rows):
            self._note(number, row)

    def faces(self) -> IntArray:
        """(m, 3) as they are now."""
        return np.array([row for row in self._rows if row is not None], dtype=np.int64).reshape(-1, 3)

    def cut(self, along: IntArray) -> bool:
        """Cut the face whose side runs from the first to the last of some points, at those between; False where that would fold it or
        crowd an edge, and nothing is changed."""
        trail = along.tolist()
        number = self._with.get((trail[0], trail[-1]))
        row = self._rows[number] if number is not None else None
        if number is None or row is None:
            return False
        far = next(p for p in row if p not in (trail[0], trail[-1]))
        new = [(a, b, far) for a, b in pairwise(trail)]
        inner = [p for p in trail[1:-1] if p == far or (p, far) in self._with or (far, p) in self._with]
        if inner or not self._flat(row, new):
            return False
        self._rows[number] = None
        for one, two in ((0, 1), (1, 2), (2, 0)):
            self._with.pop((row[one], row[two]), None)
        for made in new:
            self._rows.append(made)
            self._note(len(self._rows) - 1, made)
        return True

    def _note(self, number: int, row: tuple[int, int, int] | None) -> None:
        assert row is not None
        for one, two in ((0, 1), (1, 2), (2, 0)):
            self._with[row[one], row[two]] = number

    def _flat(self, row: tuple[int, int, int], new: list[tuple[int, int, int]]) -> bool:
        normals = [np.cross(self._points[b] - self._points[a], self._points[c] - self._points[a]) for a, b, c in (row, *new)]
        size = [max(float(np.linalg.norm(n)), 1e-300) for n in normals]
        return all(float(n @ normals[0]) > TURNED * s * size[0] for n, s in zip(normals[1:], size[1:], strict=True))
