"""`python -m tests.sweep.walls BUCK.3mf ...`: the wall of hollowed bucks, measured from the cavity by code that did not make it.

Three measures from points all over the cavity's skin, by trimesh: a ray straight into the material to the skin behind it; the largest
ball in the material that touches the point and the outer skin (its diameter); and the nearest outer skin. Round a drain hole, where
the cavity ends, nothing is asked.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.judges import _in_zone
from tests.sweep import Mesh
from tests.sweep.judges import loaded

POINTS = 4000
ROUND_HOLES = 2.0  # so many times its own size round a drain hole is left out


@dataclass(frozen=True)
class Walls:
    """The least of each measure, mm, and how many points were asked. Infinite where there is no cavity."""

    rays: float
    balls: float
    nearest: float
    points: int


def cavity_faces(mesh: Mesh, drains: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    """(m,) faces of the cavities, and (m,) those of the outside with its flat base.

    Once the skin round the drain holes is taken out they hang together with the outside no more.

    What holds the lowest, highest or outermost points is the outside; a piece without volume to speak of is neither.
    """
    import trimesh

    part = trimesh.Trimesh(*mesh, process=False)
    part.merge_vertices()
    middle = part.triangles_center
    corners = part.triangles.reshape(-1, 3)
    cut = np.zeros(len(middle), dtype=bool)
    for zone in drains:
        cut |= _in_zone(middle, zone) | _in_zone(corners, zone).reshape(-1, 3).any(axis=1)
    pairs = part.face_adjacency[~cut[part.face_adjacency].any(axis=1)]
    label = trimesh.graph.connected_component_labels(pairs, node_count=len(middle))
    outside = np.unique(label[[int(f(middle[:, k])) for k in range(3) for f in (np.argmin, np.argmax)]])
    inside = ~np.isin(label, outside) & ~cut
    large = np.bincount(label, weights=part.area_faces) > 0.001 * part.area
    base = (part.triangles[:, :, 2] < mesh[0][:, 2].min() + 1e-3).all(axis=1)
    return inside & large[label], (np.isin(label, outside) & ~cut) | base


def least_walls(mesh: Mesh, drains: list[dict[str, Any]]) -> Walls:
    """The least wall behind the cavity of a drained or sealed hollow part. drains: the zones of its drain holes, as recorded.

    The ball at a point of the cavity lies in the material, touches the point, and reaches the outer skin and no farther: of all points q
    of that skin, the least of |q - p|^2 / (d . (q - p)), d being the way into the material.
    """
    import trimesh
    from scipy.spatial import cKDTree

    inner_faces, outer_faces = cavity_faces(mesh, drains)
    if not inner_faces.any():
        return Walls(np.inf, np.inf, np.inf, 0)
    inner = trimesh.Trimesh(mesh[0], mesh[1][inner_faces], process=False)
    outer = trimesh.Trimesh(mesh[0], mesh[1][outer_faces], process=False)
    points, which = trimesh.sample.sample_surface(inner, POINTS, seed=2)
    points, normals = np.array(points), np.array(inner.triangles_cross[which])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    keep = np.ones(len(points), dtype=bool)
    for zone in drains:
        keep &= ~_in_zone(points, {**zone, "size": ROUND_HOLES * float(zone["size"])})
    points, normals = points[keep], normals[keep]
    where, ray, _ = outer.ray.intersects_location(points, -normals, multiple_hits=False)
    rays = np.linalg.norm(where - points[ray], axis=1)
    _, nearest, _ = trimesh.proximity.closest_point(outer, points)
    skin = np.vstack((trimesh.sample.sample_surface(outer, 20 * POINTS, seed=4)[0], outer.vertices[np.unique(outer.faces)]))
    near = cKDTree(skin).query(points, k=32)[1]
    way = skin[near] - points[:, None]
    ahead = np.einsum("nkj,nj->nk", way, -normals)
    balls = np.where(ahead > 1e-9, (way**2).sum(axis=2) / np.maximum(ahead, 1e-9), np.inf)
    return Walls(float(rays.min()), float(balls.min()), float(nearest.min()), len(points))


def main() -> None:
    """Print the least wall of each part by each measure beside what was asked."""
    for name in sys.argv[1:]:
        record = json.loads(Path(name + ".record.json").read_text(encoding="utf-8"))
        drains = [z for s in record["steps"] if s["name"] == "drain" and s["outcome"] == "done" for z in s["zones"]]
        walls = least_walls(loaded(Path(name)), drains)
        asked = record["settings"]["wall"]["value"]
        measured = f"rays {walls.rays:.3f}, balls {walls.balls:.3f}, nearest {walls.nearest:.3f} mm ({walls.points} points)"
        print(f"{name}: asked {asked:.2f}, {measured}", flush=True)


if __name__ == "__main__":
    main()
