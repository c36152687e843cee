"""A whole new skin round a broken one: drawn from the field, set on the old skin, freed of specks and of crossings."""

from __future__ import annotations

from typing import Any

import numpy as np

from lint.measure import Survey
from lint.measure.crossings import crossings_deeper, tolerance_for
from lint.measure.vectors import columns, length, minus, picked
from lint.shape.extract import Drawn, band, draw
from lint.shape.field import field_of
from lint.shape.sturdy import grain, sturdy, used_only
from lint.terms import BoolArray, Declined, FloatArray, IntArray, Part

# A loose piece of new skin smaller than a ball of this many pitches across is a speck of the drawing and not of the part.
SPECK = 4.0
ROUNDS = 14
BACK = (0.5, 0.2, 0.0)  # the share of its way on to the old skin that a point keeps in the first rounds
# New skin must not cross any skin even this share of the depth that is taken for rounding elsewhere: what is ours to lay is laid clean.
STRICT = 0.01
# About so many faces a square pitch of skin does the drawing make (measured on balls and heads; 6 a crossed side in theory).
FACES_A_SQUARE = 4.2


def pitch_for(area: float, diagonal: float, nozzle: float | None, budget: int = 600_000) -> float:
    """The cell size for a skin of `area` mm2: as fine as the nozzle can show, but no more than `budget` faces.

    nozzle: mm, None when the units are not known. Never finer than a thousandth of the diagonal, never coarser than a fortieth.
    """
    finest = diagonal / 1000 if nozzle is None else max(nozzle, diagonal / 1000)
    affordable = float(np.sqrt(FACES_A_SQUARE * area / budget))
    return float(np.clip(max(finest, affordable), diagonal / 1000, diagonal / 40))


def rewrap_mesh(
    vertices: FloatArray, faces: IntArray, pitch: float, *, hollows: bool = True, in_mm: bool = True
) -> tuple[FloatArray, IntArray]:
    """The closed skin of the region where the winding number is a half or more, on cells of `pitch` mm: (n, 3), (m, 3).

    Points are set on the old skin wherever that is nearer than three quarters of a cell. Pieces and, unless `hollows`, cavities
    too small to be of the part are left out (all cavities when `hollows` is false). Raises Declined when nothing is inside, or
    when the new skin cannot be freed of crossings.
    """
    field = field_of(vertices, faces, pitch)
    cells, low = band(field, pitch)
    if not len(cells):
        raise Declined("there is no skin to wrap")
    drawn = draw(field, cells, low, pitch)
    keep = _pieces(drawn, pitch, hollows)
    if not keep.any():
        raise Declined("the skin encloses nothing, so there is no solid to wrap")
    new_faces = drawn.faces[keep]
    short = grain(drawn.vertices, in_mm)
    nothing_fixed = np.zeros(len(drawn.vertices), dtype=bool)
    points, new_faces = sturdy(drawn.vertices, new_faces, short, nothing_fixed)
    points = uncrossed(points, drawn.start, new_faces, ~nothing_fixed, short, tolerance_of(vertices, in_mm))
    return used_only(*sturdy(points, new_faces, short, nothing_fixed))


def _pieces(drawn: Drawn, pitch: float, hollows: bool) -> BoolArray:
    """(m,) faces of pieces that stay: solids larger than a speck, and cavities larger than a speck where they are wanted."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    f = drawn.faces
    if not len(f):
        return np.zeros(0, dtype=bool)
    one, two = np.concatenate((f[:, 0], f[:, 1])), np.concatenate((f[:, 1], f[:, 2]))
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(len(drawn.vertices),) * 2)
    piece = connected_components(graph, directed=False)[1][f[:, 0]]
    a, b, c = (drawn.vertices[f[:, k]] - drawn.vertices[f[0, 0]] for k in range(3))
    volume = np.bincount(piece, weights=np.einsum("ij,ij->i", a, np.cross(b, c)) / 6)
    speck = np.pi / 6 * (SPECK * pitch) ** 3
    stays = (volume > min(speck, 0.5 * float(volume.max()))) | ((volume < -speck) & hollows)
    found: BoolArray = stays[piece]
    return found


def uncrossed(
    points: FloatArray, start: FloatArray, faces: IntArray, free: BoolArray, short: float, rounding: float,
    looked_at: IntArray | None = None, new: IntArray | None = None,
) -> FloatArray:  # fmt: skip
    """The points, with those at crossing or touching faces, and those nearer to another than `short`, taken back step by step to where
    they started, and then smoothed, until none cross.

    free: (n,) points that may be moved; looked_at: faces among which crossings are sought (None: all);
    new: points of which at least one must be at a crossing for it to matter (None: all). Raises Declined when crossings remain.

    rounding: the depth at which crossings are judged later. What is cut is sought far below it. A face folded back on its neighbour is
    cut by nothing, and lies on it only as judged at the full depth: so both are asked.
    """
    at: FloatArray = points.copy()
    share = np.ones(len(points))
    looked_at = np.arange(len(faces)) if looked_at is None else looked_at
    before = len(faces) + 1
    for turn in range(ROUNDS):
        pairs = looked_at[crossing_pairs(at, faces[looked_at], STRICT * rounding, rounding)]
        if new is not None:
            at_new: BoolArray = np.asarray(np.isin(faces, new).any(axis=1))
            pairs = pairs[at_new[pairs].any(axis=1)]
        bad = np.union1d(faces[np.unique(pairs)], _together(at, faces, free, short))
        if turn < len(BACK):  # no harm if it still touches after that
            touching = np.unique(faces[looked_at[_touching(at, faces[looked_at], short / 2, STRICT * rounding)]])
            bad = np.union1d(bad, touching[free[touching]])
        if not len(bad):
            return at
        looked_at = near_points(at, faces, bad)  # only what moves can cross anew
        bad = bad[free[bad]]
        if not len(bad) or (turn > 5 and len(bad) >= before):
            break
        before = len(bad)
        if turn < len(BACK):
            share[bad] = BACK[turn]
            at[bad] = start[bad] + share[bad, None] * (points[bad] - start[bad])
        else:
            at[bad] = 0.5 * at[bad] + 0.5 * _round_about(at, faces, bad)
    raise Declined("the new skin still crosses itself in places")


def _touching(points: FloatArray, faces: IntArray, by: float, tolerance: float) -> IntArray:
    """(k, 2) faces of which one would pass through the other if all skin were laid `by` mm further out, or further in.

    Two sheets that were both set on one edge of the old skin touch along it: nothing crosses, but it is no skin of a solid.
    """
    import igl

    normal = np.nan_to_num(igl.per_vertex_normals(np.ascontiguousarray(points), np.ascontiguousarray(faces)))
    return np.vstack([crossing_pairs(points + side * normal, faces, tolerance) for side in (by, -by)])


def _together(points: FloatArray, faces: IntArray, free: BoolArray, short: float) -> IntArray:
    """Free points that lie nearer than `short` to another point of the mesh: in a file the two would be one."""
    from scipy.spatial import cKDTree

    used = np.zeros(len(points), dtype=bool)
    used[faces.reshape(-1)] = True
    known = np.flatnonzero(used)
    pairs = known[cKDTree(points[known]).query_pairs(short, output_type="ndarray")]
    near = np.unique(pairs)
    return near[free[near]]


def near_points(points: FloatArray, faces: IntArray, moving: IntArray) -> IntArray:
    """Faces that the points `moving` and the faces at them could come to cross when they move by less than a face's size."""
    from scipy.spatial import cKDTree

    moves = np.zeros(len(points), dtype=bool)
    moves[moving] = True
    touched = moves[faces[:, 0]] | moves[faces[:, 1]] | moves[faces[:, 2]]
    at = columns(points)
    corner = [picked(at, faces[:, k]) for k in range(3)]
    size = np.maximum.reduce([length(minus(corner[k], corner[k - 2])) for k in range(3)])
    reach = 2 * float(size[touched].max())
    middle = np.stack([(a + b + c) / 3 for a, b, c in zip(*corner, strict=True)], axis=1)
    distance, _ = cKDTree(middle[touched]).query(middle, distance_upper_bound=2 * reach)
    large = size > reach
    return np.flatnonzero(np.isfinite(distance) | large)


def _round_about(points: FloatArray, faces: IntArray, which: IntArray) -> FloatArray:
    """(k, 3) the mean of the neighbours of each of the points `which`."""
    chosen = np.full(len(points), -1, dtype=np.int64)
    chosen[which] = np.arange(len(which))
    total, count = np.zeros((len(which), 3)), np.zeros(len(which))
    for k in range(3):
        here = np.flatnonzero(chosen[faces[:, k]] >= 0)
        for other in (1, 2):
            np.add.at(total, chosen[faces[here, k]], points[faces[here, (k + other) % 3]])
            np.add.at(count, chosen[faces[here, k]], 1)
    mean: FloatArray = total / np.maximum(count, 1)[:, None]
    return mean


def crossing_pairs(points: FloatArray, faces: IntArray, *deeper: float) -> IntArray:
    """(k, 2) faces of a bare mesh, or of a piece of one, that cross deeper than a tolerance; of several, each in turn."""
    return pairs_in(survey_of(points, faces), *deeper)


def pairs_in(survey: Survey, *deeper: float) -> IntArray:
    """(k, 2) faces of what is surveyed that cross deeper than a tolerance; of several, each in turn: at the greater one also faces lie on
    each other that are told apart at the smaller."""
    known = [survey.get(n) for n in ("skin", "edges", "facets", "shells", "extent", "pinched", "tree")]
    return np.vstack([crossings_deeper(tolerance, *known).pairs for tolerance in deeper])


def tolerance_of(points: FloatArray, in_mm: bool) -> float:
    """The depth below which a crossing is taken for rounding, for a whole mesh with these points."""
    return tolerance_for(float(np.linalg.norm(np.ptp(points, axis=0))), in_mm)


def survey_of(points: FloatArray, faces: IntArray, in_mm: bool = True) -> Survey:
    """The measurements of a bare mesh that belongs to no file."""
    from pathlib import Path

    from lint.terms import Source

    nowhere: Any = Source(Path("new skin"), "", "", 0)
    return Survey(Part(np.array(points), np.array(faces), nowhere, units="mm" if in_mm else None))
