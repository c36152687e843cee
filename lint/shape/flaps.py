"""Patches of skin between crowded edges that hold nothing: flaps that end in the air, and walls inside the solid."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import Edges
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, IntArray

SMALL = 0.02  # a flap of more than this share of the skin is somebody's work, not a slip
WALLS = 24  # patches tried as inner walls, the largest first


def patches(edges: Edges, count: int) -> IntArray:
    """(count,) the patch of each face: faces joined across edges that exactly two share."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    one, two = edges.neighbours.T
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(count, count))
    label: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return label


def flaps(skin: Skin, edges: Edges, facets: Faces) -> BoolArray:
    """(m,) faces of small patches with an open rim that hang on a crowded edge, where the others there go on without them.

    All such patches are taken together; where that would leave one face alone at an edge, the largest patch there is kept, and so
    on until nothing more is opened.
    """
    patch = patches(edges, len(skin.faces))
    count = int(patch.max(initial=-1)) + 1
    half = np.flatnonzero(edges.half_edge >= 0)
    edge, owner = edges.half_edge[half], patch[half // 3]
    area = np.bincount(patch, weights=facets.area, minlength=count)
    has_rim, hangs = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
    has_rim[owner[edges.count[edge] == 1]] = True
    hangs[owner[edges.count[edge] > 2]] = True
    gone = has_rim & hangs & (area < SMALL * area.sum())
    at_crowd = edges.count[edge] > 2
    edge, owner = edge[at_crowd], owner[at_crowd]
    while gone.any():
        left = np.bincount(edge[~gone[owner]], minlength=len(edges.count))
        torn = (left == 1)[edge] & gone[owner]
        if not torn.any():
            break
        order = np.lexsort((area[owner[torn]], edge[torn]))
        last = np.append(np.diff(edge[torn][order]) != 0, True)
        gone[owner[torn][order][last]] = False
    found: BoolArray = gone[patch]
    return found


def inner_walls(skin: Skin, edges: Edges, facets: Faces) -> BoolArray:
    """(m,) faces of patches whose every side is a line of three faces, with the solid of the others on both sides of them."""
    import igl

    patch = patches(edges, len(skin.faces))
    count = int(patch.max(initial=-1)) + 1
    half = np.flatnonzero(edges.half_edge >= 0)
    edge, owner = edges.half_edge[half], patch[half // 3]
    crowded = np.bincount(owner, weights=edges.count[edge] > 2, minlength=count) > 0
    other = np.bincount(owner, weights=(edges.count[edge] != 2) & (edges.count[edge] != 3), minlength=count) > 0
    area = np.bincount(patch, weights=facets.area, minlength=count)
    tried = np.flatnonzero(crowded & ~other)
    gone = np.zeros(count, dtype=bool)
    for one in tried[np.argsort(-area[tried])][:WALLS]:
        mine = np.flatnonzero(patch == one)
        rest = np.ascontiguousarray(skin.faces[(patch != one) & ~gone[patch]])
        some = mine[np.linspace(0, len(mine) - 1, min(len(mine), 25)).astype(np.int64)]
        step = 1e-5 * float(np.linalg.norm(skin.vertices.max(axis=0) - skin.vertices.min(axis=0))) * facets.normal[some]
        points = np.vstack((facets.centre[some] + step, facets.centre[some] - step))
        around = np.asarray(igl.winding_number(skin.vertices, rest, points)).reshape(-1)
        shared = np.unique(edge[owner == one])
        lone = edges.count[shared] == 3
        if (np.abs(around) > 0.5).all() and not gone[owner[np.isin(edge, shared[lone])]].any():
            gone[one] = True
    found: BoolArray = gone[patch]
    return found
