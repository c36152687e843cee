"""Pieces: shells that touch, cross or hold one another, taken together; and how each compares with the largest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.cracks import Cracks
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.nearest import distance_to_faces
from lint.measure.nesting import Nesting
from lint.measure.shells import Shells
from lint.measure.surface import Skin
from lint.terms import BoolArray, FloatArray, IntArray

APART = 1 / 24  # a clump nearer than this share of its own length is taken to touch
SHEET = 0.02  # an open piece thinner than this share of its length is a flat sheet
BUDGET = 2_000_000  # sampled points in all; a file of more dust is sampled more coarsely
DUST = 20_000  # with more clumps than this, only the largest are compared with the rest
BIG = 32
HELD = 17  # points asked of a clump whether an open one holds it


@dataclass(frozen=True)
class Specks:
    """Pieces numbered from the largest area down.

    piece: (s,) piece of each shell; shell_length: (s,) mm, as below. Then, a piece: low, high (k, 3) corners; length: (k,) mm, between
    points far apart, the same however the part is turned; area mm2;
    closed: all its shells are; flat: (k,) its thickness as a share of its length; gap: (k,) from the main piece, mm, sampled;
    main: the piece that is the part: the largest, unless that is a flat open sheet beside a piece that is not.
    """
    piece: IntArray
    shell_length: FloatArray
    count: int
    low: FloatArray
    high: FloatArray
    length: FloatArray
    area: FloatArray
    closed: BoolArray
    flat: FloatArray
    gap: FloatArray
    main: int


@dataclass(frozen=True)
class _Clumps:
    """Groups of faces, numbered from the largest area down: group of each face (m,), -1 for worthless ones; then a group."""
    label: IntArray
    count: int
    area: FloatArray
    low: FloatArray
    high: FloatArray
    length: FloatArray
    order: IntArray
    begin: IntArray

    def faces(self, clump: int) -> IntArray:
        return self.order[self.begin[clump] : self.begin[clump + 1]]


@measure
def specks(skin: Skin, edges: Edges, shells: Shells, nesting: Nesting, cracks: Cracks) -> Specks:
    """Shells that share a point, a crack or a nest are one clump; clumps that touch, cross or hold one another are one piece.

    Touching is told from sampled points, spaced at most a twenty-fourth of the smaller clump's length; holding by an open clump from
    its winding number (Jacobson, Kavan, Sorkine-Hornung 2013).
    """
    if shells.count < 2:
        return _single(shells)
    clump_of = _components(np.vstack((_contacts(skin, shells), np.stack((nesting.inner, nesting.outer), axis=1),
                                      shells.label[cracks.faces])), shells.count)  # fmt: skip
    clumps = _clumps(skin, shells, clump_of)
    closed = np.ones(clumps.count, dtype=bool)
    shell_clump = _first(clumps.label, shells)
    closed[shell_clump[~shells.closed]] = False
    piece_of = _touching(skin, clumps, closed)
    pieces = _clumps(skin, shells, piece_of[shell_clump])
    piece = _first(pieces.label, shells)
    whole = np.ones(pieces.count, dtype=bool)
    whole[piece[~shells.closed]] = False
    flat = _thickness(skin, pieces.label, pieces.count) / np.maximum(pieces.length, 1e-300)
    main = 0
    if pieces.count > 1:
        sheet = ~whole & (flat < SHEET)
        solid = np.flatnonzero(~sheet & (pieces.length > 0.1 * pieces.length[0]))
        if sheet[0] and len(solid):
            main = int(solid[0])
    shell_length = spans(skin, shells.label, shells.count)
    gap = _gaps(skin, pieces, main)
    return Specks(piece, shell_length, pieces.count, pieces.low, pieces.high, pieces.length, pieces.area, whole, flat, gap, main)


def _single(shells: Shells) -> Specks:
    """A part of one shell, or none: there is nothing to compare it with, and its box's diagonal will do for a length."""
    length = np.linalg.norm(shells.high - shells.low, axis=1)
    none = np.zeros(shells.count)
    piece = np.zeros(shells.count, dtype=np.int64)
    return Specks(piece, length, shells.count, shells.low, shells.high, length, shells.area, shells.closed, none + 1, none, 0)


def spans(skin: Skin, label: IntArray, count: int) -> FloatArray:
    """(count,) length of each group of faces, mm: from the corner farthest from the middle of its faces to the corner farthest from that.

    At least 0.57 of the true greatest width and nearly always all of it; unlike a box it does not depend on the way the part lies.
    """
    real = np.flatnonzero(label >= 0)
    if not count:
        return np.zeros(0)
    order = real[np.argsort(label[real], kind="stable")]
    points = skin.vertices[skin.faces[order].reshape(-1)]
    which = np.repeat(label[order], 3)
    first = np.searchsorted(which, np.arange(count))
    a, b, c = points[0::3], points[1::3], points[2::3]
    weight = np.linalg.norm(np.cross(b - a, c - a), axis=1) + 1e-300
    total = np.bincount(label[order], weights=weight, minlength=count)
    middle = np.stack([np.bincount(label[order], weights=weight * (a + b + c)[:, k] / 3, minlength=count) for k in range(3)], axis=1)
    start: FloatArray = middle / total[:, None]
    far = np.zeros(count)
    for _ in range(3):
        distance = ((points - start[which]) ** 2).sum(axis=1)
        far = np.maximum.reduceat(distance, first)
        at = np.full(count, len(points))
        hit = np.flatnonzero(distance >= far[which])
        np.minimum.at(at, which[hit], hit)
        start = points[at]
    return np.sqrt(far)


def _components(links: IntArray, count: int) -> IntArray:
    if not count:
        return np.zeros(0, dtype=np.int64)
    label: IntArray = components(count, links[:, 0], links[:, 1])[0]
    return label


def _contacts(skin: Skin, shells: Shells) -> IntArray:
    """(k, 2) pairs of shells that share a skin point."""
    if shells.count < 2:
        return np.zeros((0, 2), dtype=np.int64)
    real = shells.label >= 0
    point, shell = skin.faces[real].reshape(-1), np.repeat(shells.label[real], 3)
    least = np.full(len(skin.vertices), shells.count)
    np.minimum.at(least, point, shell)
    differs = least[point] != shell
    return np.stack((least[point[differs]], shell[differs]), axis=1)


def _first(label: IntArray, shells: Shells) -> IntArray:
    """(s,) the group of each shell, given that of each face."""
    of = np.zeros(shells.count, dtype=np.int64)
    real = shells.label >= 0
    of[shells.label[real]] = label[real]
    return of


def _clumps(skin: Skin, shells: Shells, group: IntArray) -> _Clumps:
    count = int(group.max(initial=-1)) + 1
    area = np.bincount(group, weights=shells.area, minlength=count)
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(-area, kind="stable")] = np.arange(count)
    group = rank[group]
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, group, shells.low)
    np.maximum.at(high, group, shells.high)
    label = np.append(group, -1)[shells.label]
    order = np.argsort(label, kind="stable")
    begin = np.searchsorted(label[order], np.arange(count + 1))
    length = spans(skin, label, count)
    return _Clumps(label, count, np.asarray(np.sort(area)[::-1], dtype=np.float64), low, high, length, order, begin)


def _touching(skin: Skin, clumps: _Clumps, closed: BoolArray) -> IntArray:
    """(c,) a number that clumps of one piece share: each container against the smaller clumps whose boxes reach into its own."""
    import igl

    piece = np.arange(clumps.count)
    if clumps.count < 2:
        return piece
    points, spacing, begin = _samples(skin, clumps)
    inner, outer = _boxes_meet(clumps, spacing)
    if not len(outer):
        return piece
    first = np.flatnonzero(np.diff(outer, prepend=-1))
    for start, stop in zip(first, np.append(first[1:], len(outer)), strict=True):
        container, group = int(outer[start]), inner[start:stop]
        smaller = group[piece[group] != piece[container]]
        if not len(smaller):
            continue
        faces = np.ascontiguousarray(skin.faces[clumps.faces(container)])
        if len(smaller) > HELD:  # a clump cannot come nearer than one of its points less its whole length
            corner = points[begin[smaller]]
            near = distance_to_faces(corner, skin.vertices, faces) <= (clumps.length + spacing)[smaller]
            if not (closed[container] and closed[smaller].all()):
                near |= ((corner >= clumps.low[container]) & (corner <= clumps.high[container])).all(axis=1)
            smaller = smaller[near]
            if not len(smaller):
                continue
        mine = np.concatenate([points[begin[c] : begin[c + 1]] for c in smaller])
        owner = np.repeat(smaller, begin[smaller + 1] - begin[smaller])
        joined = np.zeros(clumps.count, dtype=bool)
        asked = smaller[~(closed[smaller] & closed[container])]  # among closed ones the nesting has told already
        if len(asked):
            few = np.concatenate([begin[c] + np.linspace(0, begin[c + 1] - begin[c] - 1, HELD).astype(np.int64) for c in asked])
            turns = np.abs(np.asarray(igl.fast_winding_number(skin.vertices, faces, points[few])).reshape(-1, HELD))
            joined[asked[np.median(turns, axis=1) > 0.5]] = True
        reach = spacing[owner, None]
        close = ((mine >= clumps.low[container] - reach) & (mine <= clumps.high[container] + reach)).all(axis=1) & ~joined[owner]
        if close.any():
            far = distance_to_faces(mine[close], skin.vertices, faces)
            joined[owner[close][far <= spacing[owner[close]]]] = True
        for one in np.flatnonzero(joined):
            piece[piece == piece[one]] = piece[container]
    names: IntArray = np.unique(piece, return_inverse=True)[1].astype(np.int64)
    return names


def _boxes_meet(clumps: _Clumps, spacing: FloatArray) -> tuple[IntArray, IntArray]:
    """Pairs (smaller, larger) of clumps whose boxes come within the smaller one's spacing, sorted by the larger; by a sweep along x."""
    if clumps.count > DUST:
        larger = np.repeat(np.arange(BIG), clumps.count)
        smaller = np.tile(np.arange(clumps.count), BIG)
    else:
        low, high = clumps.low[:, 0] - spacing, clumps.high[:, 0] + spacing
        order = np.argsort(low)
        stop = np.searchsorted(low[order], high[order], side="right")
        many = stop - np.arange(len(order)) - 1
        one = np.repeat(order, many)
        step = np.arange(int(many.sum())) - np.repeat(np.cumsum(many) - many, many)
        two = order[np.repeat(np.arange(len(order)) + 1, many) + step]
        larger, smaller = np.minimum(one, two), np.maximum(one, two)
    reach = spacing[smaller, None]
    met = (smaller > larger) & (clumps.low[smaller] - reach <= clumps.high[larger]).all(axis=1)
    met &= (clumps.high[smaller] + reach >= clumps.low[larger]).all(axis=1)
    smaller, larger = smaller[met], larger[met]
    by = np.lexsort((smaller, larger))
    return smaller[by], larger[by]


def _samples(skin: Skin, clumps: _Clumps) -> tuple[FloatArray, FloatArray, IntArray]:
    """Points (n, 3) on every clump but the largest, clump by clump; the spacing (c,) that covers each; where each begins (c + 1,)."""
    faces = clumps.order[clumps.begin[1] :]
    clump = clumps.label[faces]
    corners = skin.vertices[skin.faces[faces]]
    side = np.sqrt(((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2)).max(axis=1)
    apart = APART
    while True:
        cuts = np.maximum(np.ceil(side / np.maximum(apart * clumps.length[clump], 1e-300)), 1).astype(np.int64)
        if int(((cuts + 1) * (cuts + 2) // 2).sum()) <= max(BUDGET, 3 * len(faces)) or apart >= 1:
            break
        apart *= 1.5
    points: list[FloatArray] = []
    owner: list[IntArray] = []
    for cut in np.unique(cuts):
        these = cuts == cut
        i, j = np.meshgrid(np.arange(cut + 1), np.arange(cut + 1), indexing="ij")
        weight = np.stack((i, j, cut - i - j), axis=-1).reshape(-1, 3) / cut
        weight = weight[(weight >= 0).all(axis=1)]
        points.append(np.einsum("wk,fkx->fwx", weight, corners[these]).reshape(-1, 3))
        owner.append(np.repeat(clump[these], len(weight)))
    sampled, whose = np.vstack(points), np.concatenate(owner)
    order = np.argsort(whose, kind="stable")
    return sampled[order], apart * clumps.length, np.searchsorted(whose[order], np.arange(clumps.count + 1))


def _gaps(skin: Skin, pieces: _Clumps, main: int) -> FloatArray:
    """(k,) least distance between each piece and the main one, mm, from 64 corners of the piece and, for the hundred largest, from
    4096 corners of the main one."""
    gap = np.zeros(pieces.count)
    others = np.array([p for p in range(pieces.count) if p != main])
    if not len(others):
        return gap
    size = pieces.begin[others + 1] - pieces.begin[others]
    picks = np.concatenate(
        [pieces.begin[p] + np.unique(np.linspace(0, n - 1, min(n, 64)).astype(np.int64)) for p, n in zip(others, size, strict=True)]
    )
    face = pieces.order[picks]
    points = skin.vertices[skin.faces[face].reshape(-1)]
    gap[others] = np.inf
    np.minimum.at(gap, np.repeat(pieces.label[face], 3), distance_to_faces(points, skin.vertices, skin.faces[pieces.faces(main)]))
    own = np.unique(skin.faces[pieces.faces(main)])
    corners = skin.vertices[own[np.linspace(0, len(own) - 1, min(len(own), 4096)).astype(np.int64)]]
    for piece in others[:100]:
        gap[piece] = min(gap[piece], float(distance_to_faces(corners, skin.vertices, skin.faces[pieces.faces(int(piece))]).min()))
    return gap


def _thickness(skin: Skin, piece: IntArray, count: int) -> FloatArray:
    """(count,) six standard deviations of each piece's corners across its own plane, mm: what a noisy flat sheet measures through."""
    real = piece >= 0
    points = skin.vertices[skin.faces[real].reshape(-1)]
    which = np.repeat(piece[real], 3)
    number = np.maximum(np.bincount(which, minlength=count), 1)
    middle = np.stack([np.bincount(which, weights=points[:, k], minlength=count) / number for k in range(3)], axis=1)
    off = points - middle[which]
    spread = np.empty((count, 3, 3))
    for i in range(3):
        for j in range(i + 1):
            spread[:, i, j] = spread[:, j, i] = np.bincount(which, weights=off[:, i] * off[:, j], minlength=count) / number
    least = np.asarray(np.linalg.eigvalsh(spread)[:, 0], dtype=np.float64)
    return 6 * np.sqrt(np.maximum(least, 0.0))
