"""Holes given the first of their patches that cuts nothing: shared by closing and by darning."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lint.shape.crossing import crossing_faces
from lint.shape.fill import Patch
from lint.terms import BoolArray, FloatArray, IntArray


@dataclass
class Hole:
    """loop: points in the order the faces run along it; ways: patches that might fit; turn: the one tried now; done: whether it fits."""

    loop: IntArray
    ways: list[Patch]
    shell: int
    turn: int = 0
    done: bool = field(default=False)


def simple_loops(points: IntArray) -> list[IntArray]:
    """A rim cut into loops that pass each point once: where it touches itself, each round is a hole of its own."""
    if len(np.unique(points)) == len(points):
        return [points]
    loops: list[IntArray] = []
    trail: list[int] = []
    seen: dict[int, int] = {}
    for point in points.tolist():  # rims that touch themselves are few and short
        if point in seen:
            start = seen[point]
            loops.append(np.asarray(trail[start:], dtype=np.int64))
            for gone in trail[start:]:
                del seen[gone]
            del trail[start:]
        seen[point] = len(trail)
        trail.append(point)
    loops.append(np.asarray(trail, dtype=np.int64))
    return loops


def filled_holes(vertices: FloatArray, faces: IntArray, holes: list[Hole]) -> tuple[FloatArray, IntArray, int]:
    """Give each hole the first of its patches that cuts nothing; holes without one stay open."""
    for _ in range(6):
        trying = [h for h in holes if h.turn < len(h.ways)]
        points, made, first = joined(vertices, faces, trying)
        hit = (crossing_faces(points, made, np.arange(len(made)) >= first) | _crowded(made))[first:]
        begin = 0
        clean = True
        for hole in trying:
            size = len(hole.ways[hole.turn].faces)
            hole.done = not hit[begin : begin + size].any()
            clean = clean and hole.done
            begin += size
        if clean:
            break
        for hole in trying:
            hole.turn += not hole.done
    return joined(vertices, faces, [h for h in holes if h.done])


def _crowded(faces: IntArray) -> BoolArray:
    """Which faces (m,) have a side that more than one other face has: a patch must not lean on a side of the skin."""
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * (int(faces.max(initial=0)) + 1) + np.maximum(start, end)
    _, index, count = np.unique(key, return_inverse=True, return_counts=True)
    return np.asarray((count[index] > 2).reshape(-1, 3).any(axis=1))


def joined(vertices: FloatArray, faces: IntArray, holes: list[Hole]) -> tuple[FloatArray, IntArray, int]:
    """The skin with the present patch of each hole: points, faces and the number of the first new face."""
    points, made, count = [vertices], [faces], len(vertices)
    for hole in holes:
        patch = hole.ways[hole.turn]
        numbers = np.concatenate((hole.loop, count + np.arange(len(patch.points))))
        points.append(patch.points)
        made.append(numbers[patch.faces])
        count += len(patch.points)
    return np.vstack(points), np.vstack(made).astype(np.int64), len(faces)
