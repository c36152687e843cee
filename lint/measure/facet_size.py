"""How coarse and how fine the facets are: sag of flat facets on curved skin, and the length of edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Extent, Faces, Skin
from lint.measure.vectors import Three, columns, cross, dot, length, minus, picked, taken
from lint.terms import BoolArray, FloatArray, IntArray, Part

LEAST = 1e-5  # of the diagonal; less sag than this is none, so that finely drawn skin is passed over
LEAST_MM = 0.0125  # where the unit is known: half of what a nozzle of 0.1 mm, as fine as any, hides (common practice, no source)
FLAT = 0.1  # degrees; faces that bend less are one flat facet
LEVEL = 0.3  # degrees; a facet whose faces lean farther from their mean is a gentle curve drawn finely, and has no sag to speak of
SHARP = 40.0  # degrees; an edge that bends more is meant to be one
AT_ONCE = 100_000  # facets whose borders are gathered at a time
ALIKE = 5.0  # neighbouring bends and widths of one curve differ by no more than this factor
MOST_SIDES = 64  # a flat facet with more neighbours is a flat, not a facet of something round


@measure
def edge_lengths(skin: Skin, edges: Edges) -> FloatArray:
    """(e,) length of every edge, mm."""
    point = columns(skin.vertices)
    return length(minus(*(picked(point, np.ascontiguousarray(edges.ends[:, k])) for k in (0, 1))))


@dataclass(frozen=True)
class Bends:
    """The border between two flat facets, both ways about: facet here, facet across, bend in degrees (convex above zero),
    unit direction (k, 3) in the plane of the facet towards the other, distance (k,) between the middles along it, mm; back: (k,) the
    same border seen from the other side, -1 where it was left out."""

    here: IntArray
    across: IntArray
    bend: FloatArray
    direction: FloatArray
    distance: FloatArray
    back: IntArray


@measure
def sags(part: Part, skin: Skin, edges: Edges, facets: Faces, extent: Extent, longest: FloatArray) -> FloatArray:
    """(m,) how far the flat face stands off the round it stands for, mm; zero on flats and beside sharp edges.

    Faces that bend by less than a tenth of a degree are one facet. A border bends smoothly when it bends by less than 40 degrees, when
    beyond either facet a similar bend of the same sense follows, and when both facets are alike in width: three bends in a row are
    a curve, one is an edge. There the curvature is k = bend / distance between the facets' middles, and the sag of a facet that
    reaches R from its middle across the bend is k R^2 / 2, which for a chord L = 2 R is L^2 / (8 r) (facts 6.12). Linear time.
    """
    m = len(skin.faces)
    sag = np.zeros(m)
    least = max(LEAST * extent.diagonal, LEAST_MM if part.units is not None else 0.0)
    angle = _bend(facets, edges)
    turning = np.abs(angle)
    if not (np.radians(turning[turning < SHARP]).max(initial=0.0) * float(longest.max(initial=0.0)) / 4 > least):
        return sag
    facet, count = _flats(edges, turning, m)
    if loops.there() and m < 1 << 28:
        limits = (FLAT, SHARP, float(np.sin(np.radians(LEVEL))), ALIKE, least)
        return loops.sags(
            skin.vertices, skin.faces, facets.normal, facets.centre, facets.area, edges.ends, edges.neighbours, edges.neighbour_edge,
            angle, facet, edges.half_edge, count, limits,
        )  # fmt: skip
    return _sags(skin, edges, facets, angle, facet, count, least)


def _sags(skin: Skin, edges: Edges, facets: Faces, angle: FloatArray, facet: IntArray, count: int, least: float) -> FloatArray:
    """See `sags`: what is left to do when the bends at all edges and the flat facets, `count` of them, are known."""
    turning = np.abs(angle)
    weight = np.maximum(np.bincount(facet, weights=facets.area, minlength=count), 1e-300)
    moment = [np.bincount(facet, weights=facets.area * facets.centre[:, k], minlength=count) for k in range(3)]
    middle: FloatArray = np.stack([total / weight for total in moment], axis=1)
    del weight, moment
    level = _level(facets, facet, count)
    one, two = (np.take(facet, np.ascontiguousarray(edges.neighbours[:, k])) for k in (0, 1))
    smooth = np.flatnonzero((turning > FLAT) & (turning < SHARP) & (one != two))
    smooth = smooth[np.take(level, one[smooth]) & np.take(level, two[smooth])]
    one, two = one[smooth], two[smooth]
    may = _may_sag(skin, facet, middle, one, two, turning[smooth], least)
    some = np.flatnonzero(may[one] | may[two])
    may &= _lone_may_sag(skin, edges, facets, smooth[some], angle, facet, count, least)
    worst = np.zeros(count)
    asked = np.flatnonzero(may)
    for begin in range(0, len(asked), AT_ONCE):
        mine = np.zeros(count, dtype=bool)
        mine[asked[begin : begin + AT_ONCE]] = True
        some = np.flatnonzero(mine[one] | mine[two])
        likely = _likely(skin, _borders(skin, edges, facets, smooth[some], angle, facet, middle), mine, facet, middle, least)
        mine[:] = False
        mine[likely] = True
        wanted = mine.copy()  # and the facets beside, to see how they go on
        wanted[one[mine[two]]] = True
        wanted[two[mine[one]]] = True
        some = np.flatnonzero(wanted[one] | wanted[two])
        bends = _borders(skin, edges, facets, smooth[some], angle, facet, middle)
        if len(bends.here):
            bow = _bow(bends, _reach(skin, facet, middle, bends))
            bow[(bow < least) | ~mine[bends.here]] = 0.0
            np.maximum.at(worst, bends.here, bow)
    return worst[facet]


def _likely(skin: Skin, bends: Bends, mine: BoolArray, facet: IntArray, middle: FloatArray, least: float) -> IntArray:
    """Of facets that are `mine`, those that would sag by the least if their neighbours bent on beyond and were as small as may be."""
    own = np.flatnonzero(mine[bends.here])
    bends = Bends(bends.here[own], bends.across[own], bends.bend[own], bends.direction[own], bends.distance[own], own)
    if not len(own):
        return own
    some = _follows(bends)
    reach = _reach(skin, facet, middle, bends)
    apart = np.maximum(bends.distance, reach * (1 + 1 / ALIKE) / 2)
    some &= np.radians(np.abs(bends.bend)) / np.maximum(apart, 1e-300) * reach**2 / 2 >= least
    return np.asarray(bends.here[some])


def _bow(bends: Bends, reach: FloatArray) -> FloatArray:
    """(k,) the sag of the facet on this side of each border across it, mm; zero where the skin does not bend on beyond both facets."""
    follows, back = _follows(bends), bends.back
    good = follows & (back >= 0) & follows[back]
    good &= (reach < ALIKE * reach[back]) & (reach[back] < ALIKE * reach)
    apart = np.maximum(bends.distance, (reach + reach[back]) / 2)  # of two triangles of one ball half of that, of two strips all
    return np.where(good, np.radians(np.abs(bends.bend)) / np.maximum(apart, 1e-300) * reach**2 / 2, 0.0)


def _may_sag(
    skin: Skin, facet: IntArray, middle: FloatArray, one: IntArray, two: IntArray, turning: FloatArray, least: float
) -> BoolArray:
    """(count,) which facets may sag by the least, given the bends (k,), degrees, at edges between facets one and two.

    A facet reaching R at most from its middle sags k R^2 / 2; its neighbour reaches at least R / ALIKE, so the middles are taken to be
    (R + R / ALIKE) / 2 apart at least, and the sag is at most bend x R / (1 + 1 / ALIKE).
    """
    count = len(middle)
    most = np.zeros(count)
    for here in (one, two):
        np.maximum.at(most, here, turning)
    far = np.zeros(count)
    for begin in range(0, len(facet), AT_ONCE):
        own = facet[begin : begin + AT_ONCE]
        about = taken(middle, own)
        for corner in range(3):
            off = minus(taken(skin.vertices, skin.faces[begin : begin + AT_ONCE, corner]), about)
            np.maximum.at(far, own, dot(off, off))
    return np.asarray(np.radians(most) * np.sqrt(far) / (1 + 1 / ALIKE) >= least)


def _lone_may_sag(
    skin: Skin, edges: Edges, facets: Faces, smooth: IntArray, angle: FloatArray, facet: IntArray, count: int, least: float
) -> BoolArray:
    """(count,) which facets of one face may sag by the least, told more closely than by `_may_sag`; True for facets of several.

    A face of area A reaches 4 A / 3 L from its middle across a side of length L. Where the facet beyond is one face too, their distance
    is known. And the skin must bend the same way at another of its sides. smooth: (k,) edges, as in `neighbours`, all of any face asked.
    """
    lone = np.bincount(facet, minlength=count) == 1
    single = np.take(lone, facet)
    sides = np.zeros(2 * len(facet), dtype=np.int64)
    for k in (0, 1):
        sides += np.bincount(2 * edges.neighbours[smooth, k] + (angle[smooth] > 0), minlength=len(sides))
    may: BoolArray = ~lone
    for begin in range(0, len(smooth), AT_ONCE):
        some = smooth[begin : begin + AT_ONCE]
        one, two = (edges.neighbours[some, k] for k in (0, 1))
        start, end = (taken(skin.vertices, edges.ends[edges.neighbour_edge[some], k]) for k in (0, 1))
        along = minus(end, start)
        long = np.maximum(length(along), 1e-300)
        between = minus(taken(facets.centre, two), taken(facets.centre, one))
        apart = np.where(single[one] & single[two], length(cross(between, along)) / long, 0.0)
        bend, convex = np.radians(np.abs(angle[some])), angle[some] > 0
        for face in (one, two):
            reach = 4 / 3 * facets.area[face] / long
            bow = bend / np.maximum(np.maximum(apart, reach * (1 + 1 / ALIKE) / 2), 1e-300) * reach**2 / 2
            may[facet[face[(bow >= least * (1 - 1e-9)) & (sides[2 * face + convex] > 1)]]] = True
    return may


def _bend(facets: Faces, edges: Edges) -> FloatArray:
    """(k,) degrees between the two faces at each shared edge, above zero where the edge is convex; none where they disagree."""
    if loops.there():
        return loops.folds(facets.normal, facets.centre, edges.neighbours, edges.agree)
    one, two = (np.ascontiguousarray(edges.neighbours[:, k]) for k in (0, 1))
    normal, centre = columns(facets.normal), columns(facets.centre)
    a, b = picked(normal, one), picked(normal, two)
    turn = np.degrees(np.arctan2(length(cross(a, b)), dot(a, b)))
    convex = dot(a, minus(picked(centre, two), picked(centre, one))) < 0
    return np.where(edges.agree, np.where(convex, turn, -turn), 180.0)


def _flats(edges: Edges, turning: FloatArray, count: int) -> tuple[IntArray, int]:
    """(m,) the flat facet of each face, numbered as their first faces come; and how many there are."""
    one, two = edges.neighbours[turning <= FLAT].T
    return components(count, one, two)


def _level(facets: Faces, facet: IntArray, count: int) -> BoolArray:
    """(count,) facets whose faces all lie in one plane, to a fraction of a degree."""
    mean = np.stack([np.bincount(facet, weights=facets.area * facets.normal[:, k], minlength=count) for k in range(3)], axis=1)
    unit = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-300)[:, None]
    lean = length(cross(picked(columns(unit), facet), columns(facets.normal)))
    level = np.ones(count, dtype=bool)
    level[facet[(lean > np.sin(np.radians(LEVEL))) & (facets.area > 0)]] = False
    return level


def _borders(
    skin: Skin, edges: Edges, facets: Faces, smooth: IntArray, angle: FloatArray, facet: IntArray, middle: FloatArray
) -> Bends:
    """The smooth edges gathered into borders between two facets, each seen from both sides."""
    one, two = (edges.neighbours[smooth, k] for k in (0, 1))
    if not len(smooth):
        none = np.zeros(0, dtype=np.int64)
        return Bends(none, none, np.zeros(0), np.zeros((0, 3)), np.zeros(0), none)
    start, end = (taken(skin.vertices, edges.ends[edges.neighbour_edge[smooth], k]) for k in (0, 1))
    along = minus(end, start)
    long = length(along)
    scale = np.maximum(long, 1e-300)
    along = (along[0] / scale, along[1] / scale, along[2] / scale)
    spot = tuple((start[k] + end[k]) / 2 for k in range(3))
    out = [np.empty(2 * len(smooth)) for _ in range(3)]
    for part, face in ((slice(0, len(one)), one), (slice(len(one), None), two)):
        across = cross(along, taken(facets.normal, face))
        sign = np.sign(dot(across, minus((spot[0], spot[1], spot[2]), taken(facets.centre, face))))
        for k in range(3):
            out[k][part] = across[k] * sign
    a, b = np.take(facet, one), np.take(facet, two)
    many = len(middle)
    names, index = np.unique(np.concatenate((a * many + b, b * many + a)), return_inverse=True)
    long, bend, along = np.tile(long, 2), np.tile(angle[smooth], 2), (np.tile(along[0], 2), np.tile(along[1], 2), np.tile(along[2], 2))
    total = np.maximum(np.bincount(index, weights=long), 1e-300)
    x, y, z = (np.bincount(index, weights=long * side).astype(np.float64) for side in out)
    direction = np.stack((x, y, z), axis=1) / np.maximum(length((x, y, z)), 1e-300)[:, None]
    back = np.empty(len(names), dtype=np.int64)
    back[index[: len(a)]], back[index[len(a) :]] = index[len(a) :], index[: len(a)]
    here = names // many
    other = names - here * many
    sides = np.bincount(here, minlength=many)
    distance = length(cross(minus(taken(middle, other), taken(middle, here)), _along(index, along, long)))
    gathered = np.bincount(index, weights=long * bend) / total
    if int(sides.max()) <= MOST_SIDES:
        return Bends(here, other, gathered, direction, distance, back)
    keep = sides[here] <= MOST_SIDES
    number = np.where(keep, np.cumsum(keep) - 1, -1)
    return Bends(here[keep], other[keep], gathered[keep], direction[keep], distance[keep], number[back[keep]])


def _along(index: IntArray, along: Three, long: FloatArray) -> Three:
    """Unit direction of each border; its edges may be written either way, so the first one's sense is taken for all."""
    first = np.zeros(int(index.max()) + 1, dtype=np.int64)
    first[index[::-1]] = np.arange(len(index))[::-1]
    weight = long * np.sign(dot(along, picked(along, np.take(first, index))))
    x, y, z = (np.bincount(index, weights=weight * along[k]).astype(np.float64) for k in range(3))
    scale = np.maximum(length((x, y, z)), 1e-300)
    return x / scale, y / scale, z / scale


def _reach(skin: Skin, facet: IntArray, middle: FloatArray, bends: Bends) -> FloatArray:
    """(k,) how far the facet reaches from its middle across each of its borders, either way, mm."""
    wanted = np.zeros(len(middle), dtype=bool)
    wanted[bends.here] = True
    order = np.flatnonzero(np.take(wanted, facet))
    order = order[np.argsort(facet[order], kind="stable")]
    begin = np.append(0, np.cumsum(np.bincount(facet[order], minlength=len(middle))))
    first = np.take(begin, bends.here)
    many = np.take(begin, bends.here + 1) - first
    border = np.repeat(np.arange(len(many)), many)
    face = order[np.arange(len(border)) + np.repeat(first - np.cumsum(many) + many, many)]
    centre, toward = taken(middle, np.repeat(bends.here, many)), taken(bends.direction, border)
    far = np.zeros(len(border))
    for corner in range(3):
        np.maximum(far, np.abs(dot(minus(taken(skin.vertices, skin.faces[face, corner]), centre), toward)), out=far)
    reach = np.zeros(len(many))
    np.maximum.at(reach, border, far)
    return reach


def _follows(bends: Bends) -> BoolArray:
    """(k,) whether on the far side of the facet the skin bends on, in the same sense and about as much."""
    sides = np.bincount(bends.here)
    begin = np.cumsum(sides) - sides
    first, many = np.take(begin, bends.here), np.take(sides, bends.here)
    one = np.repeat(np.arange(len(many)), many)
    two = np.arange(len(one)) + np.repeat(first - np.cumsum(many) + many, many)
    toward = columns(bends.direction)
    opposite = dot(picked(toward, one), picked(toward, two)) < -0.3
    ratio = np.take(bends.bend, two) / np.take(bends.bend, one)
    found: BoolArray = np.bincount(one, weights=opposite & (ratio > 1 / ALIKE) & (ratio < ALIKE), minlength=len(many)) > 0
    return found
