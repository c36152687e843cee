"""Other ways up: which side a part could stand on, and how much of its skin would then overhang."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.bed import outermost
from lint.measure.contact import LEVEL, TOUCH, polygon_area, taut
from lint.measure.surface import Faces, Skin
from lint.measure.vectors import columns
from lint.terms import FloatArray, IntArray

# How finely directions of skin are told apart when flat sides are looked for: cells of about 3 degrees.
_CELLS = 32
# Flat sides looked at, besides the part as it stands and its own long, middle and short way.
_SIDES = 16
# Ways up are compared on no more faces than this, taken evenly from the list: areas are then good to about 1 %.
_FACES = 25_000


# Where no side is flat, one that a shallow cut would make flat will do: skin within this share of the longest way, sloping by no more
# than 30 degrees, over this much of the shadow.
_CUT = 0.03
_ROUGH = float(np.cos(np.radians(30.0)))
_NEARLY = 0.15


@dataclass(frozen=True)
class Side:
    """How a part stands on one side: steep: area past the angle asked, mm2, not counting skin that lies on the bed; share: how much of
    the shadow lies on the bed, 0 to 1; firm: whether the middle of the part is over the outline it rests on."""

    steep: float
    share: float
    firm: bool


@dataclass(frozen=True)
class Pose:
    """Standing with the unit direction `down` (3,) pointing down: as the skin is, and after a shallow cut had made the foot flat."""

    down: FloatArray
    bare: Side
    cut: Side


def poses(skin: Skin, facets: Faces, angle: float) -> list[Pose]:
    """The part as it stands, first, then standing on each of its larger flat sides and on either end of its three own axes.

    angle: degrees from the vertical past which skin is steep.
    """
    stride = -(-len(skin.faces) // _FACES)
    faces = skin.faces[::stride]
    few = Faces(facets.normal[::stride], facets.area[::stride], facets.centre[::stride])
    used, corners = np.unique(faces, return_inverse=True)
    points = skin.vertices[used]
    local = points - (points.min(axis=0) + points.max(axis=0)) / 2
    axes = np.linalg.eigh(local.T @ local / len(local))[1].T
    directions = _distinct(np.vstack(([[0.0, 0.0, -1.0]], _flat_sides(facets), axes, -axes)))
    corners = corners.reshape(-1, 3)
    sine, scale = float(np.sin(np.radians(angle))), float(facets.area.sum() / few.area.sum())
    stood = _Stood(local, _outer(local), tuple(np.ascontiguousarray(corners[:, k]) for k in range(3)), float(np.ptp(local, axis=0).max()))
    return [_pose(d, stood, few, sine, scale) for d in directions]


@dataclass(frozen=True)
class _Stood:
    """What is stood on its sides. points: (k, 3) about the middle; rim: (h, 3) those of them that any outline can have; corner: three
    points a face, (m,) each; size: the longest way along an axis, mm."""

    points: FloatArray
    rim: FloatArray
    corner: tuple[IntArray, ...]
    size: float


def _outer(points: FloatArray) -> FloatArray:
    """The corners of the convex hull of points (k, 3): from whatever side they are seen, their outline has no others."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except (QhullError, ValueError):  # too few, or all in a plane
        return points


def _flat_sides(facets: Faces) -> FloatArray:
    """Directions (k, 3) that much of the skin faces, the largest area first, each averaged over its cell."""
    x, y, z = (np.round((along + 1) / 2 * _CELLS).astype(np.int64) for along in columns(facets.normal))
    key = (x * (_CELLS + 1) + y) * (_CELLS + 1) + z
    area = np.bincount(key, weights=facets.area)
    best = np.argsort(-area)[:_SIDES]
    best = best[area[best] > 0]
    order = np.full(len(area), -1, dtype=np.int64)
    order[best] = np.arange(len(best))
    mine = np.flatnonzero(order[key] >= 0)
    weight = facets.area[mine]
    summed = np.stack([np.bincount(order[key[mine]], weights=facets.normal[mine, i] * weight) for i in range(3)], axis=1)
    length = np.linalg.norm(summed, axis=1)
    unit: FloatArray = summed[length > 0] / length[length > 0, None]
    return unit


def _distinct(directions: FloatArray) -> FloatArray:
    """Directions (k, 3) with those within two degrees of an earlier one left out."""
    kept: list[FloatArray] = []
    for direction in directions:
        if not any(float(direction @ k) > np.cos(np.radians(2.0)) for k in kept):
            kept.append(direction)
    return np.array(kept)


def _pose(down: FloatArray, stood: _Stood, facets: Faces, sine: float, scale: float) -> Pose:
    height = -(stood.points @ down)
    height -= height.min()
    a, b, c = (np.take(height, number) for number in stood.corner)
    rise = np.maximum(np.maximum(a, b), c)
    facing = facets.normal @ down
    plane = _plane(down)
    shadow = polygon_area(taut(outermost(stood.rim @ plane)))
    steep = facing > sine

    def side(depth: float, level: float) -> Side:
        lying = rise <= depth
        resting = lying & (facing >= level)
        feet = np.zeros(len(stood.points), dtype=bool)
        for number in stood.corner:
            feet[number[resting]] = True
        share = scale * float((facets.area * facing)[resting].sum()) / shadow if shadow > 0 else 0.0
        return Side(scale * float(facets.area[steep & ~lying].sum()), share, _holds(stood.points[feet] @ plane))

    return Pose(down, side(TOUCH, LEVEL), side(_CUT * stood.size, _ROUGH))


def _plane(down: FloatArray) -> FloatArray:
    """Two unit directions (3, 2) that lie level when `down` points down."""
    least = np.zeros(3)
    least[int(np.abs(down).argmin())] = 1.0
    one = np.cross(down, least)
    one /= np.linalg.norm(one)
    return np.stack((one, np.cross(down, one)), axis=1)


def _holds(points: FloatArray) -> bool:
    """Whether the origin lies within the outline of points (k, 2) of a plane: no line through it has all of them on one side."""
    away = np.hypot(points[:, 0], points[:, 1])
    points = points[away > 1e-9 * away.max(initial=0.0)]
    if len(points) < 3:
        return False
    angle = np.sort(np.arctan2(points[:, 1], points[:, 0]))
    return bool(max(float(np.diff(angle).max()), float(angle[0] - angle[-1]) + 2 * np.pi) < np.pi - 1e-9)


def better_pose(ways: list[Pose], share: float, gain: float = 0.6) -> Pose | None:
    """The pose with the least steep skin, when that is at most `gain` of what overhangs now; None when none is clearly better.

    share: how much of the shadow must lie flat. Only sides that are flat are looked at when there are any, so that a base is kept down;
    else those that a shallow cut would make flat; a part with neither is left as it stands.
    """
    now = ways[0]
    flat = [p for p in ways if p.bare.share >= share and p.bare.firm]
    if flat:
        best = min(flat, key=lambda p: p.bare.steep)
        return best if best.bare.steep <= gain * now.bare.steep and best is not now else None
    nearly = [p for p in ways if p.cut.share >= _NEARLY and p.cut.firm]
    if not nearly:
        return None
    best = min(nearly, key=lambda p: p.cut.steep)
    return best if best.cut.steep <= gain * now.cut.steep and best is not now else None
