"""How coarse and how fine the facets are: sag of flat facets on curved skin, and the length of edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.surface import Extent, Faces, Skin
from lint.measure.vectors import columns, cross, dot, length, minus, picked
from lint.terms import BoolArray, FloatArray, IntArray, Part

LEAST = 1e-5  # of the diagonal; less sag than this is none, so that finely drawn skin is passed over
LEAST_MM = 0.01  # where the unit is known: well under what a nozzle of 0.1 mm, as fine as any, shows (common practice, no source)
FLAT = 0.1  # degrees; faces that bend less are one flat facet
LEVEL = 0.3  # degrees; a facet whose faces lean farther from their mean is a gentle curve drawn finely, and has no sag to speak of
SHARP = 40.0  # degrees; an edge that bends more is meant to be one
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
    unit direction (k, 3) in the plane of the facet towards the other, distance (k,) between the middles along it, mm."""

    here: IntArray
    across: IntArray
    bend: FloatArray
    direction: FloatArray
    distance: FloatArray


@measure
def sags(part: Part, skin: Skin, edges: Edges, facets: Faces, extent: Extent) -> FloatArray:
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
    longest = _longest(skin)
    if not (np.radians(turning[turning < SHARP]).max(initial=0.0) * float(longest.max(initial=0.0)) / 4 > least):
        return sag
    facet, count = _flats(edges, turning, m)
    weight = np.maximum(np.bincount(facet, weights=facets.area, minlength=count), 1e-300)
    moment = [np.bincount(facet, weights=facets.area * facets.centre[:, k], minlength=count) for k in range(3)]
    middle: FloatArray = np.stack([total / weight for total in moment], axis=1)
    level = _level(facets, facet, count)
    one, two = (np.take(facet, np.ascontiguousarray(edges.neighbours[:, k])) for k in (0, 1))
    smooth = np.flatnonzero((turning > FLAT) & (turning < SHARP) & (one != two))
    smooth = smooth[np.take(level, one[smooth]) & np.take(level, two[smooth])]
    smooth = smooth[_near_sag(skin, facet, middle, one[smooth], two[smooth], turning[smooth], least)]
    bends = _borders(skin, edges, facets, smooth, angle, facet, middle)
    if not len(bends.here):
        return sag
    reach = _reach(skin, facet, middle, bends)
    follows = _follows(bends, reach)
    back = _reverse(bends, count)
    good = follows & (back >= 0) & follows[back]
    good &= (reach < ALIKE * reach[back]) & (reach[back] < ALIKE * reach)
    apart = np.maximum(bends.distance, (reach + reach[back]) / 2)  # of two triangles of one ball half of that, of two strips all
    bow = np.where(good, np.radians(np.abs(bends.bend)) / np.maximum(apart, 1e-300) * reach**2 / 2, 0.0)
    bow[bow < least] = 0.0
    worst = np.zeros(count)
    np.maximum.at(worst, bends.here, bow)
    return worst[facet]


def _near_sag(
    skin: Skin, facet: IntArray, middle: FloatArray, one: IntArray, two: IntArray, turning: FloatArray, least: float
) -> IntArray:
    """Which borders (k,) between facets one and two matter: those of facets that may sag by the least, and of facets beside these.

    A facet reaching R at most from its middle sags k R^2 / 2; its neighbour reaches at least R / ALIKE, so the middles are taken to be
    (R + R / ALIKE) / 2 apart at least, and the sag is at most bend x R / (1 + 1 / ALIKE).
    """
    count = len(middle)
    most = np.zeros(count)
    for here in (one, two):
        np.maximum.at(most, here, turning)
    far = np.zeros(count)
    point, centre = columns(skin.vertices), picked(columns(middle), facet)
    for corner in range(3):
        off = minus(picked(point, np.ascontiguousarray(skin.faces[:, corner])), centre)
        np.maximum.at(far, facet, dot(off, off))
    may = np.radians(most) * np.sqrt(far) / (1 + 1 / ALIKE) >= least
    wanted = may.copy()
    wanted[one[may[two]]] = True
    wanted[two[may[one]]] = True
    return np.flatnonzero(wanted[one] | wanted[two])


def _longest(skin: Skin) -> FloatArray:
    """(m,) the longest side of each face, mm."""
    point = columns(skin.vertices)
    corner = [picked(point, np.ascontiguousarray(skin.faces[:, i])) for i in range(3)]
    square = np.zeros(len(skin.faces))
    for i in range(3):
        side = minus(corner[i], corner[i - 1])
        np.maximum(square, dot(side, side), out=square)
    return np.asarray(np.sqrt(square))


def _bend(facets: Faces, edges: Edges) -> FloatArray:
    """(k,) degrees between the two faces at each shared edge, above zero where the edge is convex; none where they disagree."""
    one, two = (np.ascontiguousarray(edges.neighbours[:, k]) for k in (0, 1))
    normal, centre = columns(facets.normal), columns(facets.centre)
    a, b = picked(normal, one), picked(normal, two)
    turn = np.degrees(np.arctan2(length(cross(a, b)), dot(a, b)))
    convex = dot(a, minus(picked(centre, two), picked(centre, one))) < 0
    return np.where(edges.agree, np.where(convex, turn, -turn), 180.0)


def _flats(edges: Edges, turning: FloatArray, count: int) -> tuple[IntArray, int]:
    """(m,) the flat facet of each face, numbered as their first faces come; and how many there are."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    one, two = edges.neighbours[turning <= FLAT].T
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(count, count))
    names, label = connected_components(graph, directed=False)
    return label.astype(np.int64), int(names)


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
    one, two = edges.neighbours[smooth].T
    ends = skin.vertices[edges.ends[edges.neighbour_edge[smooth]]]
    long = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    here, across = np.concatenate((facet[one], facet[two])), np.concatenate((facet[two], facet[one]))
    along = np.tile((ends[:, 1] - ends[:, 0]) / np.maximum(long, 1e-300)[:, None], (2, 1))
    normal = facets.normal[np.concatenate((one, two))]
    spot = np.tile(ends.mean(axis=1), (2, 1))
    out = np.cross(along, normal)
    out *= np.sign(np.einsum("ij,ij->i", out, spot - facets.centre[np.concatenate((one, two))]))[:, None]
    long, bend = np.tile(long, 2), np.tile(angle[smooth], 2)
    if not len(here):
        none = np.zeros(0, dtype=np.int64)
        return Bends(none, none, np.zeros(0), np.zeros((0, 3)), np.zeros(0))
    key = here * (int(facet.max()) + 1) + across
    names, index = np.unique(key, return_inverse=True)
    total = np.maximum(np.bincount(index, weights=long), 1e-300)
    direction: FloatArray = np.stack([np.bincount(index, weights=long * out[:, k]) for k in range(3)], axis=1)
    direction = direction / np.maximum(np.linalg.norm(direction, axis=1), 1e-300)[:, None]
    here, across = names // (int(facet.max()) + 1), names % (int(facet.max()) + 1)
    sides = np.bincount(here, minlength=len(middle))
    distance = np.linalg.norm(np.cross(middle[across] - middle[here], _along(index, along, long)), axis=1)
    keep = sides[here] <= MOST_SIDES
    gathered = np.bincount(index, weights=long * bend) / total
    return Bends(here[keep], across[keep], gathered[keep], direction[keep], distance[keep])


def _along(index: IntArray, along: FloatArray, long: FloatArray) -> FloatArray:
    """Unit direction of each border; its edges may be written either way, so the first one's sense is taken for all."""
    first = np.zeros(int(index.max()) + 1, dtype=np.int64)
    first[index[::-1]] = np.arange(len(index))[::-1]
    sense = np.sign(np.einsum("ij,ij->i", along, along[first[index]]))
    mean = np.stack([np.bincount(index, weights=long * sense * along[:, k]) for k in range(3)], axis=1)
    unit: FloatArray = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-300)[:, None]
    return unit


def _reach(skin: Skin, facet: IntArray, middle: FloatArray, bends: Bends) -> FloatArray:
    """(k,) how far the facet reaches from its middle across each of its borders, either way, mm."""
    order = np.argsort(facet, kind="stable")
    begin = np.searchsorted(facet[order], np.arange(len(middle) + 1))
    many = begin[bends.here + 1] - begin[bends.here]
    border = np.repeat(np.arange(len(many)), many)
    step = np.arange(len(border)) - np.repeat(np.cumsum(many) - many, many)
    face = order[begin[bends.here][border] + step]
    reach = np.zeros(len(many))
    for corner in range(3):
        off = skin.vertices[skin.faces[face, corner]] - middle[bends.here][border]
        np.maximum.at(reach, border, np.abs(np.einsum("ij,ij->i", off, bends.direction[border])))
    return reach


def _follows(bends: Bends, reach: FloatArray) -> BoolArray:
    """(k,) whether on the far side of the facet the skin bends on, in the same sense and about as much."""
    first = np.searchsorted(bends.here, bends.here, side="left")
    many = np.searchsorted(bends.here, bends.here, side="right") - first
    one = np.repeat(np.arange(len(many)), many)
    two = first[one] + np.arange(len(one)) - np.repeat(np.cumsum(many) - many, many)
    opposite = np.einsum("ij,ij->i", bends.direction[one], bends.direction[two]) < -0.3
    ratio = bends.bend[two] / bends.bend[one]
    found: BoolArray = np.bincount(one, weights=opposite & (ratio > 1 / ALIKE) & (ratio < ALIKE), minlength=len(many)) > 0
    return found


def _reverse(bends: Bends, count: int) -> IntArray:
    """(k,) the same border seen from the other side, -1 where it was left out."""
    key = bends.here * count + bends.across
    asked = bends.across * count + bends.here
    at = np.searchsorted(key, asked).clip(max=len(key) - 1)
    return np.where(key[at] == asked, at, -1)
