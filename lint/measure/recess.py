"""Recesses: places where the skin runs into the part narrower than a given ball and deeper than the ball's edge would go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.nearest import distance_to_faces
from lint.measure.shells import around_points, points_of
from lint.measure.surface import Faces, Skin
from lint.measure.vectors import columns, length, minus, taken
from lint.measure.vectors import reach as span
from lint.measure.walls import Gaps, Patches
from lint.terms import BoolArray, FloatArray, IntArray, Place

# Skin whose air, straight out, is less wide than this belongs to a recess: nostrils and ear canals are 6 to 12 mm wide. mm.
WIDE = 12.0
# Two skins that close on each other faster than this, in degrees, meet in a fold that opens towards the eye and not in a recess.
FOLD = 60.0
# Where less than this share of a recess's skin has skin opposite, it is a nick in a corner and what looks over it, and no recess.
OPPOSITE = 0.05
_CELL = 8  # cells a reach; of a part that has more of them than _CELLS, read in the wrong unit perhaps, a tree is asked at once
_CELLS = 8_000_000
_FEW = 500  # points whose own neighbourhoods are looked up before a tree of all is made


@dataclass(frozen=True)
class Recess:
    """depth: from its mouth to the farthest skin in it, mm; width: of the air across it, the middle of its skin, mm; faces: (k,)."""

    depth: float
    width: float
    place: Place
    faces: IntArray

    @property
    def ratio(self) -> float:
        """Depth over width."""
        return self.depth / max(self.width, 1e-9)


@measure
def recesses(
    skin: Skin, edges: Edges, facets: Faces, patches: Patches, gaps: Gaps, contact: Contact, covered: BoolArray, tree: loops.Tree | None
) -> tuple[Recess, ...]:
    """Regions of skin with less than WIDE of air over them, the deepest for their width first. Sampled at the patches.

    A ball WIDE across cannot touch such skin, since it would stand in the skin opposite. Floors that look out of the mouth are counted
    in. What opens in the base is left out: it is a drain, a socket or a mark, and lies on the board; so is the inside of a hollow.
    """
    near = (gaps.width < WIDE) & (gaps.taper < FOLD) & ~np.take(covered, patches.face)
    area = np.bincount(patches.face, weights=np.where(near, patches.area, 0.0), minlength=len(skin.faces))
    total: FloatArray = np.bincount(patches.face, weights=patches.area, minlength=len(skin.faces)).astype(np.float64)
    within: BoolArray = (area > total / 2) & (total > 0)
    if not within.any():
        return ()
    within |= _floors(near, total, facets, patches, tree) & ~covered
    label = _pieces(within, edges, patches.face[near], gaps.across[near], len(skin.faces))
    base = np.zeros(len(skin.faces), dtype=bool)
    base[contact.faces] = True
    one, two = edges.neighbours.T
    mouth = within[one] != within[two]
    edge_label = np.where(within[one[mouth]], label[one[mouth]], label[two[mouth]])
    on_base = base[one[mouth]] | base[two[mouth]]
    ends = edges.ends[edges.neighbour_edge[mouth]]
    barred = set(np.unique(edge_label[on_base]).tolist())
    order = np.argsort(label[within], kind="stable")
    groups = np.split(np.flatnonzero(within)[order], np.flatnonzero(np.diff(label[within][order])) + 1)
    by_edge = np.argsort(edge_label, kind="stable")
    sorted_label = edge_label[by_edge]
    by_patch = np.flatnonzero(near)[np.argsort(label[patches.face[near]], kind="stable")]
    patch_label = label[patches.face[by_patch]]
    found: list[Recess] = []
    for faces in groups:
        which = int(label[faces[0]])
        rim = ends[by_edge[np.searchsorted(sorted_label, which, "left") : np.searchsorted(sorted_label, which, "right")]]
        mine = by_patch[np.searchsorted(patch_label, which, "left") : np.searchsorted(patch_label, which, "right")]
        if which in barred or not len(rim) or patches.area[mine].sum() < OPPOSITE * total[faces].sum():
            continue
        points = np.vstack((skin.vertices[points_of(skin, faces)], patches.point[mine]))
        depth = float(distance_to_mouth(skin.vertices, rim, points).max())
        found.append(Recess(depth, _middle(gaps.width[mine], patches.area[mine]), around_points(points, faces), faces))
    return tuple(sorted(found, key=lambda r: -r.ratio))


def _pieces(within: BoolArray, edges: Edges, face: IntArray, across: IntArray, count: int) -> IntArray:
    """(count,) which recess each face belongs to: over shared edges, and from each face to the one across the air."""
    beside = edges.neighbours[within[edges.neighbours].all(axis=1)]
    over = (across >= 0) & within[face] & within[across]
    one, two = np.concatenate((beside[:, 0], face[over])), np.concatenate((beside[:, 1], across[over]))
    return components(count, one, two)[0]


def _floors(near: BoolArray, total: FloatArray, facets: Faces, patches: Patches, tree: loops.Tree | None) -> BoolArray:
    """(m,) faces close to a recess that look out of it, such as its floor: a ball WIDE across cannot touch most of their area."""
    asked = np.flatnonzero(_any_within(patches.point[near], patches.point, WIDE) & ~near)
    floors = np.zeros(len(total), dtype=bool)
    if not len(asked):
        return floors
    face = patches.face[asked]
    ball = np.take(patches.point, asked, axis=0) + WIDE / 2 * np.take(facets.normal, face, axis=0)
    shut = _shut(ball, 0.9 * WIDE / 2, patches, tree)
    floors[:] = np.bincount(face, weights=patches.area[asked] * shut, minlength=len(total)) > total / 2
    return floors


def _shut(ball: FloatArray, reach: float, patches: Patches, tree: loops.Tree | None) -> BoolArray:
    """(k,) whether any patch lies nearer than `reach` mm to the middle (k, 3) of each ball.

    With a tree of the skin most is told by the nearest face: where none is in reach no patch is, and mostly its own patch is.
    """
    if tree is None:
        return np.asarray(np.isfinite(_tree(patches.point).query(ball, distance_upper_bound=reach)[0]))
    face = tree.nearest(ball, reach * (1 + 1e-9))[0]
    some = np.flatnonzero(face >= 0)
    own = np.full(max(int(patches.face.max()), int(face.max())) + 1, -1, dtype=np.int64)
    own[patches.face] = np.arange(len(patches.face))
    number = np.take(own, face[some])
    away = minus(taken(ball, some), taken(patches.point, number))
    known = (length(away) < reach) & (number >= 0)
    shut = np.zeros(len(ball), dtype=bool)
    shut[some[known]] = True
    some = some[~known]
    if len(some):
        wanted = np.full(len(own), len(some) > _FEW)
        for k in some if len(some) <= _FEW else ():
            about = tree.about(ball[k], reach * (1 + 1e-9))
            wanted[about[about < len(own)]] = True
        few = np.flatnonzero(np.take(wanted, patches.face))
        shut[some] = np.isfinite(_tree(np.take(patches.point, few, axis=0)).query(ball[some], distance_upper_bound=reach)[0])
    return shut


def _tree(points: FloatArray) -> Any:
    from scipy.spatial import cKDTree

    return cKDTree(points, leafsize=32, balanced_tree=False, compact_nodes=False)


def _any_within(points: FloatArray, asked: FloatArray, reach: float) -> BoolArray:
    """(k,) whether any of some points lies nearer than `reach` mm to each point asked.

    Told by cells first: how far the middle of a cell is from the nearest point tells of all that is asked in it, but for the few about
    as far away as the reach.
    """
    cell = reach / _CELL
    found = np.zeros(len(asked), dtype=bool)
    low, high = (corner + side * reach * (1 + 1e-9) for corner, side in zip(span(points), (-1, 1), strict=True))
    axes = columns(asked)
    inside = np.ones(len(asked), dtype=bool)
    for axis, least, most in zip(axes, low.tolist(), high.tolist(), strict=True):
        inside &= (axis >= least) & (axis <= most)
    some = np.flatnonzero(inside)
    if not len(some):
        return found
    tree = _tree(points)
    count = np.ceil((high - low) / cell).astype(np.int64) + 1
    if count.astype(np.float64).prod() > _CELLS:
        found[some] = np.isfinite(tree.query(np.take(asked, some, axis=0), distance_upper_bound=reach)[0])
        return found
    x, y, z = (((np.take(axes[k], some) - low[k]) / cell).astype(np.int64) for k in range(3))
    at = (x * count[1] + y) * count[2] + z
    state = np.zeros(int(count.prod()), dtype=np.uint8)
    state[at] = 1
    taken = np.flatnonzero(state)
    middle = np.stack(np.unravel_index(taken, tuple(count)), axis=1) * cell + (low + cell / 2)
    half = cell * 3**0.5 / 2 * (1 + 1e-9)
    far = np.asarray(tree.query(middle, distance_upper_bound=(reach + half) * (1 + 1e-9))[0])
    state[taken] = np.where(far < reach - half, 1, np.where(far > reach + half, 0, 2))
    said = np.take(state, at)
    found[some] = said == 1
    unsure = some[said == 2]
    if len(unsure):
        found[unsure] = np.isfinite(tree.query(np.take(asked, unsure, axis=0), distance_upper_bound=reach)[0])
    return found


def distance_to_mouth(vertices: FloatArray, rim: IntArray, points: FloatArray) -> FloatArray:
    """Distance of points (k, 3) to a mouth, mm: to a fan spread over each ring of its edges (e, 2) from the ring's middle.

    So the middle of a flat floor is as deep as the floor's edge, whether or not the file has points there.
    """
    used, index = np.unique(rim, return_inverse=True)
    index = index.reshape(-1, 2)
    ring, rings = components(len(used), index[:, 0], index[:, 1])
    ring = ring[index[:, 0]]
    length = np.linalg.norm(vertices[rim[:, 1]] - vertices[rim[:, 0]], axis=1)
    between = vertices[rim].mean(axis=1)
    weight = np.bincount(ring, weights=length, minlength=rings)
    middle = np.stack([np.bincount(ring, weights=length * between[:, k], minlength=rings) for k in range(3)], axis=1) / weight[:, None]
    fan: IntArray = np.column_stack((index, len(used) + ring))
    return distance_to_faces(points, np.vstack((vertices[used], middle)), fan)


def _middle(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, reached[-1] / 2)])
