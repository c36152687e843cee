"""The pieces of a cavity: told apart, the useless ones dropped, and made of fewer faces."""

from __future__ import annotations

import numpy as np

from lint.measure.joining import components
from lint.shape.creases import ironed
from lint.shape.sturdy import stacked
from lint.terms import FloatArray, IntArray

Mesh = tuple[FloatArray, IntArray]

# A cavity smaller than this is not worth two holes, mm3 (common practice, no source).
LEAST_CAVITY = 2000.0
# Faces are made fewer within these parts of what they may stray, until none is left folded.
TRIED = (1.0, 1.25, 1.6, 3.0, 9.0)

def pieces_of(points: FloatArray, triangles: IntArray, least: float) -> list[Mesh]:
    """The separate shells of a cavity's skin (facing into the cavity) that hold at least `least` mm3, the largest first."""
    if not len(triangles):
        return []
    ends = np.vstack((triangles[:, :2], triangles[:, 1:]))
    label, count = components(len(points), ends[:, 0], ends[:, 1])
    piece = label[triangles[:, 0]]
    middle = points.mean(axis=0)
    a, b, c = (points[triangles[:, k]] - middle for k in range(3))
    volume = -np.bincount(piece, weights=np.einsum("ij,ij->i", a, np.cross(b, c)), minlength=count) / 6
    found: list[Mesh] = []
    for which in np.argsort(-volume):
        if volume[which] < least:
            break
        mine = triangles[piece == which]
        used, index = np.unique(mine, return_inverse=True)
        found.append((points[used], index.reshape(-1, 3).astype(np.int64)))
    return found


def simpler(pieces: list[Mesh], stray: float) -> Mesh:
    """All pieces in one mesh, with faces joined where the skin strays no farther than `stray` mm (manifold3d).

    A piece on which that lays faces back on their neighbours for good is tried with less and less, and left as it is in the end.
    """
    return stacked([next((m for m in (_joined(piece, stray / k) for k in TRIED) if m is not None), piece) for piece in pieces])


def _joined(piece: Mesh, stray: float) -> Mesh | None:
    import manifold3d

    points, triangles = piece
    solid = manifold3d.Manifold(manifold3d.Mesh64(points, np.ascontiguousarray(triangles[:, ::-1], dtype=np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        return None
    mesh = solid.simplify(stray).to_mesh64()
    points = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
    triangles = np.asarray(mesh.tri_verts, dtype=np.int64)[:, ::-1]
    return ironed(points, triangles)
