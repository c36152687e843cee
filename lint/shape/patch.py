"""New skin only where the old is broken: the trouble is cut out, a patch is drawn from the field, and the two rims are zipped.

Skin that stays keeps its very points. Whatever does not fit together is declined, and the caller may wrap the whole part instead.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lint.measure import Survey
from lint.measure.displacement import sample
from lint.measure.edges import Edges, Rim, edges, pinched
from lint.measure.surface import Skin
from lint.shape.extract import band, draw
from lint.shape.field import Field, field_of
from lint.shape.sturdy import grain, sturdy, used_only
from lint.shape.wrap import STRICT, crossing_pairs, near_points, survey_of, tolerance_of, uncrossed
from lint.shape.zip import NONE, flat_faces, matched, rims_of, zipped
from lint.terms import BoolArray, Declined, FloatArray, IntArray

REACHES = (3.0, 5.0, 8.0)  # how far round the trouble skin is cut out, in cells; the next is tried when one does not fit
PLACES = 60  # more broken places than this, and the part is better wrapped as a whole
TRIED = 4  # places tried one by one at each reach
TRIES = 10  # tries that may fail in all
MOST_LOST = 0.02  # share of the skin that may be left out as inside out
ASKED = 16.0  # within so many cells of the trouble every face is asked whether it is exposed
SAMPLED = 4000  # and of all the others about so many
MARGIN = 1.0  # how far the patch stays off the skin that is kept, in cells


@dataclass(frozen=True)
class Patched:
    """vertices, faces: the mended mesh; spots: (k, 3) points on all that was cut out or laid in, not farther apart than `pitch`;
    lost: (l, 3) points on skin that was left out because it was neither outside nor buried; area: mm2 of new skin;
    buried: (b, 3) points on skin that was left out because it lies inside."""

    vertices: FloatArray
    faces: IntArray
    spots: FloatArray
    lost: FloatArray
    area: float
    pitch: float
    buried: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))


@dataclass(frozen=True)
class Trouble:
    """spots: (k, 3) points along what is wrong with the skin; faces: those that are part of it."""

    spots: FloatArray
    faces: IntArray


def trouble_of(survey: Survey, every: bool = False) -> Trouble:
    """Everything that is wrong with the skin: crossings and crowded edges. Crossings of two closed shells are left to unite,
    unless `every` one is wanted."""
    skin, table, crossings, shells = (survey.get(n) for n in ("skin", "edges", "crossings", "shells"))
    odd = np.union1d(table.crowded, table.neighbour_edge[~table.agree])
    ends = skin.vertices[table.ends[odd]]
    rows = crossings.within | ~shells.closed[shells.label[crossings.pairs]].all(axis=1) | every
    at = np.isin(table.half_edge, odd)
    faces = np.union1d(crossings.pairs[rows].reshape(-1), np.flatnonzero(at) // 3)
    start, end = np.vstack((crossings.start[rows], ends[:, 0])), np.vstack((crossings.end[rows], ends[:, 1]))
    return Trouble(np.vstack((start, (start + end) / 2, end)), faces)


def places_of(survey: Survey, trouble: Trouble, apart: float) -> list[Trouble]:
    """The trouble by places that are farther than `apart` mm from each other, the largest first."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    skin = survey.get("skin")
    corners = skin.vertices[skin.faces[trouble.faces]].reshape(-1, 3)
    points = np.vstack((corners, trouble.spots))
    pairs = cKDTree(points).query_pairs(apart, output_type="ndarray")
    own = np.arange(len(corners))
    pairs = np.vstack((pairs, np.stack((own, own - own % 3), axis=1)))
    graph = coo_matrix((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(points),) * 2)
    label = connected_components(graph, directed=False)[1]
    places = [Trouble(trouble.spots[label[len(corners) :] == k], trouble.faces[label[: len(corners) : 3] == k]) for k in np.unique(label)]
    return sorted((p for p in places if len(p.faces) and len(p.spots)), key=lambda p: -len(p.faces))


def pitch_near(survey: Survey, faces: IntArray) -> float:
    """A cell size to suit the skin round the trouble: a little finer than its faces, within reason for the part's size."""
    skin, diagonal = survey.get("skin"), survey.get("extent").diagonal
    corners = skin.vertices[skin.faces[faces]]
    side = np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2)
    return float(np.clip(0.6 * np.median(side), diagonal / 1000, diagonal / 150))


def patched(survey: Survey, in_mm: bool) -> Patched:
    """Cut out the trouble, place by place, and lay new skin there. Raises Declined, with the reason, when a place cannot be mended."""
    spots: list[FloatArray] = []
    lost: list[FloatArray] = []
    buried: list[FloatArray] = []
    area, pitch = 0.0, 0.0
    every = not len(trouble_of(survey).faces)  # only sound shells cross, and unite could not help
    tries = TRIES
    left = len(survey.get("skin").faces) + 1
    for _ in range(PLACES):
        trouble = trouble_of(survey, every)
        if not len(trouble.faces):
            break
        if len(trouble.faces) >= left:
            raise Declined("patching leaves the trouble as it is")
        left = len(trouble.faces)
        one, tries = _first_that_fits(survey, trouble, tries, in_mm)
        spots.append(one.spots)
        lost.append(one.lost)
        buried.append(one.buried)
        area, pitch = area + one.area, max(pitch, one.pitch)
        survey = survey_of(one.vertices, one.faces, in_mm)
    else:
        raise Declined(f"the skin is broken in more than {PLACES} places")
    if not spots:
        raise Declined("no skin passes through skin, and no edge is crowded")
    return Patched(survey.part.vertices, survey.part.faces, np.vstack(spots), np.vstack(lost), area, pitch, np.vstack(buried))


def _first_that_fits(survey: Survey, trouble: Trouble, tries: int, in_mm: bool) -> tuple[Patched, int]:
    """All the trouble at once where that works, else one place alone, the largest first; with as little reach as will do."""
    skin, facets = survey.get("skin"), survey.get("facets")
    real = np.flatnonzero(facets.area > 0)
    pitch = pitch_near(survey, trouble.faces)
    faces = skin.faces[real]
    ask = _close_to(skin.vertices, faces, _spots_and_corners(skin.vertices, skin.faces, trouble), ASKED * pitch)
    ask[:: max(len(faces) // SAMPLED, 1)] = True
    field = field_of(skin.vertices, faces, pitch, ask)
    reason = Declined("the trouble could not be cut out")
    places = places_of(survey, trouble, 6 * pitch)
    for reach in REACHES:
        for place in (trouble, *places[: 0 if len(places) == 1 else TRIED]):
            fine = pitch_near(survey, place.faces)
            if not tries:
                raise reason
            try:
                return _patched(survey, field, real, place, reach * fine, fine, in_mm), tries
            except Declined as declined:
                reason = declined
                tries -= 1
    raise reason


def _patched(
    survey: Survey, field: Field, real: IntArray, trouble: Trouble, reach: float, pitch: float, in_mm: bool
) -> Patched:
    skin = survey.get("skin")
    vertices, faces = skin.vertices, skin.faces[real]
    cut = _cut_out(survey, vertices, faces, np.isin(real, trouble.faces), trouble.spots, reach)
    kept, lost = _stays(field, vertices, faces, cut)
    if not kept.any():
        raise Declined("no sound skin would be left")
    if cut.mean() > 0.5:
        raise Declined("more than half of the skin is broken")
    loops, old_rims = _loops(survey, vertices, faces[kept])
    patch_points, patch_start, patch = _patch(field, vertices, faces, cut, kept, pitch)
    pairs = matched(vertices, loops, patch_points, patch, pitch)
    shift = len(vertices)
    zips = [zipped(vertices, one.points, patch_points, two.points, shift) for one, two in pairs]
    all_points = np.vstack((vertices, patch_points))
    all_start = np.vstack((vertices, patch_start))
    all_faces = np.vstack((faces[kept], patch + shift, *zips))
    free = np.arange(len(all_points)) >= shift
    new = np.unique(np.vstack((patch + shift, *zips)))
    short, rounding = grain(vertices, in_mm), tolerance_of(vertices, in_mm)
    all_points, all_faces = sturdy(all_points, all_faces, short, ~free)
    near = near_points(all_points, all_faces, new)
    used, local = np.unique(all_faces[near], return_inverse=True)
    at_new = np.flatnonzero(np.isin(used, new))
    all_points[used] = uncrossed(all_points[used], all_start[used], local.reshape(-1, 3), free[used], short, rounding, None, at_new)
    points, new_faces = used_only(*sturdy(all_points, all_faces, short, ~free))
    laid = _not_among(vertices, faces, points, new_faces)
    prove(survey, points, new_faces, laid, old_rims, in_mm)
    corners = points[new_faces[laid]]
    area = float(np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2)
    where = np.vstack((strewn(vertices, faces[cut], pitch), strewn(points, new_faces[laid], pitch)))
    buried = strewn(vertices, faces[~kept & ~lost & ~cut], pitch)
    return Patched(points, new_faces, where, strewn(vertices, faces[lost], pitch), area, pitch, buried)


def _not_among(old_points: FloatArray, old_faces: IntArray, points: FloatArray, faces: IntArray) -> BoolArray:
    """(m,) faces that are not one of the old faces, corner for corner to the last bit."""
    from lint.measure.surface import weld_exact

    _, index = weld_exact(np.vstack((old_points, points)))
    rows = np.vstack((index[old_faces], index[len(old_points) :][faces])).astype(np.float64)
    turned = np.take_along_axis(rows, (rows.argmin(axis=1)[:, None] + np.arange(3)) % 3, axis=1)
    _, which = weld_exact(turned)
    known = np.zeros(int(which.max(initial=0)) + 1, dtype=bool)
    known[which[: len(old_faces)]] = True
    found: BoolArray = ~known[which[len(old_faces) :]]
    return found


def _spots_and_corners(vertices: FloatArray, faces: IntArray, trouble: Trouble) -> FloatArray:
    return np.vstack((trouble.spots, vertices[faces[trouble.faces]].reshape(-1, 3)))


def _close_to(vertices: FloatArray, faces: IntArray, spots: FloatArray, reach: float) -> BoolArray:
    """(m,) faces with a corner within reach of any of the spots (k, 3), and those so large that they might pass them all the same."""
    from scipy.spatial import cKDTree

    near = np.isfinite(cKDTree(spots).query(vertices, distance_upper_bound=reach)[0])
    corners = vertices[faces]
    large = np.abs(corners - corners[:, [1, 2, 0]]).max(axis=(1, 2)) > reach / 2
    found: BoolArray = near[faces].any(axis=1) | large
    return found


def strewn(vertices: FloatArray, faces: IntArray, pitch: float) -> FloatArray:
    """Points on some faces, about `pitch` apart, with all their corners: (k, 3), thinned to one a cell."""
    if not len(faces):
        return np.zeros((0, 3))
    corners = vertices[faces]
    area = float(np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum() / 2)
    points = np.vstack((sample(vertices, faces, int(8 * area / pitch**2) + 16, 7)[0], corners.reshape(-1, 3)))
    cell = np.floor(points / pitch).astype(np.int64)
    cell -= cell.min(axis=0)
    span = cell.max(axis=0) + 1
    _, first = np.unique((cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2], return_index=True)
    return points[first]


def _cut_out(
    survey: Survey, vertices: FloatArray, faces: IntArray, is_bad: BoolArray, spots: FloatArray, reach: float
) -> BoolArray:
    """(m,) faces to cut out: the broken ones, those within reach, and as many more as it takes for clean rims."""
    from scipy.spatial import cKDTree

    near = np.isfinite(cKDTree(spots).query(vertices, distance_upper_bound=reach)[0])
    cut: BoolArray = is_bad | near[faces].any(axis=1)
    spared = np.zeros(len(vertices), dtype=bool)
    spared[survey.get("pinched")] = True
    here = np.flatnonzero(_close_to(vertices, faces, vertices[np.unique(faces[cut])], 6 * reach))
    rim = _open_keys(faces[here], len(vertices))  # the edge of what is looked at, as well as rims that were open before
    spared[rim // len(vertices)] = True
    spared[rim % len(vertices)] = True
    cut[here] = trimmed(vertices, faces[here], cut[here], spared)
    return cut


def trimmed(vertices: FloatArray, faces: IntArray, cut: BoolArray, spared: BoolArray) -> BoolArray:
    """`cut` (m,) with the faces added that would hang on by one side only, or by a point that pinches the rim."""
    was_open = _open_keys(faces, len(vertices))
    for _ in range(40):
        rest = faces[~cut]
        table = edges(Skin(vertices, rest, NONE), flat_faces(rest))
        new_open = (table.count == 1) & ~np.isin(table.ends[:, 0] * len(vertices) + table.ends[:, 1], was_open)
        on_rim = np.where(table.half_edge >= 0, new_open[table.half_edge], False).reshape(-1, 3)
        hanging = on_rim.sum(axis=1) >= 2
        tight = pinched(Skin(vertices, rest, NONE), table)
        tight = tight[~spared[tight]]
        hanging |= np.isin(rest, tight).any(axis=1)
        if not hanging.any():
            break
        more = cut.copy()
        more[np.flatnonzero(~cut)[hanging]] = True
        cut = more
    return cut


def _open_keys(faces: IntArray, count: int) -> IntArray:
    ends = np.sort(np.vstack((faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]])), axis=1)
    key, times = np.unique(ends[:, 0] * count + ends[:, 1], return_counts=True)
    found: IntArray = key[times == 1]
    return found


def _stays(field: Field, vertices: FloatArray, faces: IntArray, cut: BoolArray) -> tuple[BoolArray, BoolArray]:
    """(m,) faces that stay, being outside; and those that go though they are neither cut out nor buried in the solid.

    Each piece left by the cut is judged as one, by the share of its area that bounds the solid. A piece that is neither clearly
    outside nor clearly inside is not judged: Declined.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rest = np.flatnonzero(~cut)
    left = faces[rest]
    one, two = np.concatenate((left[:, 0], left[:, 1])), np.concatenate((left[:, 1], left[:, 2]))
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(len(vertices),) * 2)
    _, piece = np.unique(connected_components(graph, directed=False)[1][left[:, 0]], return_inverse=True)
    corners = vertices[left]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    share = field.share[rest]
    asked = np.isfinite(share)
    total = np.bincount(piece, weights=area * asked)
    shown = np.bincount(piece, weights=area * np.where(asked, share, 0.0)) / np.maximum(total, 1e-300)
    shown[total == 0] = 0.5  # nobody looked: not to be judged
    doubtful = (shown > 0.1) & (shown < 0.9)
    touched = np.zeros(len(vertices), dtype=bool)
    touched[faces[cut].reshape(-1)] = True
    beside = np.bincount(piece, weights=touched[left].any(axis=1)) > 0
    if (doubtful & beside).any():
        raise Declined("some of the skin beside the trouble is neither outside nor inside")
    kept, lost = np.zeros(len(faces), dtype=bool), np.zeros(len(faces), dtype=bool)
    stays = (shown >= 0.9) | ~beside  # what the cut does not touch is left as it is
    kept[rest] = stays[piece]
    gone = rest[~stays[piece]]
    middle = field.vertices[faces[gone]].mean(axis=1)
    a, b, c = (field.vertices[faces[gone, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    size = float(np.ptp(field.vertices, axis=0).max())
    lost[gone] = field.winding(middle + 1e-6 * size * normal) < 0.5
    if float(area[lost[rest]].sum()) > MOST_LOST * float(area.sum()):
        raise Declined("a large piece of skin comes out inside out beyond the crossing")
    return kept, lost


def _loops(survey: Survey, vertices: FloatArray, faces: IntArray) -> tuple[list[Rim], int]:
    """The rims that the cut made, and how many open edges were there before and stay."""
    skin = survey.get("skin")
    table: Edges = survey.get("edges")
    was_open = table.ends[table.open]
    key = np.sort(was_open[:, 0] * len(skin.vertices) + was_open[:, 1])
    found: list[Rim] = []
    before = 0
    for rim in rims_of(vertices, faces):
        ends = np.stack((rim.points, np.roll(rim.points, -1)), axis=1)[: None if rim.closed else -1]
        ends = np.sort(ends, axis=1)
        old = np.isin(ends[:, 0] * len(skin.vertices) + ends[:, 1], key)
        if old.all():
            before += len(ends)
        elif old.any() or not rim.closed:
            raise Declined("the trouble reaches the open rim of the skin; crop it there, or close the rim first")
        else:
            found.append(rim)
    return found, before


def _patch(
    field: Field, vertices: FloatArray, faces: IntArray, cut: BoolArray, kept: BoolArray, pitch: float
) -> tuple[FloatArray, FloatArray, IntArray]:
    """New skin over the place that was cut out, kept off the skin that stays: points, where they started, and faces."""
    import igl

    wanted = strewn(field.vertices, faces[cut], pitch)
    cells, low = band(field, pitch, (wanted, 3 * pitch))
    if not len(cells):
        raise Declined("there is nothing to lay new skin on")
    drawn = draw(field, cells, low, pitch, grow=False)
    if not len(drawn.faces):
        raise Declined("there is no border between inside and outside to lay new skin on")
    shown = np.ascontiguousarray(faces[kept & ~(field.share <= 0) & _close_to(vertices, faces, wanted + field.origin, 8 * pitch)])
    if not len(shown):
        raise Declined("no sound skin is left round the trouble")
    squared = igl.point_mesh_squared_distance(drawn.vertices, np.ascontiguousarray(vertices), shown)[0]
    off = np.sqrt(np.maximum(np.asarray(squared).reshape(-1), 0)) > MARGIN * pitch
    gone = ~off[drawn.faces].all(axis=1)
    if not field.whole:
        gone |= (drawn.gap > 0.75 * pitch)[drawn.faces].any(axis=1)
    gone = _specks(drawn.vertices, drawn.faces, gone, pitch)
    gone = _frayed(drawn.vertices, drawn.faces, gone)
    gone = _specks(drawn.vertices, drawn.faces, gone, pitch)
    used = np.unique(drawn.faces[~gone])
    new = np.full(len(drawn.vertices), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    return drawn.vertices[used], drawn.start[used], new[drawn.faces[~gone]]


def _frayed(vertices: FloatArray, faces: IntArray, gone: BoolArray) -> BoolArray:
    """`gone` with the faces added that hang on the patch by one side or a point: its rims become plain loops."""
    for _ in range(40):
        rest = faces[~gone]
        skin = Skin(vertices, rest, NONE)
        table = edges(skin, flat_faces(rest))
        on_rim = np.where(table.half_edge >= 0, (table.count == 1)[table.half_edge], False).reshape(-1, 3)
        hanging = (on_rim.sum(axis=1) >= 2) | np.isin(rest, pinched(skin, table)).any(axis=1)
        if not hanging.any():
            break
        more = gone.copy()
        more[np.flatnonzero(~gone)[hanging]] = True
        gone = more
    return gone


def _specks(vertices: FloatArray, faces: IntArray, gone: BoolArray, pitch: float) -> BoolArray:
    """`gone` with the pieces of the patch added that are too small to be of use."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rest = np.flatnonzero(~gone)
    left = faces[rest]
    one, two = np.concatenate((left[:, 0], left[:, 1])), np.concatenate((left[:, 1], left[:, 2]))
    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, two)), shape=(len(vertices),) * 2)
    _, piece = np.unique(connected_components(graph, directed=False)[1][left[:, 0]], return_inverse=True)
    corners = vertices[left]
    area = np.bincount(piece, weights=np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2)
    more = gone.copy()
    more[rest[area[piece] < 2 * pitch**2]] = True
    return more


def prove(before: Survey, points: FloatArray, faces: IntArray, laid: BoolArray, open_edges: int, in_mm: bool) -> None:
    """Raise Declined unless the new skin closes the cut and passes through no skin, also in 32 bits."""
    table = before.get("edges")
    crowded, against = len(table.crowded), int((~table.agree).sum())
    near = near_points(points, faces, np.unique(faces[laid])) if laid.any() else np.zeros(0, dtype=np.int64)
    rounding = tolerance_of(points, in_mm)
    for at, deep in ((points, STRICT * rounding), (points.astype(np.float32).astype(np.float64), rounding)):
        survey = survey_of(at, faces, in_mm)
        table = survey.get("edges")
        if len(table.open) > open_edges or len(table.crowded) > crowded:
            raise Declined("the patch does not close the skin")
        if int((~table.agree).sum()) > against:
            raise Declined("the patch does not face the way the skin does")
        if laid[survey.get("worthless")].any():
            raise Declined("the patch is too fine for a 32-bit file")
        if laid[near][crossing_pairs(at, faces[near], deep)].any():
            raise Declined("the patch passes through the skin")
