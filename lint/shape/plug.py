"""Plug: deep, narrow recesses are closed at the mouth with skin that goes on from the skin round it; undercuts are left to the bench.

The skin of a recess is taken away and each ring of its mouth closed by the machinery that closes holes (lint/shape/fill.py). What is in
the recess becomes solid. Undercuts that are no recess are not filled here: how much to give up there is a matter of the sculpt, and clay
or wax on the printed buck does it in minutes and comes off again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.recess import WIDE, Recess
from lint.shape.crossing import crossing_faces
from lint.shape.fill import patches
from lint.shape.sturdy import used_only
from lint.shape.triangles import spots_on
from lint.shape.verify import sound
from lint.terms import BoolArray, Declined, Finding, Fix, FloatArray, IntArray, Job, Promise, Shaped, Touch, Zone

fix = Fix(
    name="plug",
    touch=Touch.SKIN,
    does="closes nostrils, ear canals and slits that are deeper than wide with skin that goes on from the skin round their mouths; all "
    "other skin stays, and so does an undercut that is no such recess: fill that with clay or wax on the print",
    on_demand=True,
)

# Skin of a recess may stand out of the new skin so far, mm: it is the rounding of the lip. Common practice, no source: a layer's height.
LIP = 0.2
# A mouth that touches itself is widened to a plain ring by at most this share of the recess's skin (common practice, no source).
WIDENED = 0.25
# The new skin may stand above the plane of the mouth by at most this share of the mouth's width: more is a swelling and no plug.
PROUD = 0.5
ROUNDS = 6  # so often its teeth are taken off
ASKED = 4000  # points of a recess that are asked whether they come to lie in the solid

_ROUND = "it runs right round a piece of the part, or opens into a larger hollow"
_TANGLED = "the mouth touches itself"
_BLOCKED = "no skin closes the mouth without cutting through what stands in it or beside it"
_OPEN = f"the mouth is wider than {WIDE:.0f} mm, and closing it would bury what is sculpted there"
_OVER = "closing the mouth would cut away skin that stands out of it"
_AGAIN = "the new skin would lie in a recess again, deeper than it is wide"


@dataclass(frozen=True)
class _Mesh:
    """The part while it is worked on. vertices: (n, 3); faces: (m, 3); old: (m,) the face of the skin each was; below 0
    for new skin, -1 less the number of the recess."""

    vertices: FloatArray
    faces: IntArray
    old: IntArray


class _Left(Exception):
    """Why a recess is left as it is."""


@fix.make
def make(job: Job) -> Shaped:
    """A part with its deep recesses closed. Raises Declined when there is none, or when none can be closed cleanly."""
    deep = [f for f in job.findings if f.place is not None and f.place.faces is not None]
    if not deep:
        raise Declined(
            "no recess that was found is deeper than it is wide. An undercut is not filled in the file: fill it with clay or wax on the "
            "print, or turn the pull"
        )
    left: dict[int, str] = {}
    while True:  # once, and once more without each recess that turns out to be moved and not closed
        mesh, zones = _without(job.survey, deep, left)
        if len(left) == len(deep):
            raise Declined(f"{_told(left)}. Fill that with clay or wax on the print")
        part = job.part.with_mesh(*used_only(mesh.vertices, mesh.faces))
        survey = sound(part, "the plugged part")
        again = _moved_on(mesh, survey.get("recesses"), min(float(f.limit or 0.0) for f in deep))
        if not again:
            break
        left.update(dict.fromkeys(again, _AGAIN))
    if not float(survey.get("volume")) > float(job.survey.get("volume")):
        raise Declined("plugging would take more away than it fills")
    closed = [f for k, f in enumerate(deep) if k not in left]
    new = _area(mesh.vertices, mesh.faces[mesh.old < 0])
    over = "1 recess, with {:.0f} mm2 of new skin over the mouth" if len(closed) == 1 else "{1} recesses, with {0:.0f} mm2 of new skin"
    did = "plugged " + over.format(new, len(closed))
    return Shaped(
        part,
        Promise(skin_max=0.0, skin_p99=0.0, volume="more", lessens=tuple(sorted({f.rule for f in closed})), may_raise=(32, 33, 51)),
        f"{did}; {_told(left)}" if left else did,
        tuple(zones),
        cautions=("what is made on it has no opening where a recess was filled: cut the nostrils open before a mask is worn",),
    )


def _told(left: dict[int, str]) -> str:
    counted = Counter(left.values())
    return "; ".join(f"{'1 recess' if n == 1 else f'{n} recesses'} left alone: {why}" for why, n in counted.items())


def _without(survey: Survey, deep: list[Finding], left: dict[int, str]) -> tuple[_Mesh, list[Zone]]:
    """The mesh with every recess closed but those `left`, by their number in `deep`; those that cannot be closed are put down there."""
    skin, facets = survey.get("skin"), survey.get("facets")
    whole = np.flatnonzero((skin.faces != np.roll(skin.faces, 1, axis=1)).all(axis=1))
    mesh, zones = _Mesh(skin.vertices, skin.faces[whole], whole), []
    for number, finding in enumerate(deep):
        if number in left or finding.place is None or finding.place.faces is None:
            continue
        inside = np.isin(mesh.old, finding.place.faces)
        if not inside.any():
            continue  # it went with one that it opens into
        try:
            mesh, zone = _plugged(mesh, inside, float(facets.area[finding.place.faces].sum()), number)
        except _Left as why:
            left[number] = str(why)
        else:
            zones.append(zone)
    return mesh, zones


def _moved_on(mesh: _Mesh, after: tuple[Recess, ...], limit: float) -> set[int]:
    """The numbers of recesses whose new skin is itself in one that is more than `limit` times as deep as wide."""
    within = [mesh.old[recess.faces] for recess in after if recess.ratio > limit]
    return {int(-1 - old) for old in np.unique(np.concatenate(within)) if old < 0} if within else set()


def _plugged(mesh: _Mesh, inside: BoolArray, area: float, number: int) -> tuple[_Mesh, Zone]:
    """The mesh with one recess, the faces `inside` (m,), closed at its mouth. Raises _Left with the reason when that is not possible."""
    inside, rings = _mouth(mesh, inside, area)
    gone, rest = mesh.faces[inside], mesh.faces[~inside]
    vertices, faces = mesh.vertices, rest
    for ring in rings:
        vertices, faces = _closed(vertices, faces, ring)
    made = faces[len(rest) :]
    _only_filled(vertices, faces, made, gone)
    spots, spacing = spots_on(vertices, np.vstack((gone, made)))
    zone = Zone("near", "the plugged recess", spacing, tuple((float(x), float(y), float(z)) for x, y, z in spots))
    return _Mesh(vertices, faces, np.concatenate((mesh.old[~inside], np.full(len(made), -1 - number)))), zone


def _mouth(mesh: _Mesh, inside: BoolArray, area: float) -> tuple[BoolArray, list[IntArray]]:
    """The faces to take away, (m,), and the rings (points in the order the skin that stays runs along them) that this opens.

    What the recess encloses, such as the wide end of a canal, goes with it; and skin round a point where the mouth touches itself.
    """
    budget = WIDENED * area
    for turn in range(2 * ROUNDS):
        inside = inside | _enclosed(mesh, inside)
        start, end = _along(mesh.faces, inside)
        point, count = np.unique(start, return_counts=True)
        twice = point[count > 1]
        wider = inside | np.isin(mesh.faces, twice).any(axis=1)
        if turn < ROUNDS:  # a tooth of the mouth, a face with two sides on it, would keep a patch from its place
            one, two = _neighbours(mesh.faces)
            sides = np.bincount(np.concatenate((one[inside[two]], two[inside[one]])), minlength=len(inside))
            wider |= sides > 1
        added = _area(mesh.vertices, mesh.faces[wider & ~inside])
        if added > budget or not (wider & ~inside).any():
            if len(twice):
                break
            return inside, _rings(start, end)
        budget -= added
        inside = wider
    raise _Left(_TANGLED)


def _enclosed(mesh: _Mesh, inside: BoolArray) -> BoolArray:
    """(m,) faces that the recess alone joins to the rest of the skin. Raises _Left when they are more than the recess itself."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    one, two = _neighbours(mesh.faces)
    beside = inside[one] != inside[two]
    rim = np.unique(np.concatenate((one[beside], two[beside])))
    rim = rim[~inside[rim]]
    if not len(rim):
        raise _Left(_ROUND)
    both = ~inside[one] & ~inside[two]
    graph = coo_matrix((np.ones(int(both.sum()), dtype=np.int8), (one[both], two[both])), shape=(len(inside), len(inside)))
    label = connected_components(graph, directed=False)[1]
    pieces = np.unique(label[rim])
    size = np.array([_area(mesh.vertices, mesh.faces[label == piece]) for piece in pieces])
    small = pieces != pieces[int(np.argmax(size))]
    if size[small].sum() > _area(mesh.vertices, mesh.faces[inside]):
        raise _Left(_ROUND)
    return np.isin(label, pieces[small]) & ~inside


def _neighbours(faces: IntArray) -> tuple[IntArray, IntArray]:
    """Faces on either side of each edge, (e,) and (e,), of a closed mesh."""
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * (int(faces.max(initial=0)) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    return order[same] // 3, order[same + 1] // 3


def _along(faces: IntArray, inside: BoolArray) -> tuple[IntArray, IntArray]:
    """Ends (e,) and (e,) of the sides between the faces inside and the others, as the others run along them."""
    many = int(faces.max(initial=0)) + 1
    stays, goes = faces[~inside], faces[inside]
    start, end = stays.reshape(-1), stays[:, [1, 2, 0]].reshape(-1)
    back = goes[:, [1, 2, 0]].reshape(-1) * many + goes.reshape(-1)
    open_ = np.isin(start * many + end, back)
    return start[open_], end[open_]


def _rings(start: IntArray, end: IntArray) -> list[IntArray]:
    after = dict(zip(start.tolist(), end.tolist(), strict=True))
    rings: list[IntArray] = []
    while after:
        first = at = next(iter(after))
        ring: list[int] = []
        while at in after:
            ring.append(at)
            at = after.pop(at)
        if at != first or len(ring) < 3:
            raise _Left(_TANGLED)
        rings.append(np.asarray(ring, dtype=np.int64))
    return rings


def _closed(vertices: FloatArray, faces: IntArray, ring: IntArray) -> tuple[FloatArray, IntArray]:
    """The skin with one ring closed by the first way that cuts through nothing and does not swell. Raises _Left when there is none."""
    why = _BLOCKED
    for way in patches(vertices, faces, ring):
        numbers = np.concatenate((ring, len(vertices) + np.arange(len(way.points))))
        points, made = np.vstack((vertices, way.points)), np.vstack((faces, numbers[way.faces]))
        new = np.arange(len(made)) >= len(faces)
        if _proud(vertices[ring], way.points) or crossing_faces(points, made, new)[new].any() or _crowded(made, new):
            continue
        if not _wide(vertices[ring], points, made[new]):
            return points, made
        why = _OPEN
    raise _Left(why)


def _wide(rim: FloatArray, points: FloatArray, made: IntArray) -> bool:
    """Whether new skin lies farther from the rim (n, 3) than the middle of a mouth does that a ball WIDE across could not enter."""
    from scipy.spatial import cKDTree

    side = np.roll(rim, -1, axis=0) - rim
    many = np.maximum(np.ceil(np.linalg.norm(side, axis=1) / 0.5), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(rim)), many)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(many) - many, many)
    along = rim[owner] + (step / many[owner])[:, None] * side[owner]
    away = np.asarray(cKDTree(along).query(spots_on(points, made)[0])[0])
    return bool(away.max() > 1.1 * WIDE / 2)


def _proud(rim: FloatArray, points: FloatArray) -> bool:
    """Whether new points stand farther from the plane of the mouth than the rim itself and PROUD of its width."""
    middle = rim.mean(axis=0)
    axes = np.linalg.svd(rim - middle, full_matrices=False)[2]
    off = np.abs((points - middle) @ axes[2]).max(initial=0.0)
    wide = float(np.ptp((rim - middle) @ axes[1]))
    return bool(off > np.abs((rim - middle) @ axes[2]).max() + PROUD * wide)


def _crowded(faces: IntArray, new: BoolArray) -> bool:
    """Whether a side of a new face has more than two faces."""
    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * (int(faces.max(initial=0)) + 1) + np.maximum(start, end)
    mine = key[np.repeat(new, 3)]
    _, count = np.unique(key[np.isin(key, mine)], return_counts=True)
    return bool((count > 2).any())


def _only_filled(vertices: FloatArray, faces: IntArray, made: IntArray, gone: IntArray) -> None:
    """Raises _Left when skin taken away does not come to lie in the solid, but for the rounding of the lip."""
    import igl

    corners = vertices[gone]
    points = np.vstack((vertices[np.unique(gone)], corners.mean(axis=1)))
    points = points[:: len(points) // ASKED + 1]
    squared, *_ = igl.point_mesh_squared_distance(points, vertices, made)
    away = points[np.asarray(squared).reshape(-1) > LIP * LIP]
    if len(away) and bool((np.asarray(igl.fast_winding_number(vertices, faces, away)) < 0.5).any()):
        raise _Left(_OVER)


def _area(vertices: FloatArray, faces: IntArray) -> float:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
