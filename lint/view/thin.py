"""A thinner copy of a heavy mesh, for looking at only: points gathered into cubes, so that a million faces take a second.

Clustering after Rossignac and Borrel (1993), with the mean of the points of a cube in place of them all. A closed skin stays closed in
the sense that counts for a cut: every edge keeps an even number of faces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Thinned:
    """vertices (n, 3), faces (m, 3); gathered: (k,) old point -> new point; cell: the side of the cubes, mm."""

    vertices: FloatArray
    faces: IntArray
    gathered: IntArray
    cell: float

    def carried(self, faces: IntArray) -> BoolArray:
        """Which of the thin faces, (m,), stand for some of the old faces (j, 3), given by their corners; never none for some."""
        touched = np.zeros(len(self.vertices), dtype=bool)
        touched[self.gathered[faces.reshape(-1)]] = True
        corners = touched[self.faces]
        whole, some = np.asarray(corners.all(axis=1), dtype=bool), np.asarray(corners.any(axis=1), dtype=bool)
        return whole if whole.any() else some

    def worst(self, values: FloatArray) -> FloatArray:
        """The largest of the values of old points, (k,), that each of the new points stands for, (n,)."""
        most = np.full(len(self.vertices), -np.inf)
        np.maximum.at(most, self.gathered, values)
        return most


def thin(vertices: FloatArray, faces: IntArray, most: int) -> Thinned:
    """At most `most` faces in place of many more; vertices (n, 3) finite, faces (m, 3)."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
    used = vertices[faces.reshape(-1)]
    low, size = used.min(axis=0), float(np.ptp(used, axis=0).max())
    # A flat skin cut by a grid of cubes gets about three faces a cube.
    cell = max(np.sqrt(3.0 * area / most), size / 2**20)
    while True:
        thinned = _gathered(vertices, faces, low, cell)
        if len(thinned.faces) <= most:
            return thinned
        cell *= max(1.02 * np.sqrt(len(thinned.faces) / most), 1.05)


def _gathered(vertices: FloatArray, faces: IntArray, low: FloatArray, cell: float) -> Thinned:
    place = np.clip(np.floor((vertices - low) / cell), -1, 2**20).astype(np.int64) + 1
    key = place[:, 0] << 42 | place[:, 1] << 21 | place[:, 2]
    order = np.argsort(key)
    new = np.concatenate(([True], np.diff(key[order]) != 0))
    gathered = np.empty(len(key), dtype=np.int64)
    gathered[order] = np.cumsum(new) - 1
    count = np.bincount(gathered)
    middle = np.column_stack([np.bincount(gathered, weights=vertices[:, axis]) / count for axis in range(3)])
    corners = gathered[faces]
    kept = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
    return Thinned(middle, corners[kept], gathered, cell)
