"""Lines where three or more faces meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Skin
from lint.terms import IntArray


@dataclass(frozen=True)
class Crowd:
    """Crowded edges that hang together: skin points, faces that meet there, how many edges, length in mm, most faces at one edge."""
    points: IntArray
    faces: IntArray
    edges: int
    length: float
    most: int


@measure
def crowds(skin: Skin, edges: Edges) -> tuple[Crowd, ...]:
    """Crowded edges joined where they share a point, the longest line first."""
    crowded = edges.crowded
    if not len(crowded):
        return ()
    ends = edges.ends[crowded]
    points, local = np.unique(ends, return_inverse=True)
    local = local.reshape(-1, 2)
    label = components(len(points), local[:, 0], local[:, 1])[0][local[:, 0]]
    line_of = np.full(len(edges.count), -1, dtype=np.int64)
    line_of[crowded] = label
    half = np.flatnonzero(edges.half_edge >= 0)
    line = line_of[edges.half_edge[half]]
    face, line = half[line >= 0] // 3, line[line >= 0]
    order = np.argsort(line, kind="stable")
    faces = np.split(face[order], np.flatnonzero(np.diff(line[order])) + 1)
    order = np.argsort(label, kind="stable")
    groups = np.split(crowded[order], np.flatnonzero(np.diff(label[order])) + 1)
    length = np.linalg.norm(skin.vertices[edges.ends[:, 0]] - skin.vertices[edges.ends[:, 1]], axis=1)
    found = [
        Crowd(np.unique(edges.ends[g]), np.unique(f), len(g), float(length[g].sum()), int(edges.count[g].max()))
        for g, f in zip(groups, faces, strict=True)
    ]
    return tuple(sorted(found, key=lambda c: -c.length))
