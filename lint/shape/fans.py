"""Give every fan of faces round a point a point of its own, and draw the fans apart by a hair."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import Edges
from lint.measure.surface import Faces, Skin
from lint.terms import FloatArray, IntArray, Part

FLAT = 0.05  # a fan whose neighbours' middle is nearer than this share of their distance is flat: there is no way back along it


def part_fans(part: Part, skin: Skin, edges: Edges, facets: Faces, hair: float) -> tuple[Part, int, int]:
    """A part with fans that met in a point or along a crowded edge set apart; how many points were split; how many edges could not be.

    At a crowded edge faces are paired so that each pair bounds solid: going round the edge, a face with solid before it closes what a
    face with solid behind it opened. An edge where the two kinds do not balance is left. Each fan of a split point is then drawn
    towards the middle of its neighbours by `hair` mm, or a fifth of its shortest edge if that is less; so edges and tips withdraw
    into their own solid, and a flat skin that a tip touched stays where it is.
    """
    corner_of_half = np.arange(len(edges.half_edge))
    pairs, left = _pairs(skin, edges)
    fan = _fans(skin, pairs, len(corner_of_half))
    real = np.flatnonzero(edges.half_edge >= 0)
    point = skin.faces.reshape(-1)
    key = point[real] * len(point) + fan[real]
    names, index = np.unique(key, return_inverse=True)
    of_point = names // len(point)
    split = np.bincount(of_point, minlength=len(skin.vertices))[of_point] > 1
    vertices = skin.vertices[of_point] + _withdrawn(skin, facets, real, index, of_point, split, hair)
    flat = np.zeros(len(point), dtype=np.int64)
    flat[real] = index
    keep = np.unique(real // 3)
    return part.with_mesh(vertices, flat.reshape(-1, 3)[keep]), len(np.unique(of_point[split])), left


def _pairs(skin: Skin, edges: Edges) -> tuple[IntArray, int]:
    """(k, 2) half-edges that go together, and the number of crowded edges where they do not come out even."""
    real = np.flatnonzero(edges.half_edge >= 0)
    order = real[np.argsort(edges.half_edge[real], kind="stable")]
    begin = np.searchsorted(edges.half_edge[order], np.arange(len(edges.count) + 1))
    two = begin[:-1][edges.count == 2]
    found = [np.stack((order[two], order[two + 1]), axis=1)]
    left = 0
    for edge in edges.crowded:
        half = order[begin[edge] : begin[edge + 1]]
        matched = _round(skin, edges, int(edge), half)
        if matched is None:
            left += 1
            found.append(np.stack((half[:-1], half[1:]), axis=1))
        else:
            found.append(matched)
    return np.vstack(found), left


def _round(skin: Skin, edges: Edges, edge: int, half: IntArray) -> IntArray | None:
    """The half-edges (n,) of one crowded edge in pairs that bound solid, or None."""
    forward = edges.forward[half]
    if 2 * int(forward.sum()) != len(half):
        return None
    a, b = skin.vertices[edges.ends[edge]]
    along = (b - a) / np.linalg.norm(b - a)
    away = skin.vertices[skin.faces[half // 3, (half % 3 + 2) % 3]] - a
    away = away - (away @ along)[:, None] * along
    across = np.cross(along, away[0])
    sine = away @ across / max(float(np.linalg.norm(across)), 1e-300)
    cosine = away @ away[0] / max(float(np.linalg.norm(away[0])), 1e-300)
    angle = np.arctan2(sine, cosine)
    # at one angle a face that closes comes first: sheets that lie on one another bound no solid between them
    turn = half[np.lexsort((~forward, np.round(angle, 9)))]
    opens = ~edges.forward[turn]
    level = np.cumsum(np.where(opens, 1, -1))
    start = int(np.argmin(level)) + 1  # from here on, nothing closes that was not opened
    turn, opens = np.roll(turn, -start), np.roll(opens, -start)
    waiting: list[int] = []
    found: list[tuple[int, int]] = []
    for one, is_open in zip(turn.tolist(), opens.tolist(), strict=True):
        if is_open:
            waiting.append(one)
        else:
            found.append((waiting.pop(), one))
    return np.array(found, dtype=np.int64)


def _fans(skin: Skin, pairs: IntArray, corners: int) -> IntArray:
    """(3m,) the fan of each corner: corners at one point joined across paired half-edges."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    point = skin.faces.reshape(-1)
    one, two = pairs.T
    rows, columns = [], []
    for shift in (0, 1):
        mine = 3 * (one // 3) + (one % 3 + shift) % 3
        same = point[two] == point[mine]
        rows.append(mine)
        columns.append(np.where(same, two, 3 * (two // 3) + (two % 3 + 1) % 3))
    links = np.concatenate(rows), np.concatenate(columns)
    graph = coo_matrix((np.ones(len(links[0]), dtype=np.int8), links), shape=(corners, corners))
    label: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return label


def _withdrawn(
    skin: Skin, facets: Faces, corner: IntArray, fan: IntArray, of_point: IntArray, split: IntArray, hair: float
) -> FloatArray:
    """(f, 3) how far each fan is drawn back from its point; zero where the point is not split."""
    count = len(of_point)
    away = np.zeros((count, 3))
    shortest = np.full(count, np.inf)
    normal = np.zeros((count, 3))
    mine = np.flatnonzero(split[fan])
    face, here = corner[mine] // 3, fan[mine]
    reach = np.zeros(count)
    for shift in (1, 2):
        other = skin.faces[face, (corner[mine] % 3 + shift) % 3]
        step = skin.vertices[other] - skin.vertices[of_point[here]]
        length = np.linalg.norm(step, axis=1)
        np.add.at(away, here, step / np.maximum(length, 1e-300)[:, None])
        np.minimum.at(shortest, here, length)
        np.add.at(reach, here, 1.0)
    np.add.at(normal, here, facets.normal[face])
    size = np.linalg.norm(away, axis=1)
    clear = size > FLAT * reach
    direction = np.where(clear[:, None], away / np.maximum(size, 1e-300)[:, None], 0.0)
    moves = np.bincount(of_point, weights=clear & split, minlength=len(skin.vertices))
    fans = np.bincount(of_point, weights=split, minlength=len(skin.vertices))
    stuck = split & ~clear & (fans - moves > 1)[of_point]  # two flat fans: each sinks into its own solid
    back = -normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    direction = np.where(stuck[:, None], back, direction)
    far: FloatArray = direction * np.minimum(hair, shortest / 5, where=np.isfinite(shortest), out=np.zeros(count))[:, None]
    return far
