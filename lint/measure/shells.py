"""Shells: pieces of skin joined along edges; their volume when closed; regions of a face set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray, NotRun, Place


@dataclass(frozen=True)
class Shells:
    """label: (m,) shell of each face, -1 for worthless faces; the rest are (s,) a shell, numbered from the largest area down.

    closed: every edge has two faces that agree in direction; volume: signed mm3, NaN when not closed;
    low, high: (s, 3) corners; area mm2; faces: how many.
    """

    label: IntArray
    count: int
    faces: IntArray
    area: FloatArray
    low: FloatArray
    high: FloatArray
    closed: BoolArray
    volume: FloatArray


@measure
def shells(skin: Skin, edges: Edges, facets: Faces) -> Shells:
    """Faces joined across edges (also crowded ones) form a shell. Volume by the divergence theorem, from the shell's own corner
    so that large coordinates do not cost precision; only for closed shells, since an open one has none."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    m = len(skin.faces)
    half = np.flatnonzero(edges.half_edge >= 0)
    order = half[np.argsort(edges.half_edge[half])]
    same = edges.half_edge[order[1:]] == edges.half_edge[order[:-1]]
    one, two = order[:-1][same] // 3, order[1:][same] // 3
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(m, m))
    raw = connected_components(graph, directed=False)[1].astype(np.int64)
    real = np.zeros(m, dtype=bool)
    real[half // 3] = True
    raw[~real] = -1
    names, label = np.unique(raw, return_inverse=True)
    shift = int(len(names) > 0 and names[0] == -1)
    label = label.astype(np.int64) - shift
    count = len(names) - shift
    area: FloatArray = np.bincount(label[real], weights=facets.area[real], minlength=count).astype(np.float64)
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(-area, kind="stable")] = np.arange(count)
    label[real] = rank[label[real]]
    area = np.sort(area)[::-1].copy()
    low, high = _boxes(skin, label, real, count)
    closed = np.ones(count, dtype=bool)
    face_of_half = half // 3
    bad = face_of_half[edges.count[edges.half_edge[half]] != 2]
    closed[label[bad]] = False
    closed[label[edges.neighbours[~edges.agree][:, 0]]] = False
    return Shells(
        label=label,
        count=count,
        faces=np.bincount(label[real], minlength=count).astype(np.int64),
        area=area,
        low=low,
        high=high,
        closed=closed,
        volume=np.where(closed, _volumes(skin, label, real, low, count), np.nan),
    )


def _boxes(skin: Skin, label: IntArray, real: BoolArray, count: int) -> tuple[FloatArray, FloatArray]:
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    shell = np.repeat(label[real], 3)
    points = skin.vertices[skin.faces[real].reshape(-1)]
    for axis in range(3):
        np.minimum.at(low[:, axis], shell, points[:, axis])
        np.maximum.at(high[:, axis], shell, points[:, axis])
    return low, high


def _volumes(skin: Skin, label: IntArray, real: BoolArray, low: FloatArray, count: int) -> FloatArray:
    which = label[real]
    a, b, c = (skin.vertices[skin.faces[real, i]] - low[which] for i in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    return np.bincount(which, weights=six, minlength=count) / 6


@measure
def volume(shells: Shells) -> float:
    """Signed volume of the whole part in mm3, cavities taken off. Raises NotRun while any shell is open: it has none."""
    if not shells.count or not bool(shells.closed.all()):
        raise NotRun("an open or unevenly wound shell has no volume")
    return float(shells.volume.sum())


def regions(chosen: IntArray, pairs: IntArray, count: int) -> list[IntArray]:
    """Groups of the chosen faces that hang together across `pairs` (k, 2); `count` faces in all. Largest group first."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    if not len(chosen):
        return []
    new = np.full(count, -1, dtype=np.int64)
    new[chosen] = np.arange(len(chosen))
    a, b = new[pairs[:, 0]], new[pairs[:, 1]]
    keep = (a >= 0) & (b >= 0)
    graph = coo_matrix((np.ones(int(keep.sum()), dtype=np.int8), (a[keep], b[keep])), shape=(len(chosen), len(chosen)))
    label = connected_components(graph, directed=False)[1]
    order = np.argsort(label, kind="stable")
    groups = np.split(np.asarray(chosen)[order], np.flatnonzero(np.diff(label[order])) + 1)
    return sorted(groups, key=len, reverse=True)


def around(skin: Skin, faces: IntArray) -> Place:
    """The place of a group of faces: the middle of their box and the farthest corner from it."""
    points = skin.vertices[np.unique(skin.faces[faces])]
    return around_points(points, faces)


def around_points(points: FloatArray, faces: IntArray | None = None) -> Place:
    """The place of some points (k, 3): the middle of their box and the farthest of them from it."""
    centre = (points.min(axis=0) + points.max(axis=0)) / 2
    reach = float(np.sqrt(((points - centre) ** 2).sum(axis=1).max()))
    return Place((float(centre[0]), float(centre[1]), float(centre[2])), reach, faces)
