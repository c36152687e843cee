"""How a part lies on a bed: the room it takes at every turn about the vertical. Exact, by the convex hull and its calipers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.shells import Shells
from lint.measure.specks import Specks
from lint.measure.surface import Skin, used_points
from lint.measure.vectors import columns
from lint.terms import BoolArray, FloatArray

# Of more separate solids than this only the longest are looked at.
MOST = 100


@dataclass(frozen=True)
class Footprint:
    """hull: (h, 2) the convex outline seen from above, counter-clockwise, mm; height: mm; low, high: (3,) corners of the box."""

    hull: FloatArray
    height: float
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Lie:
    """How a footprint lies after a turn: turn in degrees (anticlockwise from above), width and depth in mm, and by how
    much it is past the bed at worst (negative: room to spare), mm."""

    turn: float
    width: float
    depth: float
    over: float


@measure
def footprint(skin: Skin) -> Footprint:
    """The convex outline of the part seen from above and its height."""
    return _footprint(used_points(skin) if len(skin.faces) else np.zeros((1, 3)))


@measure
def footprints(skin: Skin, shells: Shells, specks: Specks, footprint: Footprint) -> tuple[Footprint, ...]:
    """The same of each separate solid, the longest first: what stands apart and is closed is printed by itself. Open skin is taken
    together, since nobody knows yet what it will be closed to."""
    if specks.count < 2 or not bool(specks.closed.any()):
        return (footprint,)
    piece = np.append(specks.piece, -1)[shells.label]
    closed = np.flatnonzero(specks.closed)
    closed = closed[np.argsort(-specks.length[closed], kind="stable")][:MOST]
    groups = [np.flatnonzero(piece == p) for p in closed]
    rest = np.flatnonzero((piece >= 0) & ~np.append(specks.closed, False)[piece])
    if len(rest):
        groups.append(rest)
    return tuple(_footprint(skin.vertices[np.unique(skin.faces[g])]) for g in groups)


def _footprint(used: FloatArray) -> Footprint:
    low, high = (np.array([end(along) for along in columns(used)]) for end in (np.min, np.max))
    return Footprint(outline(used[:, :2]), float(high[2] - low[2]), low, high)


def outline(points: FloatArray) -> FloatArray:
    """The convex outline of (n, 2) points, counter-clockwise; a segment or a point when they are all in line."""
    from scipy.spatial import ConvexHull, QhullError

    points = outermost(points)
    low = points.min(axis=0)
    if len(points) > 2:
        try:
            return np.asarray(points[ConvexHull(points - low).vertices])
        except QhullError:
            pass
    along = np.ptp(points, axis=0)
    order = np.argsort(points @ along)
    return points[order[[0, -1]]]


# Few points are hulled at once; of more, what lies well within the outermost in these many directions is left out first.
_FEW = 10_000
_WAYS = 32
# Of very many points a polygon of every so many is tried first, by cells of so many a side.
_MANY, _STRIDE, _CELLS = 40_000, 16, 128


def outermost(points: FloatArray) -> FloatArray:
    """Points (n, 2) without those well within a polygon whose corners are some of them: the convex outline is the same."""
    if len(points) <= _FEW:
        return points
    x, y = np.ascontiguousarray(points[:, 0]), np.ascontiguousarray(points[:, 1])
    some = None
    if len(points) > _MANY:  # first by a polygon of a few of them, so that hardly any are looked at again and again
        some = np.flatnonzero(~_in_cells(x, y, _sides_of(x[::_STRIDE], y[::_STRIDE])))
        x, y = np.take(x, some), np.take(y, some)
    hair = _hair(x, y)
    left = np.arange(len(x))
    outside = []
    sides = _sides_of(x, y)
    for at, onward in sides:  # what lies out beyond one side is kept; only the rest is asked about the next
        within = onward[0] * (y[left] - at[1]) - onward[1] * (x[left] - at[0]) > hair * float(np.hypot(*onward))
        outside.append(left[~within])
        left = left[within]
    kept = np.sort(np.concatenate(outside)) if sides else np.arange(len(x))
    return points[kept if some is None else some[kept]]


_Side = tuple[tuple[float, float], tuple[float, float]]


def _sides_of(x: FloatArray, y: FloatArray) -> list[_Side]:
    """Where each side of a convex polygon begins, and the way along it: its corners are the outermost points in so many directions."""
    turn = np.arange(_WAYS) * (2 * np.pi / _WAYS)
    corner = [int((np.cos(t) * x + np.sin(t) * y).argmax()) for t in turn]
    sides = [(a, b) for a, b in zip(corner, [*corner[1:], corner[0]], strict=True) if a != b]
    return [((float(x[a]), float(y[a])), (float(x[b] - x[a]), float(y[b] - y[a]))) for a, b in sides]


def _hair(x: FloatArray, y: FloatArray) -> float:
    return 1e-9 * (float(np.ptp(x)) + float(np.ptp(y)))


def _in_cells(x: FloatArray, y: FloatArray, sides: list[_Side]) -> BoolArray:
    """(k,) points in cells of a square grid that lie well within a polygon, each whole; most of those that do."""
    low, step = (float(x.min()), float(y.min())), max(float(np.ptp(x)), float(np.ptp(y)), 1e-300) / _CELLS
    lines = step * np.arange(_CELLS + 2)
    inside = np.ones((_CELLS + 2, _CELLS + 2), dtype=bool)
    hair = 2 * _hair(x, y)
    for at, onward in sides:
        beyond = onward[0] * (low[1] - at[1] + lines)[None, :] - onward[1] * (low[0] - at[0] + lines)[:, None]
        inside &= beyond > hair * float(np.hypot(*onward))
    whole = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    if not sides:
        whole[:] = False
    cell = ((x - low[0]) / step).astype(np.int64)
    cell *= _CELLS + 1
    cell += ((y - low[1]) / step).astype(np.int64)
    return np.asarray(np.take(whole.reshape(-1), cell))


def lies(hull: FloatArray, bed: tuple[float, float]) -> tuple[Lie, Lie | None]:
    """The turn at which a footprint lies best on a bed (the least overhang), and the least turn at which it fits, if any.

    Between two turns at which a side of the outline lies along the bed the width and the depth are each a single cosine, so
    their larger overhang is least at an end of the interval or where the two are equal; the fitting turns begin and end
    where one of them equals the bed. All these turns are tried: nothing is sampled.
    """
    corners = hull - (hull.min(axis=0) + hull.max(axis=0)) / 2
    sides = np.roll(corners, -1, axis=0) - corners
    quarter = np.pi / 2
    ends = np.unique(np.concatenate(([0.0], -np.arctan2(sides[:, 1], sides[:, 0]) % quarter, [quarter])))
    ends = np.concatenate((ends[:-1], ends + quarter))
    middle = (ends[1:] + ends[:-1]) / 2
    across = _extreme(corners, sides, -middle)
    along = _extreme(corners, sides, quarter - middle)
    tries = [ends]
    # |d| cos(turn + angle of d) is the width on the interval; the depth likewise from its own pair of corners
    r_w, a_w = np.hypot(*across.T), np.arctan2(across[:, 1], across[:, 0])
    r_d, a_d = np.hypot(*along.T), np.arctan2(along[:, 1], along[:, 0]) - quarter
    inside = [_equal(r_w, a_w, bed[0], r_d, a_d, bed[1])]
    for r, a, room in ((r_w, a_w, bed[0]), (r_d, a_d, bed[1])):
        turn = np.arccos(np.clip(room / np.maximum(r, 1e-300), -1, 1))
        inside += [turn - a, -turn - a]
    for turns in inside:
        turns = (turns - ends[:-1]) % (2 * np.pi) + ends[:-1]
        tries.append(turns[turns <= ends[1:]])
    turns = np.unique(np.concatenate(tries) % np.pi)
    turns = np.where(turns > quarter, turns - np.pi, turns)
    width, depth = _sides(corners, sides, turns)
    over = np.maximum(width - bed[0], depth - bed[1])

    def lie(k: int) -> Lie:
        return Lie(float(np.degrees(turns[k])), float(width[k]), float(depth[k]), float(over[k]))

    least = over.min()
    order = np.argsort(np.abs(turns), kind="stable")
    best = next(k for k in order if over[k] <= least + 1e-9 * (1 + abs(least)))
    fits = [k for k in order if over[k] <= 1e-9 * (1 + max(bed))]
    return lie(int(best)), (lie(int(fits[0])) if fits else None)


def _equal(r_w: FloatArray, a_w: FloatArray, bed_w: float, r_d: FloatArray, a_d: FloatArray, bed_d: float) -> FloatArray:
    """A turn t with r_w cos(t + a_w) - bed_w = r_d cos(t + a_d) - bed_d, both solutions, (2, k)."""
    c = r_w * np.cos(a_w) - r_d * np.cos(a_d)
    s = -r_w * np.sin(a_w) + r_d * np.sin(a_d)
    size, phase = np.hypot(c, s), np.arctan2(s, c)
    turn = np.arccos(np.clip((bed_w - bed_d) / np.maximum(size, 1e-300), -1, 1))
    both: FloatArray = np.stack((phase + turn, phase - turn))
    return both


def _extreme(corners: FloatArray, sides: FloatArray, angle: FloatArray) -> FloatArray:
    """For each direction (radians) the corner farthest along it less the corner farthest against it, (k, 2)."""
    if len(corners) < 3:
        one = corners[-1] - corners[0]
        sign = np.sign(np.cos(angle) * one[0] + np.sin(angle) * one[1])
        return np.asarray(one[None] * np.where(sign == 0, 1.0, sign)[:, None])
    outward = (np.arctan2(sides[:, 1], sides[:, 0]) - np.pi / 2) % (2 * np.pi)
    order = np.argsort(outward)

    def farthest(a: FloatArray) -> FloatArray:
        at = np.searchsorted(outward[order], a % (2 * np.pi)) % len(order)
        found: FloatArray = corners[order[at]]
        return found

    apart: FloatArray = farthest(angle) - farthest(angle + np.pi)
    return apart


def _sides(corners: FloatArray, sides: FloatArray, turns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Width and depth of the outline at each turn."""
    c, s = np.cos(turns), np.sin(turns)
    across = _extreme(corners, sides, -turns)
    along = _extreme(corners, sides, np.pi / 2 - turns)
    return across[:, 0] * c - across[:, 1] * s, along[:, 0] * s + along[:, 1] * c
