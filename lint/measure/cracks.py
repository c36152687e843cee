"""Cracks: open edges that lie side by side, as if one edge had been drawn twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges, open_half_edges
from lint.measure.joining import components
from lint.measure.surface import Extent, Skin
from lint.terms import BoolArray, FloatArray, IntArray

REACH = 1e-3  # pairs are looked for as far apart as this share of the part's diagonal


@dataclass(frozen=True)
class Cracks:
    """Pairs of open edges that run side by side in opposite directions, both ends near each other.

    one, other: (k, 2) skin points of the two edges, so ordered that one[:, i] lies near other[:, i];
    gap: (k,) the wider of the two ends, mm; length: (k,) the shorter edge, mm; faces: (k, 2) the faces beside them.
    """
    one: IntArray
    other: IntArray
    gap: FloatArray
    length: FloatArray
    faces: IntArray


@measure
def cracks(skin: Skin, edges: Edges, extent: Extent) -> Cracks:
    """Open edges matched by their middles, then by their ends.

    Only edges that run in opposite directions match, as the two sides of a crack do, and only when the gap is under half of the
    shorter edge, so that closing it cannot fold a face. A true slit wider than the caller's limit is the caller's to leave alone.
    """
    half = open_half_edges(edges)
    start = skin.faces[half // 3, half % 3]
    end = skin.faces[half // 3, (half % 3 + 1) % 3]
    p, q = skin.vertices[start], skin.vertices[end]
    if not len(half):
        none = np.zeros((0, 2), dtype=np.int64)
        return Cracks(none, none, np.zeros(0), np.zeros(0), none)
    from scipy.spatial import cKDTree

    near = cKDTree((p + q) / 2).query_pairs(REACH * extent.diagonal, output_type="ndarray").astype(np.int64)
    a, b = near[:, 0], near[:, 1]
    gap = np.sqrt(np.maximum(((p[a] - q[b]) ** 2).sum(axis=1), ((q[a] - p[b]) ** 2).sum(axis=1)))
    size = np.linalg.norm(q - p, axis=1)
    length = np.minimum(size[a], size[b])
    keep = (gap <= REACH * extent.diagonal) & (gap < length / 2)
    a, b = a[keep], b[keep]
    return Cracks(
        one=np.stack((start[a], end[a]), axis=1),
        other=np.stack((end[b], start[b]), axis=1),
        gap=gap[keep],
        length=length[keep],
        faces=np.stack((half[a] // 3, half[b] // 3), axis=1),
    )


def crack_points(cracks: Cracks, tolerance: float, count: int) -> BoolArray:
    """(count,) skin points that lie on a crack no wider than the tolerance (mm)."""
    on = np.zeros(count, dtype=bool)
    narrow = cracks.gap <= tolerance
    on[cracks.one[narrow]] = True
    on[cracks.other[narrow]] = True
    return on


def crack_regions(cracks: Cracks, tolerance: float, count: int) -> list[IntArray]:
    """Numbers of the matched pairs no wider than the tolerance, grouped into cracks that hang together, the longest first."""
    chosen = np.flatnonzero(cracks.gap <= tolerance)
    if not len(chosen):
        return []
    one, other = cracks.one[chosen], cracks.other[chosen]
    rows = np.concatenate((one[:, 0], one[:, 0], other[:, 0]))
    columns = np.concatenate((one[:, 1], other[:, 0], other[:, 1]))
    label = components(count, rows, columns)[0][one[:, 0]]
    order = np.argsort(label, kind="stable")
    groups = np.split(chosen[order], np.flatnonzero(np.diff(label[order])) + 1)
    return sorted(groups, key=lambda g: -float(cracks.length[g].sum()))
