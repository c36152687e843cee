"""Edges and who shares them; rims; pinched points. All on the welded skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.surface import Skin
from lint.terms import BoolArray, IntArray


@dataclass(frozen=True)
class Edges:
    """Every distinct edge of the skin, leaving out faces with two corners on one point.

    ends: (e, 2) skin points, smaller number first; count: (e,) faces that share it.
    half_edge: (3m,) the edge of half-edge 3*face + corner (from corner to the next), -1 for worthless faces.
    forward: (3m,) whether the face runs along it from the smaller to the larger number.
    neighbours: (k, 2) face pairs across edges shared by exactly two faces; neighbour_edge: (k,) that edge;
    agree: (k,) whether the two run along the edge in opposite directions, as they should.
    """

    ends: IntArray
    count: IntArray
    half_edge: IntArray
    forward: BoolArray
    neighbours: IntArray
    neighbour_edge: IntArray
    agree: BoolArray

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
    """The edge table, by packing both ends into one integer and sorting once."""
    faces = skin.faces
    start = faces.reshape(-1)
    end = faces[:, [1, 2, 0]].reshape(-1)
    forward = start < end
    many = max(len(skin.vertices), 1)
    key = np.where(forward, start * many + end, end * many + start)
    real = np.ones(len(faces), dtype=bool)
    real[worthless] = False
    half = np.flatnonzero(np.repeat(real, 3))
    order = half[np.argsort(key[half])]
    ordered = key[order]
    first = np.empty(len(ordered), dtype=bool)
    first[:1] = True
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    begin = np.flatnonzero(first)
    count = np.diff(np.append(begin, len(ordered)))
    half_edge = np.full(len(start), -1, dtype=np.int64)
    half_edge[order] = np.cumsum(first) - 1
    packed = ordered[begin]
    ends = np.stack((packed // many, packed % many), axis=1)
    pair = np.flatnonzero(count == 2)
    one, two = order[begin[pair]], order[begin[pair] + 1]
    return Edges(
        ends=ends,
        count=count,
        half_edge=half_edge,
        forward=forward,
        neighbours=np.stack((one // 3, two // 3), axis=1),
        neighbour_edge=pair,
        agree=forward[one] != forward[two],
    )


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
    half = np.flatnonzero(edges.half_edge >= 0)
    half = half[edges.count[edges.half_edge[half]] == 1]
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


def _fans(skin: Skin, edges: Edges) -> IntArray:
    """(3m,) for each face corner the fan it belongs to: corners at one point joined across shared edges."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    corners = len(skin.faces) * 3
    half = np.flatnonzero(edges.half_edge >= 0)
    order = half[np.argsort(edges.half_edge[half], kind="stable")]
    same = edges.half_edge[order[1:]] == edges.half_edge[order[:-1]]
    one, two = order[:-1][same], order[1:][same]

    def at(h: IntArray, shift: int) -> IntArray:
        return 3 * (h // 3) + (h % 3 + shift) % 3

    flat = skin.faces.reshape(-1)
    links: list[tuple[IntArray, IntArray]] = []
    for shift in (0, 1):
        mine = at(one, shift)
        other = np.where(flat[at(two, 0)] == flat[mine], at(two, 0), at(two, 1))
        links.append((mine, other))
    rows = np.concatenate([a for a, _ in links])
    columns = np.concatenate([b for _, b in links])
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(corners, corners))
    label: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return label


def _walk(skin: Skin, half: IntArray, start: IntArray, end: IntArray, following: IntArray) -> list[Rim]:
    """Chains of half-edges put in order, all at once, the longest first: loops are cut at their lowest number, then each half-edge
    counts how far it is from the end of its chain by doubling its step."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    k = len(half)
    number = np.arange(k)
    linked = np.flatnonzero(following >= 0)
    graph = coo_matrix((np.ones(len(linked), dtype=np.int8), (linked, following[linked])), shape=(k, k))
    count, label = connected_components(graph, directed=False)
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
    fan = _fans(skin, edges)
    corner = np.flatnonzero(edges.half_edge >= 0)
    key = skin.faces.reshape(-1)[corner] * (len(skin.faces) * 3 + 1) + fan[corner]
    distinct = np.unique(key) // (len(skin.faces) * 3 + 1)
    point, fans = np.unique(distinct, return_counts=True)
    several = point[fans > 1]
    crowded = np.unique(edges.ends[edges.crowded])
    return np.setdiff1d(several, crowded)
