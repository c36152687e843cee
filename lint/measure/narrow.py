"""Narrow places: regions where two skins run side by side closer than a given distance, told apart from mere sharp edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.walls import Patches
from lint.terms import BoolArray, FloatArray, IntArray

# Two skins that close on each other faster than this, in degrees, meet in an edge or a crease: no wall or gap lies between them.
# (A wedge of 15 degrees is under 0.8 mm for only 3 mm from its edge; facts 6.23, 6.24.)
SIDE_BY_SIDE = 15.0


@dataclass(frozen=True)
class Narrow:
    """One narrow region, both sides: its patches (k,), the least distance there in mm, its area in mm2 (both sides), its faces."""

    patches: IntArray
    least: float
    area: float
    faces: IntArray


def narrow_regions(
    patches: Patches,
    distance: FloatArray,
    across: IntArray,
    taper: FloatArray,
    neighbours: IntArray,
    faces: int,
    limit: float,
    least_area: float,
) -> list[Narrow]:
    """Regions where `distance` (k,) is under `limit` mm over at least `least_area` mm2, the largest first.

    neighbours (e, 2): pairs of faces that share an edge; faces: how many there are. A region hangs together over neighbouring faces
    and from each face to the one its rays met, so that both sides of one wall are one region. It must hold one unbroken stretch of
    skins side by side of the area asked; specks and the flanks of sharp edges are left out. The least distance is the value that 2 %
    of the region's area lies below, so that one bad ray does not speak for the whole.
    """
    close = distance < limit
    level = close & (taper < SIDE_BY_SIDE)
    if not level.any():
        return []
    whole = _groups(patches.face[close], across[close], neighbours, faces)
    stretch = _groups(patches.face[level], across[level], neighbours, faces)
    which = np.flatnonzero(level)
    piece = stretch[patches.face[which]]
    area = np.bincount(piece, weights=patches.area[which])
    good = np.unique(whole[patches.face[which[area[piece] >= least_area]]])
    found: list[Narrow] = []
    region = whole[patches.face[which]]
    order = which[np.argsort(region, kind="stable")]
    region = np.sort(region, kind="stable")
    for label in good:
        mine = order[np.searchsorted(region, label, "left") : np.searchsorted(region, label, "right")]
        found.append(Narrow(mine, _low(distance[mine], patches.area[mine]), float(patches.area[mine].sum()), np.unique(patches.face[mine])))
    return sorted(found, key=lambda n: -n.area)


def _groups(face: IntArray, across: IntArray, neighbours: IntArray, count: int) -> IntArray:
    """(count,) a group for every face: faces of the list hang together over neighbours and over rays; the others stand alone."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    chosen: BoolArray = np.zeros(count, dtype=bool)
    chosen[face] = True
    beside = neighbours[chosen[neighbours[:, 0]] & chosen[neighbours[:, 1]]]
    met = across >= 0
    met[met] = chosen[across[met]]
    one, two = np.concatenate((beside[:, 0], face[met])), np.concatenate((beside[:, 1], across[met]))
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(count, count))
    label: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return label


def _low(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, 0.02 * reached[-1])])
