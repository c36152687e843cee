"""Narrow places: regions where two skins run side by side closer than a given distance, told apart from mere sharp edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.joining import components
from lint.measure.walls import Patches
from lint.terms import BoolArray, FloatArray, IntArray

# Two skins that close on each other faster than this, in degrees, meet in an edge or a crease: no wall or gap lies between them.
# (A wedge of 15 degrees is under 0.8 mm for only 3 mm from its edge; facts 6.23, 6.24.)
SIDE_BY_SIDE = 15.0
# The flank of such an edge is never farther than this many limits from thicker material (1 / tan 15 = 3.7), so what is, is a wall
# however its skins are turned: a wire of five sides has no two that face each other.
FLANK = 4.0


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
    the area asked where the skins run side by side or nothing thicker is near; specks and the flanks of sharp edges are left out.
    The least distance is the value that 2 % of the region's area lies below, so that one bad ray does not speak for the whole.
    """
    close = distance < limit
    level = close & (taper < SIDE_BY_SIDE)
    turned = np.flatnonzero(close & ~level)
    level[turned[_apart(patches.point[turned], patches.point[~close], FLANK * limit)]] = True
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


def _apart(points: FloatArray, others: FloatArray, reach: float) -> BoolArray:
    """(k,) whether no point of the others (p, 3) is within `reach` mm of each point (k, 3).

    Only others in the cells about the points are put in the search tree, so that a few points among a million cost little.
    """
    from scipy.spatial import cKDTree

    if not len(points) or not len(others):
        return np.ones(len(points), dtype=bool)
    low = np.minimum(points.min(axis=0), others.min(axis=0)) - 2 * reach
    span = np.ceil((np.maximum(points.max(axis=0), others.max(axis=0)) + 2 * reach - low) / reach).astype(np.int64) + 1

    def key(cell: IntArray) -> IntArray:
        packed: IntArray = (cell[..., 0] * span[1] + cell[..., 1]) * span[2] + cell[..., 2]
        return packed

    mine = np.unique(key(np.floor((points - low) / reach).astype(np.int64)))
    step = np.stack(np.meshgrid(*[np.arange(-1, 2)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    about = np.unique(mine[:, None] + key(step)[None])
    near = others[np.isin(key(np.floor((others - low) / reach).astype(np.int64)), about)]
    if not len(near):
        return np.ones(len(points), dtype=bool)
    distance = np.asarray(cKDTree(near).query(points, distance_upper_bound=reach)[0])
    apart: BoolArray = ~np.isfinite(distance)
    return apart


def _groups(face: IntArray, across: IntArray, neighbours: IntArray, count: int) -> IntArray:
    """(count,) a group for every face: faces of the list hang together over neighbours and over rays; the others stand alone."""
    chosen: BoolArray = np.zeros(count, dtype=bool)
    chosen[face] = True
    beside = neighbours[chosen[neighbours[:, 0]] & chosen[neighbours[:, 1]]]
    met = across >= 0
    met[met] = chosen[across[met]]
    one, two = np.concatenate((beside[:, 0], face[met])), np.concatenate((beside[:, 1], across[met]))
    label: IntArray = components(count, one, two)[0]
    return label


def _low(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, 0.02 * reached[-1])])
