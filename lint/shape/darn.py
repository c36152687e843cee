"""Darn a skin that passes through itself: what crosses is cut out with the faces round it, and each hole gets a patch that follows
the skin around it. It asks nothing about inside and outside, so it serves open sheets too; it is for small places only.
"""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.edges import Rim
from lint.measure.joining import components
from lint.shape.fill import patches
from lint.shape.lids import Hole, filled_holes, simple_loops
from lint.shape.patch import MOST_LOST, Patched, pitch_near, prove, strewn, trimmed
from lint.shape.sturdy import used_only
from lint.shape.wrap import STRICT, pairs_in, tolerance_of
from lint.shape.zip import rims_of
from lint.terms import BoolArray, Declined, IntArray

RINGS = 4  # so many rings of faces round the trouble are cut out at most
LARGER = 2.0
MOST_CUT = 0.1  # share of the skin that may be cut out


def darned(survey: Survey, in_mm: bool, grazing: IntArray | None = None) -> Patched:
    """Cut out every crossing of a shell with itself, and the crowded edges, and close the holes. Raises Declined with the reason.

    Crossings of one shell with another stay: to cut them out would part what belongs together. grazing: faces (see `grazes`) that cross
    less deep than is taken for rounding, to be cut out as well: no saw or slicer minds them, but a cut there leaves no clean outline.
    """
    skin, shells, facets = survey.get("skin"), survey.get("shells"), survey.get("facets")
    whole = np.flatnonzero(facets.area > 0)
    faces, area, shell = skin.faces[whole], facets.area[whole], shells.label[whole]
    bad = np.isin(whole, _broken(survey) if grazing is None else np.union1d(_broken(survey), grazing))
    if not bad.any():
        raise Declined("no shell passes through itself")
    pitch = pitch_near(survey, whole[bad])
    spared = np.zeros(len(skin.vertices), dtype=bool)
    spared[survey.get("pinched")] = True
    reason = Declined("the broken skin could not be cut out")
    cut = bad
    for ring in range(RINGS + 1):
        if ring:
            near = np.zeros(len(skin.vertices), dtype=bool)
            near[faces[cut]] = True
            cut = near[faces].any(axis=1)
        cut = trimmed(skin.vertices, faces, cut, spared)
        if float(area[cut].sum()) > MOST_CUT * float(area.sum()):
            raise Declined("too much of the skin is broken to be darned")
        lost = _left_over(faces, area, shell, cut)
        try:
            return _closed(survey, faces, cut, lost, pitch, in_mm)
        except Declined as declined:
            reason = declined
    raise reason


def _broken(survey: Survey) -> IntArray:
    """Faces at a crowded edge, or that cross another face of their own shell."""
    table, crossings = survey.get("edges"), survey.get("crossings")
    odd = np.union1d(table.crowded, table.neighbour_edge[~table.agree])
    found: IntArray = np.union1d(crossings.pairs[crossings.within].reshape(-1), np.flatnonzero(np.isin(table.half_edge, odd)) // 3)
    return found


def grazes(survey: Survey, in_mm: bool) -> IntArray:
    """Faces that cross another of their own shell, even if far less deep than is judged; or that are folded so nearly flat on it that
    they would be judged to cross in a part twice the size, which a base can make of this one."""
    skin, shells = survey.get("skin"), survey.get("shells")
    rounding = tolerance_of(skin.vertices, in_mm)
    pairs = pairs_in(survey, STRICT * rounding, LARGER * rounding)
    return np.unique(pairs[shells.label[pairs[:, 0]] == shells.label[pairs[:, 1]]])


def _left_over(faces: IntArray, area: np.ndarray, shell: IntArray, cut: BoolArray) -> BoolArray:
    """(m,) faces of the small pieces that the cut parts from the skin they belonged to. Raises Declined when a piece is not small."""
    rest = np.flatnonzero(~cut)
    left = faces[rest]
    one, two = np.concatenate((left[:, 0], left[:, 1])), np.concatenate((left[:, 1], left[:, 2]))
    size = int(faces.max(initial=0)) + 1
    _, first, piece = np.unique(components(size, one, two)[0][left[:, 0]], return_index=True, return_inverse=True)
    weight = np.bincount(piece, weights=area[rest])
    owner = shell[rest[first]]
    touched = np.zeros(size, dtype=bool)
    touched[faces[cut]] = True
    beside = np.bincount(piece, weights=touched[left].any(axis=1)) > 0
    largest = np.zeros(int(shell.max(initial=0)) + 1)
    np.maximum.at(largest, owner, weight)
    gone = beside & (weight < largest[owner])
    if float(weight[gone].sum()) > MOST_LOST * float(area.sum()):
        raise Declined("with the broken skin cut out the rest would come apart")
    lost = np.zeros(len(faces), dtype=bool)
    lost[rest] = gone[piece]
    return lost


def _closed(survey: Survey, faces: IntArray, cut: BoolArray, lost: BoolArray, pitch: float, in_mm: bool) -> Patched:
    vertices = survey.get("skin").vertices
    kept = faces[~cut & ~lost]
    if not len(kept):
        raise Declined("no sound skin would be left")
    was_open = _keys(survey.get("edges").ends[survey.get("edges").open], len(vertices))
    holes: list[Hole] = []
    still_open = 0
    for rim in rims_of(vertices, kept):
        new = ~np.isin(_keys(_sides(rim), len(vertices)), was_open)
        if rim.closed and new.all():
            holes += [Hole(loop, patches(vertices, kept, loop), 0) for loop in simple_loops(rim.points) if len(loop) >= 3]
        else:
            still_open += len(new)  # the rim of a sheet may run a little farther in
    points, made, first = filled_holes(vertices, kept, holes)
    if not all(h.done for h in holes):
        raise Declined("no patch closes the place that was cut out")
    laid = np.arange(len(made)) >= first
    prove(survey, points, made, laid, still_open, in_mm)
    corners = points[made[laid]]
    area = float(np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2)
    spots = np.vstack((strewn(vertices, faces[cut], pitch), strewn(points, made[laid], pitch)))
    return Patched(*used_only(points, made), spots, strewn(vertices, faces[lost], pitch), area, pitch)


def _sides(rim: Rim) -> IntArray:
    ends: IntArray = np.stack((rim.points, np.roll(rim.points, -1)), axis=1)
    return ends if rim.closed else ends[:-1]


def _keys(ends: IntArray, count: int) -> IntArray:
    low, high = ends.min(axis=1, initial=count), ends.max(axis=1, initial=0)
    found: IntArray = low * count + high
    return found
