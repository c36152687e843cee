"""Scan noise: how far points of the skin stand off a smooth surface through their neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.surface import Faces, Skin, hashed
from lint.measure.vectors import columns, dot, minus, picked
from lint.terms import BoolArray, FloatArray, IntArray

MOST = 60_000  # points judged; a larger part is sampled
SPARE = 1  # points more than the six numbers of a quadric that a fit needs, to have something left to tell noise by
TURN = 0.5  # a surface that turns more than this (radians) over half of the reach is drawn too coarsely to be judged
AROUND = 48  # points that a local middle value is taken over
SAME = 0.6  # noise seen by the smaller fit is at least this share of that seen by the larger; of real detail it sees a third
FEWEST = 60  # fewer rough points than this are no region
BLOCK = 4_000


@dataclass(frozen=True)
class Fit:
    """A quadric through the neighbourhood of each point: height (k,) of the surface above the point along its normal, mm;
    noise: (k,) standard deviation of the neighbours about it, mm; judged: (k,) whether there were enough, drawn finely enough."""

    height: FloatArray
    noise: FloatArray
    judged: BoolArray


@dataclass(frozen=True)
class Roughness:
    """points: (k,) skin points judged; noise: (k,) middle of the noise of the 48 nearest of them, mm, zero where what is left over
    grows with the reach of the fit, as detail does and noise does not; beside: (k, 6) which are nearest, as positions in `points`;
    sampled: whether they are not all."""

    points: IntArray
    noise: FloatArray
    beside: IntArray
    sampled: bool


@measure
def roughness(skin: Skin, edges: Edges, facets: Faces) -> Roughness:
    """Noise at every point (or 60,000 of them) away from rims, by the residue of a quadric fitted to its surroundings.

    A quadric follows a smooth skin to the second order. What it leaves over is noise, or detail as fine as the facets; the two are
    told apart by fitting twice, to the neighbours and to their neighbours as well: noise is the same in both, while what is left
    of a shape grows eightfold with twice the reach. Sharp edges stand out singly, and a middle value passes over them.
    """
    chosen = sampled_points(skin, edges)
    sampled = len(chosen) == MOST
    near_ring, far_ring = rings(skin, edges, chosen, 6 + SPARE)
    enough = np.diff(near_ring[0]) > 0
    chosen = chosen[enough]
    normal = point_normals(skin, facets, chosen)
    near, far = (quadric_fit(skin, normal, chosen, b[np.append(enough, True)], of) for b, of in (near_ring, far_ring))
    judged = near.judged & far.judged
    points = chosen[judged]
    if len(points) < AROUND:
        return Roughness(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros((0, 6), dtype=np.int64), False)
    around = _around(skin.vertices[points])
    small, large = (_middles(fit.noise[judged], around) for fit in (near, far))
    noise = np.where(small > SAME * large, np.minimum(small, large), 0.0)
    return Roughness(points, noise, around[:, 1:7], sampled)


def rough_regions(roughness: Roughness, limit: float) -> list[IntArray]:
    """Positions in roughness.points of points rougher than the limit (mm) that lie side by side, the largest region first."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rough = roughness.noise > limit
    chosen = np.flatnonzero(rough)
    if not len(chosen):
        return []
    new = np.cumsum(rough) - 1
    one, two = np.repeat(chosen, 6), roughness.beside[chosen].reshape(-1)
    keep = rough[two]
    graph = coo_matrix((np.ones(int(keep.sum()), dtype=np.int8), (new[one[keep]], new[two[keep]])), shape=(len(chosen), len(chosen)))
    label = connected_components(graph, directed=False)[1]
    order = np.argsort(label, kind="stable")
    groups = np.split(chosen[order], np.flatnonzero(np.diff(label[order])) + 1)
    return sorted((g for g in groups if len(g) >= FEWEST), key=len, reverse=True)


def sampled_points(skin: Skin, edges: Edges) -> IntArray:
    """Points that are on no open or crowded edge, at most 60,000 of them, picked by a hash of their coordinates."""
    inner = np.zeros(len(skin.vertices), dtype=bool)
    inner[edges.ends.reshape(-1)] = True
    inner[edges.ends[edges.count != 2].reshape(-1)] = False
    points = np.flatnonzero(inner)
    if len(points) <= MOST:
        return points
    key = hashed(skin.vertices[points].view(np.uint64))
    return np.asarray(np.sort(points[np.argpartition(key, MOST)[:MOST]]))


def quadric_fit(skin: Skin, normal: FloatArray, points: IntArray, begin: IntArray, neighbour: IntArray) -> Fit:
    """Fit z = a + b x + c y + d x^2 + e x y + f y^2 over the surroundings of each point (see `rings`), itself among them.

    z is along the point's own normal (k, 3); lengths are scaled by the farthest neighbour so that the six equations are well set.
    Noise is the root of the squared residues over the number of neighbours less six, set right for the middle value of so few
    (the median of chi-squared, by Wilson and Hilferty 1931, from memory).
    """
    height, noise, judged = np.zeros(len(points)), np.zeros(len(points)), np.zeros(len(points), dtype=bool)
    for first in range(0, len(points), BLOCK):
        block = slice(first, min(first + BLOCK, len(points)))
        own = begin[block.start : block.stop + 1]
        some = skin.vertices, points[block], normal[block], own - own[0], neighbour[own[0] : own[-1]]
        reach, solved, square = (_fit_compiled if loops.there() else _fit_block)(*some)
        spare = np.maximum(np.diff(own) - 6, 1)
        turn = np.sqrt(solved[:, 3] ** 2 + solved[:, 5] ** 2 + solved[:, 4] ** 2 / 2)  # over half of the reach
        height[block] = reach * solved[:, 0]
        noise[block] = reach * np.sqrt(square / (spare * (1 - 2 / (9 * spare)) ** 3))
        judged[block] = (np.diff(own) >= 6 + SPARE) & (turn < TURN)
    return Fit(height, noise, judged)


def point_normals(skin: Skin, facets: Faces, points: IntArray) -> FloatArray:
    """(k, 3) unit normals at different points (k,), the mean of the faces round each by their area."""
    if loops.there():
        return loops.point_normals(skin.faces, facets.normal, facets.area, len(skin.vertices), points)
    total = np.zeros((len(points), 3))
    for axis in range(3):
        weight = facets.normal[:, axis] * facets.area
        for corner in range(3):
            total[:, axis] += np.bincount(skin.faces[:, corner], weights=weight, minlength=len(skin.vertices))[points]
    unit: FloatArray = total / np.maximum(np.linalg.norm(total, axis=1), 1e-300)[:, None]
    return unit


def rings(
    skin: Skin, edges: Edges, points: IntArray, fewest: int = 0
) -> tuple[tuple[IntArray, IntArray], tuple[IntArray, IntArray]]:
    """The points within one and within two edges of each point, and itself: for either, where each begins (k + 1,), and their numbers.

    None of either where there are not the fewest within one edge.
    """
    if loops.there():
        return loops.rings(edges.ends, len(skin.vertices), points, fewest)
    from scipy.sparse import csr_matrix, identity

    n = len(skin.vertices)
    a, b = edges.ends.T
    ones = np.ones(2 * len(a), dtype=np.int32)
    ring = csr_matrix((ones, (np.concatenate((a, b)), np.concatenate((b, a)))), shape=(n, n)) + identity(n, dtype=np.int32, format="csr")
    count = np.diff(ring.indptr)[points]
    near = ring[points[count >= fewest]]
    found = []
    for own in (near, near @ ring):
        many = np.zeros(len(points) + 1, dtype=np.int64)
        many[1:][count >= fewest] = np.diff(own.indptr)
        found.append((np.cumsum(many), own.indices.astype(np.int64)))
    return found[0], found[1]


def _around(place: FloatArray) -> IntArray:
    """(k, AROUND) which of points (k, 3) are nearest to each, the first seven in order, each itself first."""
    if loops.there():
        return loops.nearest_few(place, AROUND, 7)
    from scipy.spatial import cKDTree

    far, near = (np.asarray(said) for said in cKDTree(place).query(place, k=AROUND))
    order = np.lexsort((near, far), axis=1)  # of equally near ones the lower number first
    return np.asarray(np.take_along_axis(near, order, axis=1), dtype=np.int64)


def _middles(value: FloatArray, around: IntArray) -> FloatArray:
    """(k,) the middle value of those around (k, j) each."""
    return loops.middles(value, around) if loops.there() else np.asarray(np.median(value[around], axis=1))


def _fit_compiled(
    vertices: FloatArray, points: IntArray, normal: FloatArray, begin: IntArray, neighbour: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What `_fit_block` says, by the compiled loops."""
    left, right, reach, at = loops.quadrics(vertices, points, normal, begin, neighbour)
    solved = np.asarray(np.linalg.solve(left, right[:, :, None])[:, :, 0], dtype=np.float64)
    return reach, solved, loops.residues(at, begin, solved)


def _fit_block(
    vertices: FloatArray, points: IntArray, normal: FloatArray, begin: IntArray, neighbour: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How far the surroundings of each point reach (k,), mm; the quadric through them (k, 6) and the sum of its squared residues (k,), in
    lengths of that reach."""
    centre, near, count = vertices[points], vertices[neighbour], np.diff(begin)
    owner = np.repeat(np.arange(len(centre)), count)
    side = np.where(np.abs(normal[:, :1]) < 0.9, np.array([[1.0, 0, 0]]), np.array([[0, 1.0, 0]]))
    u = np.cross(normal, side)
    u /= np.maximum(np.linalg.norm(u, axis=1), 1e-300)[:, None]
    v = np.cross(normal, u)
    off = minus(columns(near), picked(columns(centre), owner))
    x, y, z = (dot(off, picked(columns(axis), owner)) for axis in (u, v, normal))
    reach = np.sqrt(np.maximum.reduceat(x * x + y * y, begin[:-1]))
    scale = np.maximum(reach, 1e-300)[owner]
    x, y, z = x / scale, y / scale, z / scale
    base = (np.ones_like(x), x, y, x * x, x * y, y * y)
    left, right = np.empty((len(centre), 6, 6)), np.empty((len(centre), 6))
    for i in range(6):
        for j in range(i + 1):
            left[:, i, j] = left[:, j, i] = np.add.reduceat(base[i] * base[j], begin[:-1])
        right[:, i] = np.add.reduceat(base[i] * z, begin[:-1])
    left[:, np.arange(6), np.arange(6)] += 1e-9 * count[:, None]
    solved = np.asarray(np.linalg.solve(left, right[:, :, None])[:, :, 0], dtype=np.float64)
    residue = z - sum(b * solved[owner, i] for i, b in enumerate(base))
    return reach, solved, np.add.reduceat(residue**2, begin[:-1])
