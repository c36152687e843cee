"""Edges and who shares them; rims; pinched points. All on the welded skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.joining import components
from lint.measure.surface import Skin
from lint.terms import BoolArray, IntArray

_WALK = 64  # faces that a walk round a point meets at the most


@dataclass(frozen=True)
class Edges:
    """Every distinct edge of the skin, leaving out faces with two corners on one point.

    ends: (e, 2) skin points, smaller number first; count: (e,) faces that share it.
    half_edge: (3m,) the edge of half-edge 3*face + corner (from corner to the next), -1 for worthless faces.
    forward: (3m,) whether the face runs along it from the smaller to the larger number.
    neighbours: (k, 2) face pairs across edges shared by exactly two faces; neighbour_edge: (k,) that edge;
    agree: (k,) whether the two run along the edge in opposite directions, as they should.
    order: half-edges sorted by edge; begin: (e + 1,) where in `order` those of each edge begin.
    """

    ends: IntArray
    count: IntArray
    half_edge: IntArray
    forward: BoolArray
    neighbours: IntArray
    neighbour_edge: IntArray
    agree: BoolArray
    order: IntArray
    begin: IntArray

    @property
    def open(self) -> IntArray:
        """Numbers of edges with one face."""
        return np.flatnonzero(self.count == 1)

    @property
    def crowded(self) -> IntArray:
        """Numbers of edges with three or more faces."""
        return np.flatnonzero(self.count > 2)

    @property
    def closed(self) -> bool:
        """Whether every edge has exactly two faces."""
        return bool(len(self.count)) and bool((self.count == 2).all())


@measure
def edges(skin: Skin, worthless: IntArray) -> Edges:
    """The edge table: half-edges put in the order of their ends."""
    if loops.there():
        return Edges(**loops.edge_table(skin.faces, *loops.half_edges(skin.faces, len(skin.vertices))))
    return _table(skin.faces, *_in_order(skin.faces, worthless, max(len(skin.vertices), 1)))


def _table(faces: IntArray, order: IntArray, first: BoolArray) -> Edges:
    """See `loops.edge_table`."""
    start = np.ascontiguousarray(faces.reshape(-1))
    forward = start < np.ascontiguousarray(faces[:, [1, 2, 0]]).reshape(-1)
    begin = np.append(np.flatnonzero(first), len(order))
    count = np.diff(begin)
    half_edge = np.full(len(start), -1, dtype=np.int64)
    number: IntArray = np.cumsum(first, dtype=np.int64)
    number -= 1
    half_edge[order] = number
    del number
    leading = order[begin[:-1]]
    a, b = np.take(start, leading), np.take(start, _next(leading))
    pair = np.flatnonzero(count == 2)
    one, two = order[begin[pair]], order[begin[pair] + 1]
    return Edges(
        ends=np.stack((np.minimum(a, b), np.maximum(a, b)), axis=1),
        count=count,
        half_edge=half_edge,
        forward=forward,
        neighbours=np.stack((one // 3, two // 3), axis=1),
        neighbour_edge=pair,
        agree=np.take(forward, one) != np.take(forward, two),
        order=order,
        begin=begin,
    )


def _in_order(faces: IntArray, worthless: IntArray, many: int) -> tuple[IntArray, BoolArray]:
    """See `loops.half_edges`. By packing both ends into one integer, with the half-edge's own number where there is room, and sorting."""
    start = np.ascontiguousarray(faces.reshape(-1))
    end = np.ascontiguousarray(faces[:, [1, 2, 0]]).reshape(-1)
    key = np.minimum(start, end)
    key *= many
    np.maximum(start, end, out=end)
    key += end
    del end
    half = np.arange(len(start))
    if len(worthless):
        real = np.ones(len(faces), dtype=bool)
        real[worthless] = False
        half = np.flatnonzero(np.repeat(real, 3))
        key = key[half]
    order, ordered = sorted_by(key, half, (many * many).bit_length(), len(start))
    first = np.empty(len(ordered), dtype=bool)
    first[:1] = True
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return order, first


def sorted_by(key: IntArray, half: IntArray, bits: int, most: int) -> tuple[IntArray, IntArray]:
    """The half-edges (k,) in the order of their keys (k,), of equal ones the lower number first, and the keys in that order.

    bits: that hold any key; most: above every number. Packed into one integer where they fit, and then `key` is used up.
    """
    room = max(most, 1).bit_length()
    if bits + room > 63:
        order = np.argsort(key, kind="stable")
        return half[order], key[order]
    key <<= room
    key |= half
    key.sort()
    order = key & ((1 << room) - 1)
    key >>= room
    return order, key


def open_half_edges(edges: Edges) -> IntArray:
    """Numbers of the half-edges whose edge has no other face, in order."""
    return np.sort(edges.order[edges.begin[edges.open]])


@dataclass(frozen=True)
class Rim:
    """One open rim: points in order along it (skin numbers), whether it comes back to its start, and its length in mm.

    Walked with the face on the left, as the open faces run. `faces` are those along it.
    """

    points: IntArray
    closed: bool
    length: float
    faces: IntArray


@measure
def rims(skin: Skin, edges: Edges) -> tuple[Rim, ...]:
    """Open edges chained into rims, the longest first. At a point where rims touch, each face keeps its own turn."""
    half = open_half_edges(edges)
    if not len(half):
        return ()
    face, corner = half // 3, half % 3
    start = skin.faces[face, corner]
    end = skin.faces[face, (corner + 1) % 3]
    following = _chain(skin, edges, half, start, end)
    return tuple(_walk(skin, half, start, end, following))


def _chain(skin: Skin, edges: Edges, half: IntArray, start: IntArray, end: IntArray) -> IntArray:
    """For each open half-edge the one that follows it, (k,), -1 where none does."""
    order = np.argsort(start, kind="stable")
    left = np.searchsorted(start[order], end, side="left")
    right = np.searchsorted(start[order], end, side="right")
    following = np.full(len(half), -1, dtype=np.int64)
    single = right - left == 1
    following[single] = order[left[single]]
    several = np.flatnonzero(right - left > 1)
    if len(several):
        fan = _fans(skin, edges)
        taken = np.zeros(len(half), dtype=bool)
        taken[following[following >= 0]] = True
        for only_same in (True, False):  # a rim keeps to its own fan of faces; what is left over is joined as it comes
            for k in several[following[several] < 0]:  # only where rims touch in a point: few
                options = [o for o in order[left[k] : right[k]] if not taken[o]]
                if only_same:
                    here = fan[3 * (half[k] // 3) + (half[k] % 3 + 1) % 3]
                    options = [o for o in options if fan[half[o]] == here]
                if options:
                    following[k] = options[0]
                    taken[options[0]] = True
    once = np.full(len(half), -1, dtype=np.int64)  # where faces disagree two may lead to one: the first has it
    led, first = np.unique(following, return_index=True)
    once[first[led >= 0]] = led[led >= 0]
    return once


def _fans(skin: Skin, edges: Edges, asked: BoolArray | None = None) -> IntArray:
    """(3m,) for each face corner the fan it belongs to: corners at one point joined across shared edges. asked: (n,) which points."""
    corners = len(skin.faces) * 3
    same = np.ones(max(len(edges.order) - 1, 0), dtype=bool)
    same[edges.begin[1:-1] - 1] = False
    one, two = (edges.order, edges.order) if not len(same) else (edges.order[:-1][same], edges.order[1:][same])
    flat = skin.faces.reshape(-1)
    ahead_one, ahead_two = _next(one), _next(two)
    along = np.take(flat, one) == np.take(flat, two)  # both run the same way: start lies on start
    rows = np.concatenate((one, ahead_one))
    columns = np.concatenate((np.where(along, two, ahead_two), np.where(along, ahead_two, two)))
    if asked is not None:
        wanted = asked[flat[rows]]
        rows, columns = rows[wanted], columns[wanted]
    return components(corners, rows, columns)[0]


def _next(half: IntArray) -> IntArray:
    """The half-edge after each, round its face; also the corner that each ends at."""
    following: IntArray = half + 1 - 3 * (half % 3 == 2)
    return following


def _walk(skin: Skin, half: IntArray, start: IntArray, end: IntArray, following: IntArray) -> list[Rim]:
    """Chains of half-edges put in order, all at once, the longest first: loops are cut at their lowest number, then each half-edge
    counts how far it is from the end of its chain by doubling its step."""
    k = len(half)
    number = np.arange(k)
    linked = np.flatnonzero(following >= 0)
    label, count = components(k, linked, following[linked])
    lowest = np.full(count, k)
    np.minimum.at(lowest, label, number)
    loop = np.ones(count, dtype=bool)
    loop[label[following < 0]] = False
    step = np.where((following >= 0) & loop[label] & (following == lowest[label]), -1, following)
    left = (step >= 0).astype(np.int64)
    while (step >= 0).any():
        go = np.flatnonzero(step >= 0)
        left[go] += left[step[go]]
        step[go] = step[step[go]]
    order = np.lexsort((-left, label))
    first = np.searchsorted(label[order], np.arange(count))
    length = np.linalg.norm(skin.vertices[end] - skin.vertices[start], axis=1)[order]
    total = np.add.reduceat(length, first)
    middle = np.add.reduceat(skin.vertices[start[order]], first, axis=0)
    longest = np.lexsort((middle[:, 2], middle[:, 1], middle[:, 0], -total))
    face = half[order] // 3
    ends = np.append(first[1:], k)
    found: list[Rim] = []
    for rim in longest.tolist():
        own = slice(int(first[rim]), int(ends[rim]))
        points = start[order[own]]
        if not loop[rim]:
            points = np.append(points, end[order[own.stop - 1]])
        found.append(Rim(points, bool(loop[rim]), float(total[rim]), face[own]))
    return found


@measure
def pinched(skin: Skin, edges: Edges) -> IntArray:
    """Skin points where two or more fans of faces meet only in the point; ends of crowded edges are left out.

    A fan is a set of face corners joined across shared edges; a sound point has exactly one.
    """
    flat = skin.faces.reshape(-1)
    if loops.there():
        unsound, missed = loops.fans_met(skin.faces, edges.order, edges.begin, len(skin.vertices), _WALK)
        several = np.flatnonzero(missed)
    else:
        unsound, several = _walked(skin, edges)
    if unsound.any():
        fan = _fans(skin, edges, unsound)
        real = np.flatnonzero((edges.half_edge >= 0) & unsound[flat])
        point = np.full(int(fan.max(initial=-1)) + 1, -1, dtype=np.int64)  # all corners of a fan stand on one point
        point[fan[real]] = flat[real]
        fans = np.bincount(point[point >= 0], minlength=len(skin.vertices))
        several = np.concatenate((several, np.flatnonzero(fans > 1)))
    return np.setdiff1d(several, np.unique(edges.ends[edges.crowded]))


def _walked(skin: Skin, edges: Edges) -> tuple[BoolArray, IntArray]:
    """See `loops.fans_met`: marks of unsound points, and those of which a walk missed some."""
    flat = skin.faces.reshape(-1)
    one, two = (edges.order[edges.begin[edges.neighbour_edge[edges.agree]] + k] for k in (0, 1))
    twin = np.full(len(flat), -1, dtype=np.int64)
    twin[one], twin[two] = two, one
    lone = np.flatnonzero(twin < 0)
    unsound = np.zeros(len(skin.vertices), dtype=bool)
    unsound[flat[lone]] = unsound[flat[_next(lone)]] = True
    return unsound, _not_walked(flat, twin, unsound)


def _not_walked(flat: IntArray, twin: IntArray, unsound: BoolArray) -> IntArray:
    """Points whose faces are not all met on one walk round the point, over twin half-edges (3m,).

    Points with an edge that has no twin are left out, and so, marked as unsound in place, are those with very many faces.
    """
    corners = np.bincount(flat, minlength=len(unsound))
    some = np.flatnonzero((corners > 0) & ~unsound)
    start = np.empty(len(unsound), dtype=np.int64)
    start[flat] = np.arange(len(flat))
    begin = start[some]
    at = begin
    missed = []
    for met in range(1, _WALK):
        at = _next(np.take(twin, at))
        back = at == begin
        missed.append(some[back & (corners[some] != met)])
        on = np.flatnonzero(~back)
        some, begin, at = some[on], begin[on], at[on]
        if not len(some):
            break
    unsound[some] = True
    return np.concatenate(missed)
