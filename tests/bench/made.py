"""Meshes of a wanted number of faces, the same for the same seed: real scans and made shapes, cut finer, with a seeded bump."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from corpus import solids
from lint.load import read
from lint.load.stl import RECORD
from lint.measure.surface import skin_of

SEED = 20
TALL = 240.0  # mm, about as tall as a head
FOOT = 0.04  # of the height is cut away so that a scan stands flat
BUMPS = 12  # waves in the bump
BUMP = 2e-4  # height of a wave as a share of its length: too flat for the skin to fold over itself


def real(path: Path, faces: int, seed: int = SEED) -> solids.Mesh:
    """A closed scan as tall as a head, cut flat at its foot and set on the bed, cut to about `faces` faces and bumped."""
    import manifold3d

    part = read(path)
    skin = skin_of(part.vertices, part.faces)
    f = skin.faces
    kept = f[(f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])]
    points, kept = _set(skin.vertices, kept)
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=kept.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise ValueError(f"{path.name} is no closed solid: {solid.status()}")
    cut = solid.trim_by_plane((0.0, 0.0, 1.0), FOOT * TALL).to_mesh64()
    points, kept = np.array(cut.vert_properties)[:, :3], np.array(cut.tri_verts).astype(np.int64)
    if len(kept) > faces:
        raise ValueError(f"{path.name} has more than {faces} faces already")
    return _bumped(_finer(_set(points, kept), faces), seed)


def shape(faces: int, seed: int = SEED) -> solids.Mesh:
    """A ball with a flat foot, `faces` faces or a few more, bumped all over but on the foot."""
    points, f = solids.ball(TALL / 2, level=3)
    points = points.copy()
    points[:, 2] = np.maximum(points[:, 2], -0.35 * TALL)
    return _bumped(_finer(_set(points, f), faces), seed)


def write_stl(path: Path, mesh: solids.Mesh) -> None:
    """A binary STL, straight from the arrays."""
    record = np.zeros(len(mesh[1]), dtype=RECORD)
    record["corners"] = mesh[0][mesh[1]]
    with path.open("wb") as file:
        file.write(b"bench".ljust(80, b"\0") + len(record).to_bytes(4, "little"))
        record.tofile(file)


def ticket(mesh: solids.Mesh) -> str:
    """A ticket with every fact that a rule may ask for, so that as many rules as can be are run."""
    a, b = mesh[0][np.argmin(mesh[0][:, 2])], mesh[0][np.argmax(mesh[0][:, 2])]
    ends = f"from = {a.tolist()}\nto = {b.tolist()}\n"
    true = float(np.linalg.norm(b - a))
    return (
        '[part]\nbody = "head"\nunits = "mm"\n'
        f"[[length]]\n{ends}true = {true}\n[[caliper]]\n{ends}read = {true}\n"
        '[print]\nprocess = "extrusion"\nnozzle = 0.4\nlayer = 0.2\nbed = [250, 250, 300]\n'
        '[use]\nmould = "rigid"\npull = [0, 0, 1]\nwall = 3.0\nmargin = 25.0\nclay = 8.0\n'
    )


def _set(points: np.ndarray, faces: np.ndarray) -> solids.Mesh:
    low, high = points.min(axis=0), points.max(axis=0)
    return (points - [*((low + high) / 2)[:2], low[2]]) * (TALL / (high - low).max()), faces


def _finer(mesh: solids.Mesh, faces: int) -> solids.Mesh:
    """Faces cut into four as often as fits, then the longest sides halved until there are enough. The shape does not change."""
    points, f = mesh
    while 4 * len(f) <= faces:
        points, f = solids.halve(points, f)
    while len(f) < faces:
        points, f = _longest_halved(points, f, (faces - len(f) + 1) // 2)
    return points, f


def _longest_halved(points: np.ndarray, faces: np.ndarray, most: int) -> solids.Mesh:
    """At most `most` sides halved, each the longest of both faces it parts: so no face is cut twice."""
    count = len(points)
    length = np.stack([((points[faces[:, (i + 1) % 3]] - points[faces[:, i]]) ** 2).sum(axis=1) for i in range(3)], axis=1)
    corner = length.argmax(axis=1)
    row = np.arange(len(faces))
    a, b, c = (faces[row, (corner + i) % 3] for i in range(3))
    key = np.minimum(a, b) * count + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    twin = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    one, two = order[twin], order[twin + 1]
    pick = np.argsort(-length.max(axis=1)[one], kind="stable")[:most]
    if not len(pick):
        raise ValueError("no side is the longest of both its faces")
    one, two = one[pick], two[pick]
    new = count + np.arange(len(one))
    more = []
    kept = faces.copy()
    for face in (one, two):
        more.append(np.stack((new, b[face], c[face]), axis=1))
        kept[face] = np.stack((a[face], new, c[face]), axis=1)
    return np.vstack((points, (points[a[one]] + points[b[one]]) / 2)), np.vstack((kept, *more))


def _bumped(mesh: solids.Mesh, seed: int) -> solids.Mesh:
    """Every point moved along its normal by a sum of seeded waves and a little noise, none of it on the foot, so that it stays flat."""
    points, faces = mesh
    rng = np.random.default_rng(seed)
    a, b, c = (points[faces[:, i]] for i in range(3))
    across = np.cross(b - a, c - a)
    flat = faces.reshape(-1)
    normal = np.stack([np.bincount(flat, weights=np.repeat(across[:, k], 3), minlength=len(points)) for k in range(3)], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    height = np.zeros(len(points))
    for _ in range(BUMPS):
        long = TALL * rng.uniform(0.02, 0.1)
        way = rng.normal(size=3)
        height += BUMP * long * np.sin(points @ (2 * np.pi / long * way / np.linalg.norm(way)) + rng.uniform(0, 2 * np.pi))
    side = np.sqrt(np.abs(np.linalg.norm(across, axis=1)).mean())
    height += 0.01 * side * rng.normal(size=len(points))
    height[points[:, 2] <= points[:, 2].min() + 1e-6] = 0.0
    return points + height[:, None] * normal, faces
