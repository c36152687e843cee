"""One timed piece of work, in a process of its own: `python -m tests.bench.tasks NAME FILE`. Prints one line of JSON.

What is timed inside is the CPU time of this process alone; the whole process is timed by whoever began it.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

DOWN = -np.sqrt(0.5)  # nz of skin that faces down past 45 degrees


def loaded(path: Path) -> dict[str, Any]:
    """(a) trimesh: read the file and merge its points."""
    import trimesh

    mesh = trimesh.load(path, force="mesh")
    return {"points": len(mesh.vertices)}


def plain(path: Path) -> dict[str, Any]:
    """(b) trimesh's own calls: closed, winding, edges, shells, volume, overhang regions and one wall ray a face."""
    import trimesh

    mesh = trimesh.load(path, force="mesh")
    said: dict[str, Any] = {"closed": bool(mesh.is_watertight), "winding": bool(mesh.is_winding_consistent)}
    said["edges"] = len(mesh.edges_unique)
    label = trimesh.graph.connected_component_labels(mesh.face_adjacency, node_count=len(mesh.faces))
    said["shells"] = int(label.max()) + 1
    said["volume"] = float(mesh.volume)
    down = np.flatnonzero((mesh.face_normals[:, 2] < DOWN) & (mesh.vertices[mesh.faces, 2].max(axis=1) > mesh.bounds[0, 2] + 0.1))
    said["overhangs"] = len(trimesh.graph.connected_components(mesh.face_adjacency, nodes=down, min_len=1)) if len(down) else 0
    start = mesh.triangles_center - 1e-3 * mesh.face_normals
    spot, ray, _ = mesh.ray.intersects_location(start, -mesh.face_normals, multiple_hits=False)
    said["wall"] = float(np.median(np.linalg.norm(spot - start[ray], axis=1)))
    return said


def ours(path: Path) -> dict[str, Any]:
    """The same questions, by the measurements."""
    from concurrent.futures import ThreadPoolExecutor

    from lint import cores
    from lint.load import read
    from lint.measure import Survey
    from lint.measure.shells import regions

    cores.use(cores.allowed())  # as a lint does, and with threads as it does
    survey = Survey(read(path, units="mm"))
    survey.get("skin")
    pool = ThreadPoolExecutor(1)
    walls = pool.submit(survey.get, "walls")
    edges, shells, skin, facets = (survey.get(name) for name in ("edges", "shells", "skin", "facets"))
    down = np.flatnonzero((facets.normal[:, 2] < DOWN) & (skin.vertices[skin.faces, 2].max(axis=1) > skin.vertices[:, 2].min() + 0.1))
    return {
        "closed": edges.closed, "winding": bool(edges.agree.all()), "edges": len(edges.ends), "shells": shells.count,
        "volume": survey.get("volume"), "overhangs": len(regions(down, edges.neighbours, len(skin.faces))),
        "wall": float(np.median(walls.result().thickness)),
    }  # fmt: skip


def floor(path: Path) -> dict[str, Any]:
    """(c) one pass over the arrays of the welded mesh, in memory: the best of five."""
    from lint.load import read
    from lint.measure.surface import skin_of

    part = read(path)
    skin = skin_of(part.vertices, part.faces)
    best = np.inf
    for _ in range(5):
        began = time.process_time()
        skin.vertices.sum()
        skin.faces.sum()
        best = min(best, time.process_time() - began)
    return {"seconds": best}


def measured(path: Path) -> dict[str, Any]:
    """Every rule, and the CPU seconds of each measurement and each rule."""
    from lint.commands.shelves import Facts, read_part
    from lint.rooms import all_rules
    from lint.run import examine
    from lint.shelf import Shelf

    time.perf_counter = time.process_time
    began = time.process_time()
    bench = read_part(path, Facts(None, {}))
    read = time.process_time() - began
    report = examine(bench.part, all_rules(), bench.settings, shelf=Shelf((path,), lambda _: bench.part))
    seconds = {"reading the file": read, **report.measured_seconds}
    for rule in report.rules:
        seconds[f"rule {rule.number}"] = rule.seconds
    return {"seconds": seconds, "not run": {r.number: r.why for r in report.rules if r.outcome != "clean" and r.outcome != "found"}}


def walls(path: Path) -> dict[str, Any]:
    """One wall ray a patch by the maker of rays that the environment asks for: CPU seconds to make ready and to cast."""
    from lint.load import read
    from lint.measure import Survey

    time.perf_counter = time.process_time
    survey = Survey(read(path, units="mm"))
    found = survey.get("walls")
    return {
        "ready": survey.seconds["rays"] + survey.seconds["tree"], "cast": survey.seconds["walls"], "count": len(found.thickness),
        "median": float(np.median(found.thickness)), "by": os.environ.get("BUCKWRIGHT_RAYS", "wheel"),
    }  # fmt: skip


TASKS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "loaded": loaded, "plain": plain, "ours": ours, "floor": floor, "measured": measured, "walls": walls,
}  # fmt: skip

if __name__ == "__main__":
    print(json.dumps(TASKS[sys.argv[1]](Path(sys.argv[2]))))
