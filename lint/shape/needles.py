"""Needles: faces of no width are turned into the faces beside them, or drawn shut along a side as short as they are wide."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.shape.collapse import Collapsible, normals_and_heights
from lint.shape.compact import without
from lint.shape.crossing import crossing_faces
from lint.terms import BoolArray, FloatArray, IntArray, Part

TRIES = 4  # so often needles are drawn shut anew, without those that made skin cut skin


@dataclass(frozen=True)
class Turned:
    """A part after a layer of needles was turned; how many; the corners (k, 3, 3) of those taken out that hung by one side or none."""

    part: Part
    count: int
    hung: FloatArray


def turn_needles(part: Part, least: float) -> Turned:
    """One layer of needles turned: with the face across its longest edge, the two become two others of the same outline.

    A needle whose longest edge is open is taken out; the rim then passes through its middle corner. None is turned where that
    would draw an edge that is there already, fold the skin, cut through other skin, or only make a worse needle.
    """
    survey = Survey(part)
    skin, edges, height = survey.get("skin"), survey.get("edges"), survey.get("heights")
    needles = np.flatnonzero((height < least) & (edges.half_edge[::3] >= 0))
    corners = skin.vertices[skin.faces[needles]]
    longest = np.argmax(((corners - np.roll(corners, -1, axis=1)) ** 2).sum(axis=2), axis=1)
    half = 3 * needles + longest
    edge = edges.half_edge[half]
    gone = np.zeros(len(part.faces), dtype=bool)
    gone[needles[edges.count[edge] == 1]] = True
    out = np.flatnonzero(gone)
    hung = skin.vertices[skin.faces[out[(edges.count[edges.half_edge.reshape(-1, 3)[out]] == 1).sum(axis=1) > 1]]]
    half, edge = half[edges.count[edge] == 2], edge[edges.count[edge] == 2]
    all_half = np.flatnonzero(edges.half_edge >= 0)
    both = np.bincount(edges.half_edge[all_half], weights=all_half.astype(np.float64), minlength=len(edges.count))
    other = both[edge].astype(np.int64) - half
    face, across = half // 3, other // 3
    # the needle is (a, c, b) with a-c its longest side; the face across it is (c, a, d)
    a, c, b = (skin.faces[face, (half % 3 + k) % 3] for k in range(3))
    d = skin.faces[across, (other % 3 + 2) % 3]
    pa, pb, pc, pd = (skin.vertices[x] for x in (a, b, c, d))
    lookout = np.cross(pa - pc, pd - pc)
    one, two = np.cross(pd - pa, pb - pa), np.cross(pc - pd, pb - pd)
    lower = np.minimum(*(normals_and_heights(np.stack(three, axis=1))[1] for three in ((pa, pd, pb), (pd, pc, pb))))
    size = len(skin.vertices)
    key = np.minimum(b, d) * size + np.maximum(b, d)
    known = edges.ends[:, 0] * size + edges.ends[:, 1]
    good = (
        (skin.faces[across, other % 3] == c)
        & (b != d)
        & (known[np.searchsorted(known, key).clip(max=len(known) - 1)] != key)
        & (np.einsum("ij,ij->i", one, lookout) >= 0)
        & (np.einsum("ij,ij->i", two, lookout) >= 0)
        & ((lower >= least) | (lower > np.minimum(height[face], height[across]) * (1 + 1e-6)))
        & ~gone[across]
    )
    pick = np.flatnonzero(good)
    pick = pick[_apart(np.stack((face[pick], across[pick]), axis=1), key[pick], len(part.faces))]
    faces = skin.faces.copy()
    faces[face[pick]] = np.stack((a, d, b), axis=1)[pick]
    faces[across[pick]] = np.stack((d, c, b), axis=1)[pick]
    turned = np.zeros(len(faces), dtype=bool)
    turned[face[pick]] = turned[across[pick]] = True
    cut = crossing_faces(skin.vertices, faces, turned)
    if cut.any():  # the new edge may run through skin that the old one passed by
        back = pick[cut[face[pick]] | cut[across[pick]]]
        faces[face[back]], faces[across[back]] = skin.faces[face[back]], skin.faces[across[back]]
        pick = np.setdiff1d(pick, back)
    changed = len(pick) + int(gone.sum())
    if not changed or gone.all():
        return Turned(part, 0, np.zeros((0, 3, 3)))
    return Turned(without(part.with_mesh(skin.vertices, faces), gone), changed, hung)


def _apart(faces: IntArray, key: IntArray, count: int) -> BoolArray:
    """Which pairs of faces (k, 2) can be turned at once: no face in two pairs, no new edge drawn twice."""
    number = np.arange(len(faces))
    claim = np.full(count, len(faces))
    for side in (0, 1):
        np.minimum.at(claim, faces[:, side], number)
    free: BoolArray = (claim[faces] == number[:, None]).all(axis=1)
    first = np.zeros(len(faces), dtype=bool)
    first[np.unique(key, return_index=True)[1]] = True
    return free & first


def press_needles(part: Part, least: float) -> tuple[Part, int]:
    """A layer of needles with a side shorter than `least` mm drawn shut there, and how many: the two ends become one of them.

    As needles and caps are told apart by Botsch, Kobbelt 2001: a cap is turned, a needle collapsed. Points of open and crowded edges
    stay. None is drawn shut where that folds the skin, makes a worse sliver, or cuts through other skin.
    """
    survey = Survey(part)
    skin, edges, height = survey.get("skin"), survey.get("edges"), survey.get("heights")
    low = np.flatnonzero((height < least) & (edges.half_edge[::3] >= 0))
    corners = skin.vertices[skin.faces[low]]
    short = ((np.roll(corners, -1, axis=1) - corners) ** 2).sum(axis=2).min(axis=1) < least**2
    if not short.any():
        return part, 0
    held = np.zeros(len(skin.vertices), dtype=bool)
    held[edges.ends[edges.count != 2]] = True
    held[skin.faces[edges.half_edge[::3] < 0]] = True  # where a face has no sides, nobody knows what is around a point
    for _ in range(TRIES):
        work = Collapsible(skin.vertices, skin.faces, least, held)
        count = sum(work.press(int(face), least) for face in low[short])
        changed = work.alive & (work.rows != skin.faces).any(axis=1)
        if not changed.any():
            break
        before = crossing_faces(skin.vertices, skin.faces, changed | ~work.alive)
        after = np.zeros(len(before), dtype=bool)
        after[work.alive] = crossing_faces(skin.vertices, work.rows[work.alive], changed[work.alive])
        worse = after & ~before
        if not worse.any():
            return without(part.with_mesh(skin.vertices, work.rows), ~work.alive), count
        held[skin.faces[worse]] = True
    return part, 0
