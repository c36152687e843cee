"""Skin that faces down more steeply than a given angle: by region, how much of it there is and how far it reaches from what holds it up.

The angle is taken from the vertical: 0 is a wall, 90 a ceiling; a face with unit outward normal n has asin(-n_z).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.contact import NEAR, TOUCH, Contact, taut
from lint.measure.edges import Edges
from lint.measure.shells import points_of, regions
from lint.measure.surface import Faces, Skin
from lint.measure.walls import Patches
from lint.terms import BoolArray, FloatArray, IntArray

# A face made at the limit itself is let pass: rounding a file to 32 bits turns a small face by less than this, degrees.
ROUNDING = 0.1
# Faces less steep by so much still join two steep regions into one, so that scan noise about the limit does not scatter findings.
KINDRED = 5.0
# A ceiling is level when no part of it slopes by more than this, degrees: only then can strands be drawn straight across.
LEVEL = 10.0
# What holds skin up is known by points no farther apart than this along its edge, mm.
STEP = 0.5
_CELLS = 48  # along the longer side of a region, when the farthest of its points is looked for


@measure
def down(facets: Faces) -> FloatArray:
    """Overhang of every face, (m,) degrees from the vertical: asin(-n_z); negative where it faces up."""
    angle: FloatArray = np.degrees(np.arcsin(np.clip(-facets.normal[:, 2], -1.0, 1.0)))
    return angle


@dataclass(frozen=True)
class Steep:
    """One region of steep skin.

    faces: (k,) steep faces; area: mm2 along the skin; reach: the farthest any of it is, level, from what holds it up, mm;
    span: where it is a level ceiling held on both sides, the width to be bridged, mm, else NaN;
    held: whether anything holds it up at all; angle: the steepest face, degrees; points: (p, 3) points all over it.
    """

    faces: IntArray
    area: float
    reach: float
    span: float
    held: bool
    angle: float
    points: FloatArray


def steep_regions(
    skin: Skin, facets: Faces, edges: Edges, patches: Patches, contact: Contact, down: FloatArray, angle: float
) -> list[Steep]:
    """Regions steeper than `angle` degrees from the vertical, the largest first, skin that touches the bed left out.

    An uneven underside that was meant as the base is none either: that it does not touch is said of the base.

    A region is held up along edges where the skin goes on downward beyond it, and where it touches the bed.
    """
    height = skin.vertices[:, 2] - contact.lowest
    low: BoolArray = height <= (NEAR if contact.meant else TOUCH)
    a, b, c = (np.take(low, np.ascontiguousarray(skin.faces[:, k])) for k in range(3))
    lying = a & b & c
    steep = (down > angle + ROUNDING) & ~lying & (facets.area > 0)
    if not steep.any():
        return []
    kindred = steep | ((down > angle - KINDRED) & ~lying)
    label = np.full(len(steep), -1, dtype=np.int64)
    groups = [g[steep[g]] for g in regions(np.flatnonzero(kindred), edges.neighbours, len(steep))]
    groups = [g for g in groups if len(g)]
    for number, group in enumerate(groups):
        label[group] = number
    owner, support = _supports(skin, edges, label, height)
    by_region = _split(owner, support, len(groups))
    inside = label[patches.face]
    on = np.flatnonzero(inside >= 0)
    points = _split(np.take(inside, on), np.take(patches.point, on, axis=0), len(groups))
    found = [_steep(skin, facets, g, points[i], by_region[i], down) for i, g in enumerate(groups)]
    return sorted(found, key=lambda s: -s.area)


def _supports(skin: Skin, edges: Edges, label: IntArray, height: FloatArray) -> tuple[IntArray, FloatArray]:
    """Points (p, 3) that hold regions up, with the region of each: along edges beyond which the skin goes down, and on the bed."""
    pair = edges.neighbours
    within: BoolArray = label >= 0
    inside = [np.take(within, np.ascontiguousarray(pair[:, k])) for k in (0, 1)]
    owners: list[IntArray] = []
    points: list[FloatArray] = []
    for mine, other in ((0, 1), (1, 0)):
        rim = np.flatnonzero(inside[mine] & ~inside[other])
        ends = edges.ends[edges.neighbour_edge[rim]]
        a, b = skin.vertices[ends[:, 0]], skin.vertices[ends[:, 1]]
        beyond = skin.vertices[skin.faces[pair[rim, other]]].mean(axis=1) - a
        along = b - a
        square = np.einsum("ij,ij->i", along, along)
        into = beyond - along * (np.einsum("ij,ij->i", beyond, along) / np.where(square > 0, square, 1.0))[:, None]
        goes_down = into[:, 2] < 0
        number, spots = _along(a[goes_down], b[goes_down])
        owners.append(label[pair[rim[goes_down], mine]][number])
        points.append(spots)
    lying: BoolArray = height <= TOUCH
    face = np.flatnonzero(within)
    corner = skin.faces[face]
    low = np.take(lying, corner)
    owners.append(np.repeat(label[face], 3)[low.reshape(-1)])
    points.append(skin.vertices[corner[low]])
    return np.concatenate(owners), np.concatenate(points)


def _along(a: FloatArray, b: FloatArray) -> tuple[IntArray, FloatArray]:
    """Points along segments a to b, both (k, 3), ends included, at most STEP apart, with the number of the segment of each."""
    count = np.ceil(np.linalg.norm(b - a, axis=1) / STEP).astype(np.int64).clip(1, 2000) + 1
    number = np.repeat(np.arange(len(a)), count)
    first = np.cumsum(count) - count
    share = (np.arange(len(number)) - first[number]) / (count - 1)[number]
    return number, a[number] + share[:, None] * (b - a)[number]


def _steep(skin: Skin, facets: Faces, faces: IntArray, points: FloatArray, support: FloatArray, down: FloatArray) -> Steep:
    everywhere = np.vstack((points, np.take(skin.vertices, points_of(skin, faces), axis=0)))
    held = len(support) > 0
    holders = support if held else everywhere[everywhere[:, 2] <= everywhere[:, 2].min() + 1e-3]
    reach = farthest_from(everywhere[:, :2], holders[:, :2])[0]
    if not held and np.ptp(everywhere[:, 2]) <= 1e-3:
        middle = (everywhere.min(axis=0) + everywhere.max(axis=0)) / 2
        reach = float(np.linalg.norm((everywhere - middle)[:, :2], axis=1).max())
    level = bool((down[faces] > 90 - LEVEL).all())
    bridged = held and level and _within(everywhere[:, :2], taut(support[:, :2]))
    span = _span(everywhere[:, :2], support[:, :2]) if bridged else float("nan")
    return Steep(faces, float(facets.area[faces].sum()), reach, span, held, float(down[faces].max()), everywhere)


def farthest_from(points: FloatArray, holders: FloatArray) -> tuple[float, int, int]:
    """How far the point (k, 2) that is farthest from any holder (p, 2) is from its nearest, mm; its number, and that holder's.

    The one-sided Hausdorff distance. Of many points only those are asked whose cell, by its middle and its half diagonal, may hold a
    farther one than the farthest of the cell that promises most.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(holders, leafsize=32, balanced_tree=False)
    some = np.arange(len(points))
    if len(points) > _CELLS**2:
        axes = [np.ascontiguousarray(points[:, k]) for k in (0, 1)]
        low = np.array([along.min() for along in axes])
        side = max(max(float(np.ptp(along)) for along in axes) / _CELLS, 1e-12)
        x, y = ((axes[k] - low[k]) / side for k in (0, 1))
        cell = x.astype(np.int64) * (_CELLS + 1) + y.astype(np.int64)
        taken = np.flatnonzero(np.bincount(cell))
        middle = low + side * (np.stack(np.divmod(taken, _CELLS + 1), axis=1) + 0.5)
        most = np.zeros((_CELLS + 1) ** 2)
        most[taken] = np.asarray(tree.query(middle)[0]) + side * 0.5**0.5 * (1 + 1e-9)
        first = np.flatnonzero(cell == taken[most[taken].argmax()])
        least = float(np.max(tree.query(points[first])[0]))
        some = np.flatnonzero(most[cell] >= least)
    said = tree.query(points[some])
    near, which = np.asarray(said[0]), np.asarray(said[1])
    worst = int(near.argmax())
    return float(near[worst]), int(some[worst]), int(which[worst])


def _span(points: FloatArray, support: FloatArray) -> float:
    """Width to be bridged at the point (k, 2) farthest from any support (p, 2): to the nearest and on to the one across from it."""
    near, worst, which = farthest_from(points, support)
    toward = (support[which] - points[worst]) / max(near, 1e-12)
    away = support - points[worst]
    far = np.linalg.norm(away, axis=1)
    across = far[away @ -toward >= 0.95 * far]
    return float(near + (across.min() if len(across) else near))


def _within(points: FloatArray, hull: FloatArray) -> bool:
    """Whether all points (k, 2) lie in a taut outline (h, 2), counter-clockwise, give or take a hundredth of a mm."""
    if len(hull) < 3:
        return False
    along = np.roll(hull, -1, axis=0) - hull
    along = along / np.linalg.norm(along, axis=1)[:, None]
    for start, way in zip(hull, along, strict=True):
        to = points - start
        if (way[0] * to[:, 1] - way[1] * to[:, 0]).min() < -0.01:
            return False
    return True


def _split(owner: IntArray, points: FloatArray, count: int) -> list[FloatArray]:
    """The points (p, 3) of each of `count` owners."""
    if count == 1:
        return [points]
    small = owner.astype(np.uint16) if count < 1 << 16 else owner  # put in order by counting
    order = np.argsort(small, kind="stable")
    cuts = np.searchsorted(owner[order], np.arange(1, count))
    return np.split(np.take(points, order, axis=0), cuts)
