"""Patches of skin between crowded edges that hold nothing: flaps that end in the air, walls inside the solid, and walls that stand
across skin which goes on straight without them."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray

SMALL = 0.02  # a flap of more than this share of the skin is somebody's work, not a slip
WALLS = 24  # patches tried as inner walls, the largest first
ACROSS = 0.1  # a wall across the skin of more than this share of the skin may be what was meant


def patches(edges: Edges, count: int) -> IntArray:
    """(count,) the patch of each face: faces joined across edges that exactly two share."""
    one, two = edges.neighbours.T
    label: IntArray = components(count, one, two)[0]
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


def walls_across(skin: Skin, edges: Edges, facets: Faces) -> BoolArray:
    """(m,) faces of small patches whose every side is a line of three faces, that stand behind the other two, and without which those
    go on straighter, on the whole, than either would with the patch.

    Nothing is opened: at each such line two faces stay. Winding numbers are not asked, so it serves open sheets too. A boss on the
    skin, with the skin going on beneath it, is kept: it stands before it.
    """
    patch = patches(edges, len(skin.faces))
    count = int(patch.max(initial=-1)) + 1
    half = np.flatnonzero(edges.half_edge >= 0)
    edge, owner = edges.half_edge[half], patch[half // 3]
    area = np.bincount(patch, weights=facets.area, minlength=count)
    may = np.bincount(owner, weights=(edges.count[edge] != 2) & (edges.count[edge] != 3), minlength=count) == 0
    three = np.flatnonzero(edges.count == 3)
    trio = edges.order[edges.begin[three][:, None] + np.arange(3)] if len(three) else np.zeros((0, 3), dtype=np.int64)
    length = np.linalg.norm(skin.vertices[edges.ends[three, 1]] - skin.vertices[edges.ends[three, 0]], axis=1)
    away = np.stack([_away(skin, edges.ends[three], trio[:, k]) for k in range(3)], axis=1)
    straight, behind, bound = np.zeros(count), np.zeros(count), np.zeros(count)
    for k in range(3):  # how much straighter the skin goes on without the patch that face k is of
        one, two = (k + 1) % 3, (k + 2) % 3
        rest = -np.einsum("ij,ij->i", away[:, one], away[:, two])
        mine = -np.minimum(*(np.einsum("ij,ij->i", away[:, k], away[:, other]) for other in (one, two)))
        np.add.at(straight, patch[trio[:, k] // 3], length * (rest - mine))
        np.add.at(bound, patch[trio[:, k] // 3], length)
        front = facets.normal[trio[:, one] // 3] + facets.normal[trio[:, two] // 3]
        agree = edges.forward[trio[:, one]] != edges.forward[trio[:, two]]
        np.add.at(behind, patch[trio[:, k] // 3], -length * agree * np.einsum("ij,ij->i", away[:, k], front))
    gone = np.zeros(count, dtype=bool)
    worth = np.flatnonzero(may & (bound > 0) & (straight > 0) & (behind > 0) & (area < ACROSS * area.sum()))
    owners = patch[trio // 3]
    for one in worth[np.argsort(-straight[worth] / bound[worth])].tolist():
        here = owners[(owners == one).any(axis=1)]
        if not gone[here].any() and ((here == one).sum(axis=1) == 1).all():  # a patch that leans on itself would be torn open
            gone[one] = True
    found: BoolArray = gone[patch]
    return found


def _away(skin: Skin, ends: IntArray, half: IntArray) -> FloatArray:
    """(k, 3) unit vectors from each edge straight into the face of the half-edge (k,)."""
    start, along = skin.vertices[ends[:, 0]], skin.vertices[ends[:, 1]] - skin.vertices[ends[:, 0]]
    along = along / np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    to = skin.vertices[skin.faces[half // 3, (half % 3 + 2) % 3]] - start
    to = to - np.einsum("ij,ij->i", to, along)[:, None] * along
    unit: FloatArray = to / np.maximum(np.linalg.norm(to, axis=1), 1e-300)[:, None]
    return unit
