"""Solids of exactly known shape, as (vertices, faces), counter-clockwise seen from outside. Lengths in mm."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]


def box(size: Sequence[float], low: Sequence[float] = (0.0, 0.0, 0.0), step: float | None = None) -> Mesh:
    """A box with its low corner at `low`; each side cut into squares of about `step` (None: two faces a side)."""
    count = [1 if step is None else max(round(s / step), 1) for s in size]
    points: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int64]] = []
    offset = 0
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        grid_u, grid_v = np.meshgrid(np.linspace(0, 1, count[u] + 1), np.linspace(0, 1, count[v] + 1), indexing="ij")
        for side in (0, 1):
            sheet = np.zeros((grid_u.size, 3))
            sheet[:, u], sheet[:, v], sheet[:, axis] = grid_u.ravel(), grid_v.ravel(), side
            cells = _cells(count[u], count[v])
            points.append(sheet)
            faces.append((cells if side else cells[:, ::-1]) + offset)
            offset += len(sheet)
    vertices, faced = merge(np.vstack(points), np.vstack(faces))
    return vertices * np.asarray(size, dtype=np.float64) + np.asarray(low, dtype=np.float64), faced


def _cells(rows: int, columns: int) -> NDArray[np.int64]:
    """Two triangles a cell of a grid of (rows + 1) x (columns + 1) points, row-major."""
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    a = (i * (columns + 1) + j).ravel()
    b, c, d = a + columns + 1, a + columns + 2, a + 1
    return np.vstack((np.stack((a, b, c), axis=1), np.stack((a, c, d), axis=1))).astype(np.int64)


def ball(radius: float, centre: Sequence[float] = (0.0, 0.0, 0.0), level: int = 4) -> Mesh:
    """A ball from an icosahedron halved `level` times: 20 * 4**level faces, every point on the true sphere."""
    golden = (1 + 5**0.5) / 2
    signs = np.array([(a, b) for a in (-1, 1) for b in (-golden, golden)])
    zero = np.zeros((4, 1))
    vertices = np.vstack((np.hstack((zero, signs)), np.hstack((signs, zero)), np.hstack((signs[:, 1:], zero, signs[:, :1]))))
    vertices /= np.linalg.norm(vertices, axis=1)[:, None]
    i, j, k = np.meshgrid(*[np.arange(12)] * 3, indexing="ij")
    triple = np.stack((i.ravel(), j.ravel(), k.ravel()), axis=1)
    triple = triple[(triple[:, 0] < triple[:, 1]) & (triple[:, 1] < triple[:, 2])]
    side = np.linalg.norm(vertices[triple] - vertices[np.roll(triple, 1, axis=1)], axis=2).max(axis=1)
    faces = triple[side < 1.1]
    a, b, c = (vertices[faces[:, n]] for n in range(3))
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), a) < 0
    faces[inward] = faces[inward][:, ::-1]
    faces = faces.astype(np.int64)
    for _ in range(level):
        vertices, faces = halve(vertices, faces)
        vertices = vertices / np.linalg.norm(vertices, axis=1)[:, None]
    return vertices * radius + np.asarray(centre, dtype=np.float64), faces


def halve(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    """Cut each face into four through the middles of its sides; the shape does not change."""
    a, b, c = faces.T
    ends = np.sort(np.vstack((np.stack((a, b), 1), np.stack((b, c), 1), np.stack((c, a), 1))), axis=1)
    key, index = np.unique(ends[:, 0] * len(vertices) + ends[:, 1], return_inverse=True)
    middle = (vertices[key // len(vertices)] + vertices[key % len(vertices)]) / 2
    ab, bc, ca = (index.reshape(3, -1) + len(vertices)).astype(np.int64)
    new = np.vstack([np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])
    return np.vstack((vertices, middle)), new


def tube(outer: float, inner: float, height: float, sides: int = 128, rings: int = 1) -> Mesh:
    """A pipe standing on z = 0, its axis on z; inner = 0 gives a solid cylinder. Corners lie on the true circles."""
    profile: list[tuple[float, float]] = [(outer, height * k / rings) for k in range(rings + 1)]
    profile += [(inner, height * k / rings) for k in range(rings, -1, -1)] if inner > 0 else [(0.0, height), (0.0, 0.0)]
    return turned(profile, sides)


def turned(profile: Sequence[tuple[float, float]], sides: int = 128) -> Mesh:
    """A solid turned about z from a closed profile of (radius, height), counter-clockwise seen with the axis on the left."""
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    count = len(profile)
    rings = [np.hstack((ring * r, np.full((sides, 1), z))) for r, z in profile]
    vertices = np.vstack(rings)
    faces: list[NDArray[np.int64]] = []
    here = np.arange(sides)
    there = (here + 1) % sides
    for k in range(count):
        low, high = k * sides, ((k + 1) % count) * sides
        if profile[k][0] > 0:
            faces.append(np.stack((low + here, low + there, high + there), axis=1))
        if profile[(k + 1) % count][0] > 0:
            faces.append(np.stack((low + here, high + there, high + here), axis=1))
    merged, faced = merge(vertices, np.vstack(faces).astype(np.int64))
    keep = (faced[:, 0] != faced[:, 1]) & (faced[:, 1] != faced[:, 2]) & (faced[:, 2] != faced[:, 0])
    return merged, faced[keep]


def torus(major: float, minor: float, sides: int = 128, rings: int = 64) -> Mesh:
    """A ring lying flat about z, its tube centred at z = 0."""
    angle = 2 * np.pi * np.arange(rings) / rings
    return turned([(major + minor * float(np.cos(a)), minor * float(np.sin(a))) for a in angle], sides)


def merge(vertices: NDArray[np.float64], faces: NDArray[np.int64]) -> Mesh:
    """Points that agree to a millionth of a unit become one. For building solids only; the engine has its own weld."""
    _, first, index = np.unique(np.round(vertices, 6) + 0.0, axis=0, return_index=True, return_inverse=True)
    return vertices[first], index.reshape(-1)[faces].astype(np.int64)


def joined(*meshes: Mesh) -> Mesh:
    """Several meshes side by side in one, nothing united."""
    offset = np.cumsum([0, *(len(v) for v, _ in meshes[:-1])])
    return np.vstack([v for v, _ in meshes]), np.vstack([f + o for (_, f), o in zip(meshes, offset, strict=True)])


def flipped(mesh: Mesh) -> Mesh:
    """The same mesh inside out: put into a larger one, it makes a cavity."""
    return mesh[0], mesh[1][:, ::-1].copy()


def cut(one: Mesh, other: Mesh) -> Mesh:
    """What remains of one solid when another is taken away (manifold3d)."""
    return _back(_solid(one) - _solid(other))


def fused(one: Mesh, other: Mesh) -> Mesh:
    """Two solids made one (manifold3d)."""
    return _back(_solid(one) + _solid(other))


def _solid(mesh: Mesh):  # type: ignore[no-untyped-def]
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(mesh[0]), np.ascontiguousarray(mesh[1], dtype=np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        raise ValueError(f"not a sound solid: {solid.status()}")
    return solid


def _back(solid) -> Mesh:  # type: ignore[no-untyped-def]
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3].copy(), np.asarray(mesh.tri_verts, dtype=np.int64).copy()
