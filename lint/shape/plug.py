"""Plug: deep, narrow recesses are closed at the mouth with skin that goes on from the skin round it; undercuts are left to the bench.

The skin of a recess is taken away and each ring of its mouth closed by the machinery that closes holes (lint/shape/fill.py). What is in
the recess becomes solid. Where the mouth cannot be closed without harm to what stands there, only what lies deeper is filled, so far that
what stays is no deeper than wide. Undercuts that are no recess are not filled here: how much to give up there is a matter of the sculpt,
and clay or wax on the printed buck does it in minutes and comes off again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.joining import components
from lint.measure.nearest import distance_to_faces
from lint.measure.recess import WIDE, Recess, distance_to_mouth
from lint.measure.shells import regions
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
# The new skin may stand above the plane of the mouth by at most this share of the mouth's width: more is a swelling
# and no plug (common practice, no source).
PROUD = 0.5
# Where the mouth itself cannot be closed, only what lies deeper than these shares of what may stay is filled (common practice, no source).
GROUND = (0.4, 0.6, 0.8)
ROUNDS = 6  # so often its teeth are taken off
ASKED = 4000  # points of a recess that are asked whether they come to lie in the solid

_ROUND = "it runs right round a piece of the part, or opens into a larger hollow"
_TANGLED = "the mouth touches itself"
_BLOCKED = "no skin closes the mouth without cutting through what stands in it or beside it"
_OPEN = f"the mouth is wider than {WIDE:.0f} mm, and closing it would bury what is sculpted there"
_OVER = "closing the mouth would cut away skin that stands out of it"
_WHY = "the mouth cannot be closed without harm to what is sculpted there"
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
    loud = min(float(f.limit or 0.0) for f in deep)
    tries = _Tries([0] * len(deep), {})
    while True:  # once, and again without each way that turns out to move a recess and not to close it
        mesh, zones = _filled(job.survey, deep, tries)
        if not zones:
            raise Declined(f"{_told(tries.left)}. Fill that with clay or wax on the print")
        part = job.part.with_mesh(*used_only(mesh.vertices, mesh.faces))
        survey = sound(part, "the plugged part")
        again = _moved_on(mesh, deep, survey.get("recesses"), loud) - set(tries.left)
        if not again:
            break
        for number in again:
            tries.next(number, _AGAIN)
    if sum(r.ratio > loud for r in survey.get("recesses")) >= sum(r.ratio > loud for r in job.survey.get("recesses")):
        raise Declined("it would leave as many recesses as there are. Fill them with clay or wax on the print")
    if not float(survey.get("volume")) > float(job.survey.get("volume")):
        raise Declined("plugging would take more away than it fills")
    left = tries.left
    closed = [f for k, f in enumerate(deep) if k not in left]
    partly = sum(tries.way[k] > 0 for k in range(len(deep)) if k not in left)
    new = _area(mesh.vertices, mesh.faces[mesh.old < 0])
    did = f"plugged {'1 recess' if len(closed) == 1 else f'{len(closed)} recesses'} with {new:.0f} mm2 of new skin"
    did += f", {partly} of them only in the depths, because {_WHY}" if partly else ""
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


@dataclass
class _Tries:
    """way: of each recess, 0 for its mouth, k for GROUND[k - 1]; left: why, of those that no way closes."""
    way: list[int]
    left: dict[int, str]

    def next(self, number: int, why: str) -> None:
        self.way[number] += 1
        if self.way[number] > len(GROUND):
            self.left[number] = why


def _filled(survey: Survey, deep: list[Finding], tries: _Tries) -> tuple[_Mesh, list[Zone]]:
    """The mesh with every recess closed in the first way from the present one that does; what no way closes is put down as left."""
    skin = survey.get("skin")
    whole = np.flatnonzero((skin.faces != np.roll(skin.faces, 1, axis=1)).all(axis=1))
    mesh, zones = _Mesh(skin.vertices, skin.faces[whole], whole), []
    for number, finding in enumerate(deep):
        first = ""
        while number not in tries.left and finding.place is not None and finding.place.faces is not None:
            way, faces = tries.way[number], finding.place.faces
            try:
                pieces = [faces] if way == 0 else _depths(survey, faces, GROUND[way - 1] * float(finding.limit or 0.0))
                mesh, made = _all_plugged(mesh, pieces, survey.get("facets").area, number)
            except _Left as why:
                first = first or str(why)
                tries.next(number, first)
            else:
                zones += made
                break
    return mesh, zones


def _all_plugged(mesh: _Mesh, pieces: list[IntArray], area: FloatArray, number: int) -> tuple[_Mesh, list[Zone]]:
    """The mesh with every one of some regions closed. Raises _Left when one of them cannot be."""
    zones: list[Zone] = []
    for piece in pieces:
        inside = np.isin(mesh.old, piece)
        if inside.any():  # else it went with one that it opens into
            mesh, zone = _plugged(mesh, inside, float(area[piece].sum()), number)
            zones.append(zone)
    return mesh, zones


def _depths(survey: Survey, faces: IntArray, ratio: float) -> list[IntArray]:
    """Regions of a recess that lie deeper than `ratio` times its width. Raises _Left when there are none."""
    skin, edges = survey.get("skin"), survey.get("edges")
    width = next((r.width for r in survey.get("recesses") if np.array_equal(r.faces, faces)), np.inf)
    own = np.zeros(len(skin.faces), dtype=bool)
    own[faces] = True
    one, two = edges.neighbours.T
    rim = edges.ends[edges.neighbour_edge[own[one] != own[two]]]
    depth = distance_to_mouth(skin.vertices, rim, skin.vertices[skin.faces[faces]].mean(axis=1))
    pieces = regions(faces[depth > ratio * width], edges.neighbours, len(skin.faces))
    if not len(pieces):
        raise _Left(_BLOCKED)
    return list(pieces)


def _moved_on(mesh: _Mesh, deep: list[Finding], after: tuple[Recess, ...], limit: float) -> set[int]:
    """The numbers of recesses of which new or old skin is still in one that is more than `limit` times as deep as wide."""
    still: set[int] = set()
    for recess in (r for r in after if r.ratio > limit):
        old = mesh.old[recess.faces]
        still |= {int(-1 - k) for k in np.unique(old[old < 0])}
        for number, place in enumerate(f.place for f in deep):
            if place is not None and place.faces is not None and np.isin(old, place.faces).any():
                still.add(number)
    return still


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
    zone = Zone.near("the plugged recess", spacing, spots)
    return _Mesh(vertices, faces, np.concatenate((mesh.old[~inside], np.full(len(made), -1 - number)))), zone


def _mouth(mesh: _Mesh, inside: BoolArray, area: float) -> tuple[BoolArray, list[IntArray]]:
    """The faces to take away, (m,), and the rings (points in the order the skin that stays runs along them) that this opens.

    What the recess encloses, such as the wide end of a canal, goes with it; and skin round a point where the mouth touches itself.
    """
    budget = WIDENED * area
    one, two = _neighbours(mesh.faces)
    for turn in range(2 * ROUNDS):
        inside = inside | _enclosed(mesh, inside, one, two)
        start, end = _along(mesh.faces, inside)
        point, count = np.unique(start, return_counts=True)
        twice = point[count > 1]
        wider = inside | np.isin(mesh.faces, twice).any(axis=1)
        if turn < ROUNDS:  # a tooth of the mouth, a face with two sides on it, would keep a patch from its place
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


def _enclosed(mesh: _Mesh, inside: BoolArray, one: IntArray, two: IntArray) -> BoolArray:
    """(m,) faces that the recess alone joins to the rest of the skin. Raises _Left when they are more than the recess itself."""
    beside = inside[one] != inside[two]
    rim = np.unique(np.concatenate((one[beside], two[beside])))
    rim = rim[~inside[rim]]
    if not len(rim):
        raise _Left(_ROUND)
    both = ~inside[one] & ~inside[two]
    label = components(len(inside), one[both], two[both])[0]
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
    away = points[distance_to_faces(points, vertices, made) > LIP]
    if len(away) and bool((np.asarray(igl.fast_winding_number(vertices, faces, away)) < 0.5).any()):
        raise _Left(_OVER)


def _area(vertices: FloatArray, faces: IntArray) -> float:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
