"""Outside judges of a finished part: other libraries, and a measure of skin movement that shares no code with the engine."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np


def sound_solid(path: Path) -> dict[str, Any]:
    """What manifold3d, trimesh and lib3mf say of a 3MF file. Every value of a sound solid is true or one."""
    import lib3mf
    import manifold3d
    import trimesh

    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(path))
    meshes = model.GetMeshObjects()
    oriented: list[bool] = []
    while meshes.MoveNext():
        oriented.append(bool(meshes.GetCurrentMeshObject().IsManifoldAndOriented()))
    mesh = trimesh.load(path, process=False, force="mesh")
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.uint64))
    )
    sound = solid.status() == manifold3d.Error.NoError
    return {
        "lib3mf": oriented == [True],
        "manifold3d": sound,
        "bodies": solids_in(solid) if sound else 0,
        "watertight": bool(mesh.is_watertight),
        "winding": bool(mesh.is_winding_consistent),
        "volume": float(mesh.volume) > 0,
    }


def solids_in(solid: Any) -> int:
    """How many separate solids there are; a cavity is not one (its volume is negative)."""
    return sum(1 for piece in solid.decompose() if piece.volume() > 0)


def skin_movement(source: tuple[np.ndarray, np.ndarray], finished: tuple[np.ndarray, np.ndarray], record: dict[str, Any]) -> np.ndarray:
    """Distances in mm from the scanned skin, placed as the record says, to the finished part, outside the recorded zones.

    Samples face centres, corners and side middles of the scan, so no sampling code of the engine is used.
    """
    import igl

    placement = np.array(record["placement"])
    vertices = source[0] @ placement[:3, :3].T + placement[:3, 3]
    corners = vertices[source[1]]
    points = np.vstack((corners.mean(axis=1), corners.reshape(-1, 3), (corners + np.roll(corners, 1, axis=1)).reshape(-1, 3) / 2))
    for step in record["steps"]:
        for zone in step["zones"]:
            points = points[~_in_zone(points, zone)]
    squared, *_ = igl.point_mesh_squared_distance(points, np.ascontiguousarray(finished[0]), np.ascontiguousarray(finished[1]))
    distance: np.ndarray = np.sqrt(np.maximum(np.asarray(squared), 0)).reshape(-1)
    return distance


def _in_zone(points: np.ndarray, zone: dict[str, Any]) -> np.ndarray:
    spots = np.asarray(zone["points"], dtype=float).reshape(-1, 3)
    size = float(zone["size"])
    if zone["kind"] == "all":
        return np.ones(len(points), dtype=bool)
    if zone["kind"] == "under":
        return (points - spots[0]) @ spots[1] <= size + 1e-9
    if zone["kind"] == "box":
        return ((points >= spots[0] - size - 1e-9) & (points <= spots[1] + size + 1e-9)).all(axis=1)
    assert zone["kind"] == "near", zone
    near = np.zeros(len(points), dtype=bool)
    if zone["chain"]:
        for a, b in pairwise(spots):
            along = np.clip((points - a) @ (b - a) / max(float((b - a) @ (b - a)), 1e-30), 0, 1)
            near |= np.linalg.norm(points - a - along[:, None] * (b - a), axis=1) <= size + 1e-9
        return near
    from scipy.spatial import cKDTree

    return cKDTree(spots).query(points)[0] <= size + 1e-9


def record_of(out: Path) -> dict[str, Any]:
    """The record that `fix` wrote beside its output."""
    loaded: dict[str, Any] = json.loads(out.with_name(out.name + ".record.json").read_text(encoding="utf-8"))
    return loaded
