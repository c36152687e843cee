"""What other libraries say of a finished part: manifold3d, trimesh, lib3mf, libigl; and how far the skin moved, by rays and distances
that share no code with the engine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from tests.judges import _in_zone, sound_solid
from tests.sweep import Mesh

SOUND = {"lib3mf": True, "manifold3d": True, "bodies": 1, "watertight": True, "winding": True, "volume": True}
POINTS = 12_000
LOOKS = 48


def loaded(path: Path) -> Mesh:
    """A file's own numbers, read by trimesh; glTF scene moves are applied by it."""
    import trimesh

    mesh = trimesh.load(path, process=False, force="mesh")
    return np.array(mesh.vertices, dtype=float), np.array(mesh.faces, dtype=np.int64)


def faults(path: Path, finished: Mesh, pieces: int = 1) -> list[str]:
    """Every judge that finds fault with a finished part, in words. pieces: as many solids as there may be."""
    judged = sound_solid(path)
    said = [f"{who}: {judged[who]}" for who in SOUND if judged[who] != SOUND[who] and who != "bodies"]
    if not 1 <= judged["bodies"] <= pieces:
        said.append(f"{judged['bodies']} solids")
    pairs = crossing_pairs(finished)
    if len(pairs):
        centre = finished[0][finished[1][pairs[0, 0]]].mean(axis=0)
        said.append(f"libigl: {len(pairs)} pairs of faces cross, one near {np.round(centre, 2).tolist()}")
    if (flat := flat_below(finished)) <= 0:
        said.append(f"not flat at the bottom: {flat:.3g} mm2")
    return said


def pieces_of(truth: Mesh, share: float = 0.03) -> int:
    """How many pieces the true skin hangs together in, not counting those of less than 3 % of its area."""
    import trimesh

    part = trimesh.Trimesh(*truth, process=False)
    part.merge_vertices()
    labels = trimesh.graph.connected_component_labels(part.face_adjacency, node_count=len(part.faces))
    area = np.bincount(labels, weights=part.area_faces)
    return max(1, int((area > share * area.sum()).sum()))


def flat_below(mesh: Mesh) -> float:
    """The area of faces that lie at the lowest height and face down, mm2."""
    corners = mesh[0][mesh[1]]
    lowest = mesh[0][:, 2].min()
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    lying = (corners[:, :, 2] <= lowest + 1e-3).all(axis=1) & (normal[:, 2] < 0)
    return float(-normal[lying, 2].sum() / 2)


def crossing_pairs(mesh: Mesh) -> np.ndarray:
    """Pairs of faces that pass through each other by libigl's triangle test (Guigue, Devillers 2003), (k, 2).

    Boxes are paired by rtree. Faces that share an edge cannot cross unless folded flat; of faces that share one point, the shared
    corner of one is first drawn a thousandth towards its middle, so that only another meeting counts.
    """
    import igl

    points, faces = mesh
    _, same = np.unique(points, axis=0, return_inverse=True)
    faces = same.reshape(-1)[faces]
    points = points[np.unique(same, return_index=True)[1]]
    pairs = _near_pairs(points[faces])
    shared = (faces[pairs[:, 0]][:, :, None] == faces[pairs[:, 1]][:, None, :]).any(axis=2)
    pairs, shared = pairs[shared.sum(axis=1) < 2], shared[shared.sum(axis=1) < 2]
    one, other = points[faces[pairs[:, 0]]], points[faces[pairs[:, 1]]]
    middle = one.mean(axis=1, keepdims=True)
    one = np.where(shared[:, :, None], one + 1e-3 * (middle - one), one)
    maybe = np.flatnonzero(~_one_side(one, other) & ~_one_side(other, one))
    hits = []
    for k in maybe:
        hit, flat, start, end = igl.tri_tri_intersection_test_3d(*[c[None] for c in (*one[k], *other[k])])
        if hit and _meets(one[k], other[k], bool(flat), start, end):
            hits.append(k)
    return pairs[np.array(hits, dtype=np.int64)]


GRAZE_MM = 1e-6


def _meets(one: np.ndarray, other: np.ndarray, flat: bool, start: np.ndarray, end: np.ndarray) -> bool:
    """Whether a meeting that libigl reports lies on both triangles, and is more than a touch in one point.

    Where the two planes' line leaves a triangle through a corner, its answer can be a segment that lies on one of them only.
    """
    from trimesh.triangles import closest_point

    if flat:  # no segment is given: any of some points of one on the other
        i, j = (x.ravel() for x in np.meshgrid(np.arange(1, 8), np.arange(1, 8)))
        weights = np.column_stack((i, j, 9 - i - j))[i + j < 9] / 9
        return any(
            bool((np.linalg.norm(closest_point(np.repeat(b[None], len(weights), 0), weights @ a) - weights @ a, axis=1) < GRAZE_MM).any())
            for a, b in ((one, other), (other, one))
        )
    ends = np.vstack((start.reshape(1, 3), end.reshape(1, 3)))
    if not np.isfinite(ends).all() or np.abs(ends).max() > 1e6:
        return _pierced(one, other) or _pierced(other, one)
    if np.linalg.norm(ends[1] - ends[0]) < GRAZE_MM:
        return False
    middle = ends.mean(axis=0, keepdims=True)
    return all(float(np.linalg.norm(closest_point(t[None], middle) - middle)) < GRAZE_MM for t in (one, other))


def _near_pairs(corners: np.ndarray) -> np.ndarray:
    from rtree.index import Index, Property

    low, high = corners.min(axis=1), corners.max(axis=1)
    tree = Index((np.arange(len(low)), low, high), properties=Property(dimension=3))
    found, counts = tree.intersection_v(low, high)
    pairs = np.column_stack((np.repeat(np.arange(len(low)), counts.astype(np.int64)), found.astype(np.int64)))
    return pairs[pairs[:, 0] < pairs[:, 1]]


def _one_side(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Whether each of the triangles `other` lies wholly on one side of the plane of its partner, and off it by more than rounding."""
    normal = np.cross(one[:, 1] - one[:, 0], one[:, 2] - one[:, 0])
    size = np.abs(one).max(axis=(1, 2)) + 1.0
    height = np.einsum("nij,nj->ni", other - one[:, :1], normal)
    slack = 1e-12 * size * np.linalg.norm(normal, axis=1)
    return (height > slack[:, None]).all(axis=1) | (height < -slack[:, None]).all(axis=1)


def _pierced(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether a side of one triangle passes through the inside of the other."""
    u, v = other[1] - other[0], other[2] - other[0]
    for a, b in zip(one, np.roll(one, -1, axis=0), strict=True):
        matrix = np.column_stack((u, v, a - b))
        if abs(np.linalg.det(matrix)) > 1e-30:
            s, t, along = np.linalg.solve(matrix, a - other[0])
            if min(s, t, 1 - s - t, along, 1 - along) > 1e-9:
                return True
    return False


def skin_moved(source: Mesh, truth: Mesh, finished: Mesh, record: dict[str, Any], seed: int = 0) -> tuple[np.ndarray, float]:
    """Distances in mm from the seen skin of the input to the finished part outside the recorded zones, and the share outside them.

    truth: the faces to ask, which may be fewer than those of `source`, the whole file. Points: spread evenly by area, by trimesh.
    Skin is seen when some ray from just off it gets away past the whole input, on either side of the face; a face that lies in
    another solid of the same file is not seen.
    """
    import igl
    import trimesh

    placement = np.array(record["placement"])
    place = lambda p: p @ placement[:3, :3].T + placement[:3, 3]  # noqa: E731
    rng = np.random.default_rng(seed)
    part = trimesh.Trimesh(place(truth[0]), truth[1], process=False)
    points, which = trimesh.sample.sample_surface(part, POINTS, seed=seed)
    points, normals = np.array(points), _normals(part)[which]
    seen = np.flatnonzero(_seen((place(source[0]), source[1]), points, normals, rng))
    points = points[seen]
    outside = np.ones(len(points), dtype=bool)
    for step in record["steps"]:
        if step["outcome"] != "done":
            continue
        for zone in step["zones"]:
            rest = np.flatnonzero(outside)
            outside[rest[_in_zone(points[rest], zone)]] = False
    asked = points[outside]
    if not len(asked):
        return np.zeros(0), 0.0
    squared, *_ = igl.point_mesh_squared_distance(asked, np.ascontiguousarray(finished[0]), np.ascontiguousarray(finished[1]))
    return np.sqrt(np.maximum(np.asarray(squared), 0)).reshape(-1), float(outside.mean())


def _normals(part: Any) -> np.ndarray:
    cross = part.triangles_cross
    unit: np.ndarray = cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-300)
    return unit


def _seen(mesh: Mesh, points: np.ndarray, normals: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Which points (k, 3) have a free way out from just off the skin, by trimesh's rays in random directions of the sphere."""
    import trimesh

    part = trimesh.Trimesh(*mesh, process=False)
    off = 1e-4 * float(np.linalg.norm(np.ptp(mesh[0], axis=0)))
    seen = np.zeros(len(points), dtype=bool)
    for k in range(LOOKS):
        rest = np.flatnonzero(~seen)
        if not len(rest):
            break
        way = rng.normal(size=(len(rest), 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        if k == 0:
            way = normals[rest].copy()
        side = np.where((way * normals[rest]).sum(axis=1, keepdims=True) < 0, -1.0, 1.0)
        seen[rest] = ~part.ray.intersects_any(points[rest] + side * off * normals[rest], way)
    return seen
