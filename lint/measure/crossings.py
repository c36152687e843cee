"""Skin through skin: faces that pass through other faces, or lie on them, and how deep.

Everything is computed in 64 bits and without random choice. Two faces that only touch, or that meet in the point or the
edge they share, have depth 0 and are no crossing, unless they touch along an edge at which the skin goes on through.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.boxes import along_curve, morton
from lint.measure.edges import Edges
from lint.measure.shells import Shells
from lint.measure.surface import Extent, Faces, Skin, longest_squares
from lint.measure.through_edges import passing
from lint.measure.vectors import Three, columns, cross, dot, length, minus, picked
from lint.terms import BoolArray, FloatArray, IntArray, Part

# A crossing shallower than this is rounding: a 32-bit file at one metre resolves 6e-5 mm, and two corners are off at once.
DEPTH_MM = 1e-3
# Where nobody said the units, the same as a share of the diagonal (1e-3 mm on a 200 mm part).
DEPTH_SHARE = 5e-6
# Two faces lie on each other only when their planes agree to half a degree.
FLAT = float(np.cos(np.radians(0.5)))


@dataclass(frozen=True)
class Crossings:
    """Pairs of faces that cross or lie on each other deeper than `tolerance` (mm, or the file's unit when none is known).

    pairs: (k, 2) face numbers, one row a crossing: two faces that cross along several edges have several;
    beside: (k, 2) for each of a pair the face across the edge along which it crosses, or itself where it crosses along none;
    flat: (k,) whether the two lie on each other in one plane;
    within: (k,) whether both belong to one shell; depth: (k,) the least move, mm, that would part them;
    amount: (k,) the length of the crossing, mm, or for flat pairs the shared area, mm2;
    start, end: (k, 3) the ends of the crossing line, for flat pairs the corners of the box round the shared area.
    """

    pairs: IntArray
    beside: IntArray
    flat: BoolArray
    within: BoolArray
    depth: FloatArray
    amount: FloatArray
    start: FloatArray
    end: FloatArray
    tolerance: float


@measure
def crossings(
    part: Part, skin: Skin, edges: Edges, facets: Faces, shells: Shells, extent: Extent, pinched: IntArray, tree: loops.Tree | None
) -> Crossings:
    """Every pair of faces whose insides overlap, found by a tree of boxes and settled by separating axes.

    Two triangles are apart, or only touch, exactly when their shadows do on one of eleven axes: the two normals and the nine
    cross products of their sides (separating axis theorem; S. Gottschalk, M. C. Lin, D. Manocha, OBBTree, SIGGRAPH 1996);
    in one plane the six normals of the sides decide. The least overlap of the shadows is the depth. It holds for faces
    that share a point as well, because there a touching pair has overlap 0 on one of these axes.
    """
    tolerance = tolerance_for(extent.diagonal, part.units is not None)
    return crossings_deeper(tolerance, skin, edges, facets, shells, extent, pinched, tree)


def tolerance_for(diagonal: float, in_mm: bool) -> float:
    """The depth below which a crossing is taken for rounding, in a part of this diagonal."""
    return max(DEPTH_SHARE * diagonal, DEPTH_MM if in_mm else 0.0)


def crossings_deeper(
    tolerance: float, skin: Skin, edges: Edges, facets: Faces, shells: Shells, extent: Extent, pinched: IntArray,
    tree: loops.Tree | None = None,
) -> Crossings:
    """The crossings of a skin deeper than a given tolerance; for a piece of a part, judged by the size of the whole."""
    points = skin.vertices - extent.low
    plain = _plain_points(skin, edges, facets, points, pinched)
    found: list[tuple[IntArray, IntArray, FloatArray, BoolArray]] = []  # pairs, beside, depth, flat
    touching: list[tuple[IntArray, IntArray]] = []
    many = _pairs(skin, facets, points, plain, tolerance) if tree is None else _by_tree(tree, skin, facets, points, plain, tolerance)
    for crossing, flat, on_one, on_two in many:
        touching += [(on_one[:, 1], on_one[:, 0]), (on_two[:, 0], on_two[:, 1])]
        for chosen, is_flat in ((crossing, False), (flat, True)):
            if not len(chosen):
                continue
            a, b = chosen.T
            one, two = points[skin.faces[a]], points[skin.faces[b]]
            depth = (_flat_depth if is_flat else _depth)(one, two, facets.normal[a], facets.normal[b], tolerance)
            deep = depth > tolerance
            if deep.any():
                found.append((chosen[deep], chosen[deep], depth[deep], np.full(int(deep.sum()), is_flat)))
    seams = np.zeros((0, 2, 3))
    if sum(len(owner) for owner, _ in touching):
        owner, face = np.concatenate([t[0] for t in touching]), np.concatenate([t[1] for t in touching])
        pairs, beside, depth, seams = passing(points, skin.faces, facets.normal, edges, owner, face, tolerance)
        found.append((pairs, beside, depth, np.zeros(len(pairs), dtype=bool)))
    if not sum(len(f[0]) for f in found):
        none, nowhere, no = np.zeros(0), np.zeros((0, 3)), np.zeros(0, dtype=bool)
        nobody = np.zeros((0, 2), dtype=np.int64)
        return Crossings(nobody, nobody, no, no, none, none, nowhere, nowhere, tolerance)
    pairs, beside = np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])
    depth = np.concatenate([f[2] for f in found])
    lying = np.concatenate([f[3] for f in found])
    known = np.full((len(pairs), 2, 3), np.nan)
    if len(seams):
        known[-len(seams) :] = seams
    return _with_places(skin, facets, shells, points, extent.low, pairs, beside, depth, lying, known, tolerance)


_Four = tuple[IntArray, IntArray, IntArray, IntArray]


def _by_tree(
    tree: loops.Tree, skin: Skin, facets: Faces, points: FloatArray, plain: BoolArray, tolerance: float
) -> Iterator[_Four]:
    """What `_pairs` yields, all at once, by the compiled loops."""
    simple = np.asarray(np.take(plain, skin.faces).all(axis=1))
    across, lying, on_one, on_two = tree.pairs(facets.normal, _usable(skin, facets, points), simple, tolerance, FLAT)
    yield across, lying, on_one, on_two


def _pairs(skin: Skin, facets: Faces, points: FloatArray, plain: BoolArray, tolerance: float) -> Iterator[_Four]:
    """Pairs (k, 2) of face numbers, in chunks of four kinds, whichever of the two comes first: see `_by_planes`."""
    faces = _along_curve(skin, facets, points, plain)
    grown = tolerance / 2  # skins that lie on each other may be apart by their rounding
    low, high = faces.boxes(grown)
    for i, j in along_curve(low, high):
        i, j = _worth_a_look(faces, i, j)
        across, lying, on_one, on_two = (
            np.stack((faces.number[i[some]], faces.number[j[some]]), axis=1) for some in _by_planes(faces, i, j, tolerance)
        )
        yield across, lying, on_one, on_two


def _usable(skin: Skin, facets: Faces, points: FloatArray) -> BoolArray:
    """(m,) faces that are not as good as a line."""
    return np.asarray(facets.area > 1e-12 * longest_squares(points, skin.faces))


@dataclass(frozen=True)
class _Sorted:
    """Faces of some area in the order of a Morton curve, a coordinate at a time, so that what lies together is in the cache together.

    number: (k,) of each face; corner: (3, k) skin points; at: its three corners, about the low corner of the part; normal; offset: (k,)
    of its plane along the normal; simple: (k,) whether all its corners are plain.
    """

    number: IntArray
    corner: list[IntArray]
    at: list[Three]
    normal: Three
    offset: FloatArray
    simple: BoolArray

    def boxes(self, grown: float) -> tuple[Three, Three]:
        """Low and high corners of their boxes, grown on every side."""
        a, b, c = self.at
        low, high = (
            [end(end(a[k], b[k]), c[k]) + by for k in range(3)] for end, by in ((np.minimum, -grown), (np.maximum, grown))
        )
        return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def _along_curve(skin: Skin, facets: Faces, points: FloatArray, plain: BoolArray) -> _Sorted:
    point = columns(points)
    corner = [np.ascontiguousarray(skin.faces[:, k]) for k in range(3)]
    at = [picked(point, of) for of in corner]
    usable = np.flatnonzero(_usable(skin, facets, points))
    if not len(usable):
        none = np.zeros(0)
        return _Sorted(usable, [usable] * 3, [(none, none, none)] * 3, (none, none, none), none, none > 0)
    middle = [(np.minimum.reduce(along) + np.maximum.reduce(along))[usable] / 2 for along in zip(*at, strict=True)]
    order = usable[np.argsort(morton(np.stack(middle, axis=1)))]
    corner = [np.take(of, order) for of in corner]
    at = [picked(point, of) for of in corner]
    normal = picked(columns(facets.normal), order)
    simple = np.take(plain, corner[0]) & np.take(plain, corner[1]) & np.take(plain, corner[2])
    return _Sorted(order, corner, at, normal, dot(normal, at[0]), simple)


def _plain_points(skin: Skin, edges: Edges, facets: Faces, points: FloatArray, pinched: IntArray) -> BoolArray:
    """(n,) points whose faces, seen along one direction, lie side by side round the point: none of them can cross another.

    True when they form one fan, all face the viewer, and their angles as seen do not add up to more than a full turn.
    """
    if loops.there():
        plain = loops.plain_fans(points, skin.faces, facets.normal, _closed(edges, len(points)))
    else:
        plain = _fans_plain(skin, facets, points)
    plain[pinched] = False
    plain[edges.ends[edges.crowded].reshape(-1)] = False
    return plain


def _closed(edges: Edges, count: int) -> BoolArray:
    """(n,) points at which every edge has two faces that agree."""
    closed = np.ones(count, dtype=bool)
    closed[edges.ends[edges.count != 2].reshape(-1)] = False
    closed[edges.ends[edges.neighbour_edge[~edges.agree]].reshape(-1)] = False
    return closed


def _fans_plain(skin: Skin, facets: Faces, points: FloatArray) -> BoolArray:
    """(n,) points whose faces, seen along their mean normal, all face the viewer and take up a full turn at most."""
    count = len(skin.vertices)
    normal, point = columns(facets.normal), columns(points)
    corner = [np.ascontiguousarray(skin.faces[:, k]) for k in range(3)]
    sums = [sum(np.bincount(of, weights=normal[axis], minlength=count) for of in corner) for axis in range(3)]
    view: Three = (np.asarray(sums[0]), np.asarray(sums[1]), np.asarray(sums[2]))
    long = np.maximum(length(view), 1e-300)
    view = (view[0] / long, view[1] / long, view[2] / long)
    angle = np.zeros(count)
    plain = np.ones(count, dtype=bool)
    for k in range(3):
        seen, here = picked(view, corner[k]), picked(point, corner[k])
        ahead, back = (minus(picked(point, corner[other]), here) for other in (k - 2, k - 1))
        plain[corner[k][dot(normal, seen) < 0.05]] = False
        up, down = dot(ahead, seen), dot(back, seen)
        ahead = (ahead[0] - up * seen[0], ahead[1] - up * seen[1], ahead[2] - up * seen[2])
        back = (back[0] - down * seen[0], back[1] - down * seen[1], back[2] - down * seen[2])
        turn = np.arctan2(dot(cross(ahead, back), seen), dot(ahead, back))
        angle += np.bincount(corner[k], weights=np.abs(turn), minlength=count)
    return np.asarray(plain & (angle < 2 * np.pi + 1e-6))


def _worth_a_look(faces: _Sorted, i: IntArray, j: IntArray) -> tuple[IntArray, IntArray]:
    """Leave out pairs that cannot cross: the same face twice, neighbours not folded flat, faces side by side round a plain point."""
    one, two = ([np.take(of, some) for of in faces.corner] for some in (i, j))
    shared = np.zeros(len(i), dtype=np.int8)
    for a in one:
        for b in two:
            shared += a == b
    keep = (shared == 0) | ((shared == 1) & ~(np.take(faces.simple, i) | np.take(faces.simple, j)))
    fold = np.flatnonzero(shared == 2)
    keep[fold] = np.abs(dot(picked(faces.normal, i[fold]), picked(faces.normal, j[fold]))) > FLAT
    kept = np.flatnonzero(keep)
    return np.take(i, kept), np.take(j, kept)


def _by_planes(faces: _Sorted, i: IntArray, j: IntArray, tolerance: float) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Pairs where each face reaches through the plane of the other; pairs that lie in one plane; and, where each comes as far as the
    plane of the other, pairs where an edge of j lies in the plane of i, and where an edge of i lies in that of j."""
    high, low, on_edge = _heights(faces, i, j, tolerance)
    maybe = np.flatnonzero((high >= -tolerance) & (low <= tolerance))
    i, j, high, low, on_edge = i[maybe], j[maybe], high[maybe], low[maybe], on_edge[maybe]
    other_high, other_low, other_edge = _heights(faces, j, i, tolerance)
    met = (other_high >= -tolerance) & (other_low <= tolerance)
    through = (high > tolerance) & (low < -tolerance) & (other_high > tolerance) & (other_low < -tolerance)
    lying = (np.maximum(high, -low) <= tolerance) & (np.maximum(other_high, -other_low) <= tolerance)
    some = np.flatnonzero(lying)
    lying[some] = np.abs(dot(picked(faces.normal, i[some]), picked(faces.normal, j[some]))) > FLAT
    return maybe[through], maybe[lying], maybe[met & on_edge], maybe[met & other_edge]


def _heights(faces: _Sorted, i: IntArray, j: IntArray, tolerance: float) -> tuple[FloatArray, FloatArray, BoolArray]:
    """(k,) the greatest and the least height of the corners of face j over the plane of face i, and whether two of the three lie in
    that plane and the third does not."""
    normal, offset = picked(faces.normal, i), np.take(faces.offset, i)
    a, b, c = (dot(normal, picked(at, j)) - offset for at in faces.at)
    level = (np.abs(a) <= tolerance).astype(np.int8) + (np.abs(b) <= tolerance) + (np.abs(c) <= tolerance)
    return np.maximum(np.maximum(a, b), c), np.minimum(np.minimum(a, b), c), level == 2


def _shadow_overlap(one: FloatArray, two: FloatArray, axis: FloatArray) -> FloatArray:
    """(k,) how far two triangles (k, 3, 3) would have to move along unit axes (k, 3) to part; negative when they are apart."""
    a, b = np.einsum("kij,kj->ki", one, axis), np.einsum("kij,kj->ki", two, axis)
    least: FloatArray = np.minimum(a.max(axis=1) - b.min(axis=1), b.max(axis=1) - a.min(axis=1))
    return least


def _least_overlap(depth: FloatArray, one: FloatArray, two: FloatArray, axis: FloatArray, good: BoolArray, tolerance: float) -> None:
    """Lower depths (k,), in place, to the shadow overlap on unit axes (k, 3) that are good and of pairs not found shallow before."""
    some = np.flatnonzero(good & (depth > tolerance))
    if len(some):
        depth[some] = np.minimum(depth[some], _shadow_overlap(one[some], two[some], axis[some]))


def _depth(one: FloatArray, two: FloatArray, normal_one: FloatArray, normal_two: FloatArray, tolerance: float) -> FloatArray:
    """(k,) depth of crossing of triangle pairs (k, 3, 3): the least shadow overlap on the eleven axes.

    Of a pair found shallower than the tolerance on one axis the others are not asked.
    """
    depth = np.minimum(_shadow_overlap(one, two, normal_one), _shadow_overlap(one, two, normal_two))
    sides_one, sides_two = one[:, [1, 2, 0]] - one, two[:, [1, 2, 0]] - two
    for a in range(3):
        for b in range(3):
            axis = np.cross(sides_one[:, a], sides_two[:, b])
            long = np.linalg.norm(axis, axis=1)
            scale = np.linalg.norm(sides_one[:, a], axis=1) * np.linalg.norm(sides_two[:, b], axis=1)
            good = long > 1e-9 * scale  # parallel sides give no axis
            _least_overlap(depth, one, two, axis / np.maximum(long, 1e-300)[:, None], good, tolerance)
    return depth


def _flat_depth(one: FloatArray, two: FloatArray, normal_one: FloatArray, normal_two: FloatArray, tolerance: float) -> FloatArray:
    """(k,) depth of overlap, within their plane, of triangle pairs that lie on each other: the six side normals decide. See `_depth`."""
    depth = np.full(len(one), np.inf)
    for triangle, normal in ((one, normal_one), (two, normal_two)):
        for a in range(3):
            some = np.flatnonzero(depth > tolerance)
            axis = np.cross(normal[some], triangle[some, (a + 1) % 3] - triangle[some, a])
            axis /= np.maximum(np.linalg.norm(axis, axis=1), 1e-300)[:, None]
            depth[some] = np.minimum(depth[some], _shadow_overlap(one[some], two[some], axis))
    return depth


def _with_places(
    skin: Skin, facets: Faces, shells: Shells, points: FloatArray, origin: FloatArray,
    pairs: IntArray, beside: IntArray, depth: FloatArray, flat: BoolArray, known: FloatArray, tolerance: float,
) -> Crossings:  # fmt: skip
    swap = (pairs[:, 0] > pairs[:, 1])[:, None]
    pairs, beside = np.where(swap, pairs[:, ::-1], pairs), np.where(swap, beside[:, ::-1], beside)
    order = np.lexsort((flat, pairs[:, 0] * len(skin.faces) + pairs[:, 1]))  # a pair may both cross along an edge and lie on each other
    pairs, beside, depth, flat, known = pairs[order], beside[order], depth[order], flat[order], known[order]
    one, two = points[skin.faces[pairs[:, 0]]], points[skin.faces[pairs[:, 1]]]
    normal_one, normal_two = facets.normal[pairs[:, 0]], facets.normal[pairs[:, 1]]
    start, end, amount = np.zeros((len(pairs), 3)), np.zeros((len(pairs), 3)), np.zeros(len(pairs))
    deep = ~flat
    start[deep], end[deep] = seam(one[deep], two[deep], normal_one[deep], normal_two[deep])
    along_edge = np.isfinite(known[:, 0, 0])
    start[along_edge], end[along_edge] = known[along_edge, 0], known[along_edge, 1]
    amount[deep] = np.linalg.norm(end[deep] - start[deep], axis=1)
    start[flat], end[flat], amount[flat] = shared_area(one[flat], two[flat], normal_one[flat])
    within = shells.label[pairs[:, 0]] == shells.label[pairs[:, 1]]
    return Crossings(pairs, beside, flat, within, depth, amount, start + origin, end + origin, tolerance)


def seam(one: FloatArray, two: FloatArray, normal_one: FloatArray, normal_two: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The two ends, (k, 3) each, of the line along which triangle pairs (k, 3, 3) cross. They must cross."""
    along = np.cross(normal_one, normal_two)
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    ends_one = _cut(one, two[:, 0], normal_two, along)
    ends_two = _cut(two, one[:, 0], normal_one, along)
    t_one, t_two = (np.einsum("kij,kj->ki", ends, along) for ends in (ends_one, ends_two))
    later = np.where((t_one[:, 0] >= t_two[:, 0])[:, None], ends_one[:, 0], ends_two[:, 0])
    sooner = np.where((t_one[:, 1] <= t_two[:, 1])[:, None], ends_one[:, 1], ends_two[:, 1])
    return later, sooner


def _cut(triangle: FloatArray, on_plane: FloatArray, normal: FloatArray, along: FloatArray) -> FloatArray:
    """(k, 2, 3) where triangles (k, 3, 3) meet planes, in order along the given directions."""
    height = np.einsum("kij,kj->ki", triangle - on_plane[:, None], normal)
    low, high = np.full(len(triangle), np.inf), np.full(len(triangle), -np.inf)
    ends = np.zeros((len(triangle), 2, 3))
    for a in range(3):
        b = (a + 1) % 3
        gap = height[:, a] - height[:, b]
        through = (height[:, a] * height[:, b] <= 0) & (gap != 0)
        share = np.where(through, height[:, a] / np.where(gap == 0, 1.0, gap), 0.0)
        spot = triangle[:, a] + share[:, None] * (triangle[:, b] - triangle[:, a])
        t = np.einsum("ij,ij->i", spot, along)
        less, more = through & (t < low), through & (t > high)
        low[less], ends[less, 0] = t[less], spot[less]
        high[more], ends[more, 1] = t[more], spot[more]
    return ends


def shared_area(one: FloatArray, two: FloatArray, normal: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Low corner, high corner (k, 3) and area (k,) of what triangle pairs (k, 3, 3) lying in one plane share.

    The outline is each triangle's sides cut to the other triangle; its area by Green's theorem.
    """
    two = np.where((np.einsum("ij,ij->i", np.cross(two[:, 1] - two[:, 0], two[:, 2] - two[:, 0]), normal) < 0)[:, None, None],
                   two[:, ::-1], two)  # fmt: skip
    origin = one[:, 0]
    area = np.zeros(len(one))
    low, high = np.full((len(one), 3), np.inf), np.full((len(one), 3), -np.inf)
    for triangle, other, own in ((one, two, True), (two, one, False)):
        for a in range(3):
            start, end = triangle[:, a], triangle[:, (a + 1) % 3]
            enter, leave = np.zeros(len(one)), np.ones(len(one))
            for b in range(3):
                inward = np.cross(normal, other[:, (b + 1) % 3] - other[:, b])
                at, to = (np.einsum("ij,ij->i", p - other[:, b], inward) for p in (start, end))
                reach = np.abs(np.einsum("ij,ij->i", inward, inward))
                along = (np.abs(at) <= 1e-9 * reach) & (np.abs(to) <= 1e-9 * reach)  # a side on a side counts once
                gap = np.where(at == to, 1.0, at - to)
                cut = at / gap
                enter = np.where(~along & (to > at), np.maximum(enter, cut), enter)
                leave = np.where(~along & (to < at), np.minimum(leave, cut), leave)
                outside = np.where(along, not own, (at == to) & (at < 0))
                leave = np.where(outside, -1.0, leave)
            inside = leave > enter
            p, q = (start + share[:, None] * (end - start) for share in (enter, leave))
            area += np.where(inside, np.einsum("ij,ij->i", np.cross(p - origin, q - origin), normal) / 2, 0.0)
            for spot in (p, q):
                low[inside] = np.minimum(low[inside], spot[inside])
                high[inside] = np.maximum(high[inside], spot[inside])
    lost = ~np.isfinite(low).all(axis=1)
    low[lost] = high[lost] = (one[lost].mean(axis=1) + two[lost].mean(axis=1)) / 2
    return low, high, np.maximum(area, 0.0)
