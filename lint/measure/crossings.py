"""Skin through skin: faces that pass through other faces, or lie on them, and how deep.

Everything is computed in 64 bits and without random choice. Two faces that only touch, or that meet in the point or the
edge they share, have depth 0 and are no crossing, unless they touch along an edge at which the skin goes on through.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.boxes import overlapping
from lint.measure.edges import Edges
from lint.measure.shells import Shells
from lint.measure.surface import Extent, Faces, Skin
from lint.measure.through_edges import passing
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

    pairs: (k, 2) face numbers; flat: (k,) whether the two lie on each other in one plane;
    within: (k,) whether both belong to one shell; depth: (k,) the least move, mm, that would part them;
    amount: (k,) the length of the crossing, mm, or for flat pairs the shared area, mm2;
    start, end: (k, 3) the ends of the crossing line, for flat pairs the corners of the box round the shared area.
    """

    pairs: IntArray
    flat: BoolArray
    within: BoolArray
    depth: FloatArray
    amount: FloatArray
    start: FloatArray
    end: FloatArray
    tolerance: float


@measure
def crossings(part: Part, skin: Skin, edges: Edges, facets: Faces, shells: Shells, extent: Extent, pinched: IntArray) -> Crossings:
    """Every pair of faces whose insides overlap, found by a tree of boxes and settled by separating axes.

    Two triangles are apart, or only touch, exactly when their shadows do on one of eleven axes: the two normals and the nine
    cross products of their sides (separating axis theorem; S. Gottschalk, M. C. Lin, D. Manocha, OBBTree, SIGGRAPH 1996);
    in one plane the six normals of the sides decide. The least overlap of the shadows is the depth. It holds for faces
    that share a point as well, because there a touching pair has overlap 0 on one of these axes.
    """
    tolerance = tolerance_for(extent.diagonal, part.units is not None)
    return crossings_deeper(tolerance, skin, edges, facets, shells, extent, pinched)


def tolerance_for(diagonal: float, in_mm: bool) -> float:
    """The depth below which a crossing is taken for rounding, in a part of this diagonal."""
    return max(DEPTH_SHARE * diagonal, DEPTH_MM if in_mm else 0.0)


def crossings_deeper(
    tolerance: float, skin: Skin, edges: Edges, facets: Faces, shells: Shells, extent: Extent, pinched: IntArray
) -> Crossings:
    """The crossings of a skin deeper than a given tolerance; for a piece of a part, judged by the size of the whole."""
    points = skin.vertices - extent.low
    side = points[skin.faces[:, [1, 2, 0]]] - points[skin.faces]
    longest = np.einsum("ijk,ijk->ij", side, side).max(axis=1, initial=0.0)
    usable = np.flatnonzero(facets.area > 1e-12 * longest)
    corners = points[skin.faces]
    plain = _plain_points(skin, edges, facets, side, pinched)
    simple: BoolArray = np.asarray(plain[skin.faces].all(axis=1))
    found: list[tuple[IntArray, IntArray, FloatArray, BoolArray]] = []
    touching: list[tuple[IntArray, IntArray]] = []
    grown = tolerance / 2  # skins that lie on each other may be apart by their rounding
    for one, two in overlapping(corners[usable].min(axis=1) - grown, corners[usable].max(axis=1) + grown):
        i, j = usable[one], usable[two]
        i, j = _worth_a_look(skin.faces, facets.normal, simple, i, j)
        crossing, flat, on_one, on_two = _by_planes(corners, facets.normal, i, j, tolerance)
        touching += [(j[on_one], i[on_one]), (i[on_two], j[on_two])]
        for chosen, is_flat in ((crossing, False), (flat, True)):
            a, b = i[chosen], j[chosen]
            depth = (_flat_depth if is_flat else _depth)(corners[a], corners[b], facets.normal[a], facets.normal[b])
            deep = depth > tolerance
            if deep.any():
                found.append((a[deep], b[deep], depth[deep], np.full(int(deep.sum()), is_flat)))
    seams = np.zeros((0, 2, 3))
    if touching:
        owner, face = np.concatenate([t[0] for t in touching]), np.concatenate([t[1] for t in touching])
        a, b, depth, seams = passing(corners, facets.normal, edges, owner, face, tolerance)
        found.append((a, b, depth, np.zeros(len(a), dtype=bool)))
    if not sum(len(f[0]) for f in found):
        none, nowhere, no = np.zeros(0), np.zeros((0, 3)), np.zeros(0, dtype=bool)
        return Crossings(np.zeros((0, 2), dtype=np.int64), no, no, none, none, nowhere, nowhere, tolerance)
    i, j = np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found])
    depth = np.concatenate([f[2] for f in found])
    lying = np.concatenate([f[3] for f in found])
    known = np.full((len(i), 2, 3), np.nan)
    if len(seams):
        known[-len(seams) :] = seams
    return _with_places(skin, facets, shells, corners, extent.low, i, j, depth, lying, known, tolerance)


def _plain_points(skin: Skin, edges: Edges, facets: Faces, side: FloatArray, pinched: IntArray) -> BoolArray:
    """(n,) points whose faces, seen along one direction, lie side by side round the point: none of them can cross another.

    True when they form one fan, all face the viewer, and their angles as seen do not add up to more than a full turn.
    """
    faces, normal, count = skin.faces, facets.normal, len(skin.vertices)
    flat = faces.reshape(-1)
    sums = [np.bincount(flat, weights=np.repeat(normal[:, axis], 3), minlength=count) for axis in range(3)]
    view = np.stack(sums, axis=1).astype(np.float64)
    view = view / np.maximum(np.linalg.norm(view, axis=1), 1e-300)[:, None]
    angle = np.zeros(count)
    plain = np.ones(count, dtype=bool)
    for corner in range(3):
        at = faces[:, corner]
        ahead, back = side[:, corner], -side[:, (corner + 2) % 3]
        seen = view[at]
        plain[at[np.einsum("ij,ij->i", normal, seen) < 0.05]] = False
        ahead = ahead - np.einsum("ij,ij->i", ahead, seen)[:, None] * seen
        back = back - np.einsum("ij,ij->i", back, seen)[:, None] * seen
        turn = np.arctan2(np.einsum("ij,ij->i", np.cross(ahead, back), seen), np.einsum("ij,ij->i", ahead, back))
        angle += np.bincount(at, weights=np.abs(turn), minlength=count)
    plain &= angle < 2 * np.pi + 1e-6
    plain[pinched] = False
    plain[edges.ends[edges.crowded].reshape(-1)] = False
    return plain


def _worth_a_look(faces: IntArray, normal: FloatArray, simple: BoolArray, i: IntArray, j: IntArray) -> tuple[IntArray, IntArray]:
    """Leave out pairs that cannot cross: the same face twice, neighbours not folded flat, faces side by side round a plain point."""
    shared = np.zeros(len(i), dtype=np.int8)
    one, two = faces[i], faces[j]
    for a in range(3):
        for b in range(3):
            shared += one[:, a] == two[:, b]
    keep = (shared == 0) | ((shared == 1) & ~(simple[i] | simple[j]))
    fold = np.flatnonzero(shared == 2)
    keep[fold] = np.abs(np.einsum("ij,ij->i", normal[i[fold]], normal[j[fold]])) > FLAT
    return i[keep], j[keep]


def _by_planes(
    corners: FloatArray, normal: FloatArray, i: IntArray, j: IntArray, tolerance: float
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Pairs where each face reaches through the plane of the other; pairs that lie in one plane; pairs where an edge of j lies in
    the plane of i; and pairs where j reaches through the plane of i and has an edge of i in its own."""
    if not len(i):
        none = np.zeros(0, dtype=np.int64)
        return none, none, none, none
    above = _heights(corners, normal, i, j)
    on_one = np.flatnonzero(_by_an_edge(above, tolerance))
    high, low = above.max(axis=1), above.min(axis=1)
    maybe = np.flatnonzero(((high > tolerance) & (low < -tolerance)) | ((high <= tolerance) & (low >= -tolerance)))
    i, j, high, low = i[maybe], j[maybe], high[maybe], low[maybe]
    other = _heights(corners, normal, j, i)
    through = (high > tolerance) & (other.max(axis=1) > tolerance) & (other.min(axis=1) < -tolerance)
    lying = (high <= tolerance) & (np.abs(other).max(axis=1) <= tolerance)
    lying &= np.abs(np.einsum("ij,ij->i", normal[i], normal[j])) > FLAT
    on_two = (high > tolerance) & _by_an_edge(other, tolerance)
    return maybe[through], maybe[lying], on_one, maybe[on_two]


def _by_an_edge(height: FloatArray, tolerance: float) -> BoolArray:
    """(k,) whether two of three corners lie in a plane, and the third does not."""
    return np.asarray((np.abs(height) <= tolerance).sum(axis=1) == 2)


def _heights(corners: FloatArray, normal: FloatArray, i: IntArray, j: IntArray) -> FloatArray:
    """(k, 3) height of each corner of face j over the plane of face i."""
    heights: FloatArray = np.einsum("kij,kj->ki", corners[j] - corners[i, :1], normal[i])
    return heights


def _shadow_overlap(one: FloatArray, two: FloatArray, axis: FloatArray) -> FloatArray:
    """(k,) how far two triangles (k, 3, 3) would have to move along unit axes (k, 3) to part; negative when they are apart."""
    a, b = np.einsum("kij,kj->ki", one, axis), np.einsum("kij,kj->ki", two, axis)
    least: FloatArray = np.minimum(a.max(axis=1) - b.min(axis=1), b.max(axis=1) - a.min(axis=1))
    return least


def _depth(one: FloatArray, two: FloatArray, normal_one: FloatArray, normal_two: FloatArray) -> FloatArray:
    """(k,) depth of crossing of triangle pairs (k, 3, 3): the least shadow overlap on the eleven axes."""
    depth = np.minimum(_shadow_overlap(one, two, normal_one), _shadow_overlap(one, two, normal_two))
    sides_one, sides_two = one[:, [1, 2, 0]] - one, two[:, [1, 2, 0]] - two
    for a in range(3):
        for b in range(3):
            axis = np.cross(sides_one[:, a], sides_two[:, b])
            length = np.linalg.norm(axis, axis=1)
            scale = np.linalg.norm(sides_one[:, a], axis=1) * np.linalg.norm(sides_two[:, b], axis=1)
            good = length > 1e-9 * scale  # parallel sides give no axis
            depth[good] = np.minimum(depth[good], _shadow_overlap(one[good], two[good], axis[good] / length[good, None]))
    return depth


def _flat_depth(one: FloatArray, two: FloatArray, normal_one: FloatArray, normal_two: FloatArray) -> FloatArray:
    """(k,) depth of overlap, within their plane, of triangle pairs that lie on each other: the six side normals decide."""
    depth = np.full(len(one), np.inf)
    for triangle, normal in ((one, normal_one), (two, normal_two)):
        for a in range(3):
            axis = np.cross(normal, triangle[:, (a + 1) % 3] - triangle[:, a])
            length = np.linalg.norm(axis, axis=1)
            depth = np.minimum(depth, _shadow_overlap(one, two, axis / np.maximum(length, 1e-300)[:, None]))
    return depth


def _with_places(
    skin: Skin, facets: Faces, shells: Shells, corners: FloatArray, origin: FloatArray,
    i: IntArray, j: IntArray, depth: FloatArray, flat: BoolArray, known: FloatArray, tolerance: float,
) -> Crossings:  # fmt: skip
    pairs = np.stack((np.minimum(i, j), np.maximum(i, j)), axis=1)
    order = np.argsort(pairs[:, 0] * len(skin.faces) + pairs[:, 1])
    pairs, depth, flat, known = pairs[order], depth[order], flat[order], known[order]
    one, two = corners[pairs[:, 0]], corners[pairs[:, 1]]
    normal_one, normal_two = facets.normal[pairs[:, 0]], facets.normal[pairs[:, 1]]
    start, end, amount = np.zeros((len(pairs), 3)), np.zeros((len(pairs), 3)), np.zeros(len(pairs))
    deep = ~flat
    start[deep], end[deep] = seam(one[deep], two[deep], normal_one[deep], normal_two[deep])
    along_edge = np.isfinite(known[:, 0, 0])
    start[along_edge], end[along_edge] = known[along_edge, 0], known[along_edge, 1]
    amount[deep] = np.linalg.norm(end[deep] - start[deep], axis=1)
    start[flat], end[flat], amount[flat] = shared_area(one[flat], two[flat], normal_one[flat])
    within = shells.label[pairs[:, 0]] == shells.label[pairs[:, 1]]
    return Crossings(pairs, flat, within, depth, amount, start + origin, end + origin, tolerance)


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
