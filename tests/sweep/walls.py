"""`python -m tests.sweep.walls BUCK.3mf ...`: the wall of hollowed bucks, measured from the cavity by code that did not make it.

Three measures from points all over the cavity's skin, by trimesh and rtree: a ray straight into the material to the skin behind it; the
largest ball inside the material that touches the point (its diameter); and the nearest outer skin. Round a drain hole, where the cavity
ends, nothing is asked.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.judges import _in_zone
from tests.sweep import Mesh
from tests.sweep.judges import LOOKS, loaded

POINTS = 4000
ROUND_HOLES = 2.0  # so many times its own size round a drain hole is left out


@dataclass(frozen=True)
class Walls:
    """The least of each measure, mm, and how many points were asked. Infinite where there is no cavity."""

    rays: float
    balls: float
    nearest: float
    points: int


def cavity_faces(mesh: Mesh, seed: int = 1) -> np.ndarray:
    """(m,) faces from which no ray, from just off their front, gets out: three points a face, many directions."""
    import trimesh

    part = trimesh.Trimesh(*mesh, process=False)
    rng = np.random.default_rng(seed)
    corners = part.triangles
    middle = corners.mean(axis=1)
    cross = part.triangles_cross
    normal = cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-300)
    off = 1e-4 * float(np.linalg.norm(np.ptp(mesh[0], axis=0)))
    hidden = np.ones(len(middle), dtype=bool)
    for _ in range(LOOKS):
        rest = np.flatnonzero(hidden)
        way = rng.normal(size=(len(rest), 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        way *= np.where((way * normal[rest]).sum(axis=1, keepdims=True) < 0, -1.0, 1.0)
        hidden[rest] = part.ray.intersects_any(middle[rest] + off * normal[rest], way)
    return hidden


def least_walls(mesh: Mesh, drains: list[dict[str, object]]) -> Walls:
    """The least wall behind the cavity of a drained or sealed hollow part. drains: the zones of its drain holes, as recorded."""
    import trimesh

    hidden = cavity_faces(mesh)
    part = trimesh.Trimesh(*mesh, process=False)
    inner = trimesh.Trimesh(mesh[0], mesh[1][hidden], process=False)
    outer = trimesh.Trimesh(mesh[0], mesh[1][~hidden], process=False)
    if not len(inner.faces):
        return Walls(np.inf, np.inf, np.inf, 0)
    points, which = trimesh.sample.sample_surface(inner, POINTS, seed=2)
    points, normals = np.array(points), np.array(inner.face_normals[which])
    keep = np.ones(len(points), dtype=bool)
    for zone in drains:
        keep &= ~_in_zone(points, {**zone, "size": ROUND_HOLES * float(str(zone["size"]))})
    points, normals = points[keep], normals[keep]
    off = 1e-5 * float(np.linalg.norm(np.ptp(mesh[0], axis=0)))
    where, ray, _ = part.ray.intersects_location(points - off * normals, -normals, multiple_hits=False)
    rays = np.linalg.norm(where - points[ray], axis=1)
    some = np.random.default_rng(3).choice(len(points), min(len(points), 800), replace=False)
    balls = trimesh.proximity.thickness(part, points[some], exterior=False, normals=normals[some], method="max_sphere")
    _, nearest, _ = trimesh.proximity.closest_point(outer, points)
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
