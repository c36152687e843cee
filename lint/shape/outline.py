"""Outlines in the plane: do they cross themselves, smoothing where they do, widening, hull and how far they hold a weight.

An outline set is points (n, 2) mm and edges (k, 2) into them, so that several closed outlines are judged together.
"""

from __future__ import annotations

import numpy as np

from lint.terms import BoolArray, FloatArray, IntArray

# Two edges at one point that fold back by less than this are taken as lying on each other.
FOLD_DEGREES = 1.0
# A corner of 30 degrees loses 2.4 r2 when it is rounded with radius r (computed); a thinner spike loses more.
CORNER = 3.0


def ring(count: int, offset: int = 0) -> IntArray:
    """The edges of one closed outline of `count` points numbered from `offset`: (count, 2)."""
    here = np.arange(count, dtype=np.int64)
    return np.stack((here, (here + 1) % count), axis=1) + offset


def tangled(points: FloatArray, edges: IntArray) -> BoolArray:
    """Which edges (k,) cross or touch another edge, fold back on their neighbour or have no length.

    Edges are paired by a sweep along x, so the cost follows the number of pairs that overlap in x.
    """
    a, b = points[edges[:, 0]], points[edges[:, 1]]
    bad = _folded(points, edges)
    low, high = np.minimum(a, b), np.maximum(a, b)
    order = np.argsort(low[:, 0], kind="stable")
    start = low[order, 0]
    last = np.searchsorted(start, high[order, 0], side="right")
    reach = last - np.arange(len(order)) - 1
    block = max(int(2e6 // max(int(reach.max(initial=1)), 1)), 1)
    for begin in range(0, len(order), block):
        rows = np.arange(begin, min(begin + block, len(order)))
        one = np.repeat(rows, reach[rows])
        two = one + 1 + np.arange(len(one)) - np.repeat(np.cumsum(reach[rows]) - reach[rows], reach[rows])
        i, j = order[one], order[two]
        keep = (low[i, 1] <= high[j, 1]) & (low[j, 1] <= high[i, 1])
        i, j = i[keep], j[keep]
        apart = (edges[i][:, :, None] != edges[j][:, None, :]).all(axis=(1, 2))
        i, j = i[apart], j[apart]
        hit = _crossed(a[i], b[i], a[j], b[j])
        bad[i[hit]] = True
        bad[j[hit]] = True
    return bad


def _crossed(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> BoolArray:
    """Whether segments ab and cd (k, 2) meet; touching counts, and so does a gap that rounding cannot tell from none."""
    size = np.maximum(np.abs(b - a).sum(axis=1), np.abs(d - c).sum(axis=1))
    slack = 1e-9 * size * size
    one, two = _turn(a, b, c), _turn(a, b, d)
    three, four = _turn(c, d, a), _turn(c, d, b)

    def split(x: FloatArray, y: FloatArray) -> BoolArray:
        return np.asarray(((x >= -slack) & (y <= slack)) | ((x <= slack) & (y >= -slack)))

    met: BoolArray = split(one, two) & split(three, four)
    return met


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    result: FloatArray = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    return result


def _folded(points: FloatArray, edges: IntArray) -> BoolArray:
    """Edges without length, and pairs of following edges that double back on each other."""
    along = points[edges[:, 1]] - points[edges[:, 0]]
    length = np.hypot(along[:, 0], along[:, 1])
    bad: BoolArray = np.asarray(length <= 1e-9 * max(float(length.max(initial=0.0)), 1e-9))
    starts = np.full(len(points), -1, dtype=np.int64)
    starts[edges[:, 0]] = np.arange(len(edges))
    following = starts[edges[:, 1]]
    has = following >= 0
    unit = along / np.maximum(length, 1e-300)[:, None]
    back = np.zeros(len(edges), dtype=bool)
    back[has] = np.einsum("ij,ij->i", unit[has], unit[following[has]]) < -np.cos(np.radians(FOLD_DEGREES))
    bad |= back
    bad[following[back]] = True
    return bad


def area(points: FloatArray) -> float:
    """Signed area of a closed outline (n, 2): positive when it runs counter-clockwise."""
    at = points - points[0]
    x, y = at[:, 0], at[:, 1]
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum() / 2)


def frayed(outlines: list[FloatArray], thin: float) -> bool:
    """Whether flat outlines (holes clockwise) have spikes or bays narrower than twice `thin` mm that hold more than a rounded corner."""
    from manifold3d import CrossSection, FillRule, JoinType

    around = JoinType.Round
    plan = CrossSection([np.ascontiguousarray(outline) for outline in outlines], FillRule.Positive)
    for radius in (thin, thin / 4):  # a fin may be too small to count at the one and too thin to print at the other
        spikes = plan - plan.offset(-radius, around, 2.0, 48).offset(radius * 1.01, around, 2.0, 48)
        bays = plan.offset(radius, around, 2.0, 48).offset(-radius * 1.01, around, 2.0, 48) - plan
        if any(abs(area(np.asarray(p))) > CORNER * radius * radius for p in (*spikes.to_polygons(), *bays.to_polygons())):
            return True
    return False


def moments(loops: list[FloatArray]) -> tuple[float, FloatArray]:
    """Area and centre of area (2,) of outlines with their holes (holes run clockwise)."""
    base = loops[0][0]
    total, first = 0.0, np.zeros(2)
    for loop in loops:
        p, q = loop - base, np.roll(loop, -1, axis=0) - base
        cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
        total += float(cross.sum() / 2)
        first += ((p + q) * cross[:, None]).sum(axis=0) / 6
    return total, base + first / total if total else base


def hull(points: FloatArray) -> FloatArray:
    """The convex hull of points (n, 2), counter-clockwise. Raises ValueError when they lie in a line."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except QhullError as error:
        raise ValueError("the points lie in a line") from error


def widened(loops: list[FloatArray], margin: float, corner: float) -> FloatArray:
    """One counter-clockwise outline around all `loops`, at least `margin` mm outside them, (k, 2).

    Bays are bridged as if a disc of half the part's size rolled around it, so that a ragged rim still has a clean land.
    corner: they are rounded with at least that radius. Outlines that stay apart share their hull.
    """
    from manifold3d import CrossSection, FillRule, JoinType

    size = float(max(np.ptp(np.vstack(loops), axis=0)))
    solid = CrossSection([np.ascontiguousarray(loop) for loop in loops if area(loop) > 0], FillRule.Positive)
    bridge = margin + corner + size / 2
    # Round both ways: going back in with sharp joints would cut past the disc where two bays meet, and into the margin.
    around, segments = JoinType.Round, 128
    spare = max(1e-4 * size, 0.02)  # what is let go of below, and the flats of the discs
    wide = margin + spare + 2 * (margin + bridge) * (1 - np.cos(np.pi / segments))
    grown = solid.offset(wide + bridge, around, 2.0, segments).offset(-bridge, around, 2.0, segments)
    if grown.num_contour() != 1:
        outer = [np.asarray(p) for p in grown.to_polygons() if area(np.asarray(p)) > 0]
        if len(outer) != 1:
            grown = CrossSection([hull(np.vstack(outer))], FillRule.Positive)
        else:
            grown = CrossSection([outer[0]], FillRule.Positive)
    simple = grown.simplify(spare)
    outline = np.asarray(max(simple.to_polygons(), key=lambda p: area(np.asarray(p))), dtype=np.float64)
    return from_lowest(outline)


def from_lowest(outline: FloatArray) -> FloatArray:
    """The same outline begun at its lowest point, so that the same shape gives the same bytes."""
    first = int(np.lexsort((outline[:, 1], outline[:, 0]))[0])
    return np.roll(outline, -first, axis=0)


def even_steps(outline: FloatArray, step: float) -> FloatArray:
    """The same closed outline with its points about `step` mm apart and its first one at its lowest place: (k, 2), eight at least."""
    outline = from_lowest(outline)
    closed = np.vstack((outline, outline[:1]))
    along = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))))
    count = max(int(np.ceil(along[-1] / step)), 8)
    at = np.linspace(0, along[-1], count, endpoint=False)
    return np.stack([np.interp(at, along, closed[:, k]) for k in range(2)], axis=1)


def tip_angle(outline: FloatArray, centre: FloatArray) -> float:
    """Degrees a body standing on the hull of `outline` (n, 2) may be leaned before it falls; centre of mass (3,), height over it.

    Statics: atan(d / z) with d the distance from the centre to the nearest hull edge (facts 1.4.5). Negative: it falls by itself.
    """
    corners = hull(outline)
    along = np.roll(corners, -1, axis=0) - corners
    length = np.hypot(along[:, 0], along[:, 1])
    to = centre[:2] - corners
    inside = (along[:, 0] * to[:, 1] - along[:, 1] * to[:, 0]) / np.maximum(length, 1e-300)
    return float(np.degrees(np.arctan2(inside.min(), max(float(centre[2]), 1e-9))))


def inside(point: FloatArray, outline: FloatArray) -> bool:
    """Whether a point (2,) lies within a closed outline (n, 2), by the number of sides a ray along x crosses."""
    y = outline[:, 1] - point[1]
    next_y = np.roll(y, -1)
    crosses = (y > 0) != (next_y > 0)
    x = outline[crosses, 0]
    next_x = np.roll(outline[:, 0], -1)[crosses]
    at = x + (next_x - x) * y[crosses] / (y[crosses] - next_y[crosses])
    return int((at > point[0]).sum()) % 2 == 1
