"""Rays against a skin: the first face each meets, and the first that faces a given way.

Three makers of the same answer, chosen by what is installed: our own compiled loops (64-bit, on the tree that other measurements
share), embreex (32-bit) and libigl's tree of boxes (64-bit, several times slower). Each names the face that was met; the distance is
then worked out in double precision on that face. BUCKWRIGHT_LOOPS=plain does without the first, BUCKWRIGHT_RAYS=plain without the
first two, so that all can be held to say the same.
"""

from __future__ import annotations

import os
from typing import Any, Protocol

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.surface import Faces, Skin
from lint.measure.tree import tree_over
from lint.terms import BoolArray, FloatArray, IntArray

# A ray that keeps meeting skin that faces the wrong way is followed through this many layers of it.
_LAYERS = 24


class _Tree(Protocol):
    def first(self, origins: FloatArray, directions: FloatArray, reach: float) -> tuple[IntArray, FloatArray]:
        """Face met by each ray, -1 for none, and a first guess of the distance."""


class Rays:
    """One skin made ready for rays. `gap`: how far off its own skin a ray starts, so that it does not meet it, mm.

    normal: (m, 3) unit outward, zero for a face without area; middle: what coordinates are counted from inside.
    """

    def __init__(self, vertices: FloatArray, faces: IntArray, normal: FloatArray, tree: loops.Tree | None = None) -> None:
        used = np.zeros(len(vertices), dtype=bool)
        used[faces.reshape(-1)] = True
        points = np.zeros((1, 3)) if not len(faces) else vertices if used.all() else vertices[used]
        low, high = (np.array([end(points[:, k]) for k in range(3)]) for end in (np.min, np.max))
        self.middle: FloatArray = (low + high) / 2
        self.gap = max(1e-4, 5e-7 * float(np.linalg.norm(high - low)))
        self.normal = normal
        self._own = _own(vertices, faces, tree)
        self._tree: _Tree | None = None
        if len(faces) and self._own is None:
            self._offset = np.einsum("ij,ij->i", normal, vertices[faces[:, 0]] - self.middle)
            self._tree = _tree(vertices - self.middle, faces)

    def first(self, origins: FloatArray, directions: FloatArray, reach: float = np.inf) -> tuple[IntArray, FloatArray]:
        """Face each ray meets first, (k,), -1 for none within `reach` mm, and the distance, (k,) mm, infinite for none.

        origins (k, 3) mm in the part's coordinates; directions (k, 3) unit.
        """
        if self._own is not None:
            return self._own.first(origins, directions, reach)
        return self._met(origins - self.middle, directions, reach)

    def about(self, point: FloatArray, reach: float, across: FloatArray) -> IntArray | None:
        """Faces (k,), in order, among them all within `reach` mm of a point (3,) that meet the plane through it square to `across` (3,).

        None without the compiled loops: nothing else knows the faces by where they lie.
        """
        return None if self._own is None else self._own.about(point, reach, across)

    def first_facing(self, origins: FloatArray, directions: FloatArray, away: bool, reach: float = np.inf) -> tuple[IntArray, FloatArray]:
        """The first face whose outward side looks along the ray (away, so the ray leaves material) or against it (so it enters).

        Faces that look the other way are passed. Same shapes as `first`.
        """
        if self._own is not None:
            return self._own.first(origins, directions, reach, facing=1 if away else -1, normal=self.normal)
        start = origins - self.middle
        face, distance = self._met(start, directions, reach)
        wrong = self._wrong_way(face, directions, away)
        gone = distance[wrong] + self.gap
        distance[wrong], face[wrong] = np.inf, -1
        for _ in range(_LAYERS):  # the few that met skin facing the wrong way go on behind it
            going = gone < reach
            wrong, gone = wrong[going], gone[going]
            if not len(wrong):
                break
            met, far = self._met(start[wrong] + gone[:, None] * directions[wrong], directions[wrong], reach)
            again = np.zeros(len(wrong), dtype=bool)
            again[self._wrong_way(met, directions[wrong], away)] = True
            right = (met >= 0) & ~again & (gone + far <= reach)
            face[wrong[right]], distance[wrong[right]] = met[right], gone[right] + far[right]
            wrong, gone = wrong[again], gone[again] + far[again] + self.gap
        return face, distance

    def _wrong_way(self, face: IntArray, directions: FloatArray, away: bool) -> IntArray:
        along = np.einsum("ij,ij->i", self.normal[face], directions)
        return np.flatnonzero((face >= 0) & ((along <= 0) if away else (along >= 0)))

    def _met(self, start: FloatArray, directions: FloatArray, reach: float) -> tuple[IntArray, FloatArray]:
        if self._tree is None or not len(start):
            return np.full(len(start), -1, dtype=np.int64), np.full(len(start), np.inf)
        face, guess = self._tree.first(start, directions, reach)
        normal = self.normal[face]
        slope = np.einsum("ij,ij->i", normal, directions)
        with np.errstate(invalid="ignore", divide="ignore"):
            exact = (self._offset[face] - np.einsum("ij,ij->i", normal, start)) / slope
            # along a face that is met edge-on the plane says nothing; there the guess stands
            trust = (np.abs(slope) > 1e-4) & (np.abs(exact - guess) <= 1e-3 + 1e-4 * guess)
        distance = np.where(trust, np.maximum(exact, 0.0), guess)
        distance[face < 0] = np.inf
        return face, distance


def _own(vertices: FloatArray, faces: IntArray, tree: loops.Tree | None) -> loops.Tree | None:
    if os.environ.get("BUCKWRIGHT_RAYS") == "plain" or not loops.there():
        return None
    return tree or tree_over(vertices, faces)


def _tree(vertices: FloatArray, faces: IntArray) -> _Tree:
    if os.environ.get("BUCKWRIGHT_RAYS") != "plain":
        try:
            return _Quick(vertices, faces)
        except ImportError:
            pass
    return _Plain(vertices, faces)


class _Quick:
    """embreex; corners and rays in 32-bit numbers counted from the middle of the part."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        from embreex.mesh_construction import TriangleMesh
        from embreex.rtcore_scene import EmbreeScene

        self._scene: Any = EmbreeScene()
        TriangleMesh(self._scene, vertices.astype(np.float32), faces.astype(np.int32))

    def first(self, origins: FloatArray, directions: FloatArray, reach: float) -> tuple[IntArray, FloatArray]:
        """See _Tree."""
        limits = {} if not np.isfinite(reach) else {"dists": np.full(len(origins), reach, dtype=np.float32)}
        said = self._scene.run(origins.astype(np.float32), directions.astype(np.float32), output=True, **limits)
        face = np.where(said["geomID"] >= 0, said["primID"], -1).astype(np.int64)
        return face, np.where(face >= 0, said["tfar"].astype(np.float64), np.inf)


class _Plain:
    """libigl's tree of boxes, in double precision. libigl's name for the far limit of a ray is min_t."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        import igl

        self._vertices, self._faces = np.ascontiguousarray(vertices), np.ascontiguousarray(faces)
        self._boxes: Any = igl.AABB()
        self._boxes.init(self._vertices, self._faces)

    def first(self, origins: FloatArray, directions: FloatArray, reach: float) -> tuple[IntArray, FloatArray]:
        """See _Tree."""
        start, along = np.ascontiguousarray(origins), np.ascontiguousarray(directions)
        face, far, _ = self._boxes.intersect_ray_first(self._vertices, self._faces, start, along, reach)
        face = np.asarray(face, dtype=np.int64).reshape(-1)
        hit: BoolArray = face >= 0
        return face, np.where(hit, np.asarray(far, dtype=np.float64).reshape(-1), np.inf)


@measure
def rays(skin: Skin, facets: Faces, tree: loops.Tree | None) -> Rays:
    """The part's skin made ready for rays, built once and shared."""
    return Rays(skin.vertices, skin.faces, facets.normal, tree)


def first_hits(vertices: FloatArray, faces: IntArray, origins: FloatArray, directions: FloatArray) -> tuple[IntArray, FloatArray]:
    """For a mesh that is no part: face met first by each ray, (k,), -1 for none, and the distance in mm, infinite for none."""
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    normal = cross / np.where(length > 0, length, 1.0)[:, None]
    return Rays(vertices, faces, normal).first(origins, directions)
