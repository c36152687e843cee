"""Make one solid of closed shells that overlap, lie buried in each other, or touch. The skin that is seen stays to the last bit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.displacement import shared_faces
from lint.measure.nearest import distance_to_faces
from lint.measure.overlap import Overlap, owners, union
from lint.shape.compact import hung_together
from lint.shape.rewrap import MORE, measured_move
from lint.shape.sturdy import TIPS, grain, stacked, sturdy, used_only
from lint.shape.triangles import spots_on, thinned
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, Part, Promise, Shaped, Touch, Zone

# Skin of the largest shell that another takes in, mm2: less is not worth a word; and the share of its skin from which it is doubtful.
COVERED, DOUBTFUL = 1.0, 0.03
# How far, in tolerances of the crossing measure, a touching shell is let into its neighbour so that the two can fuse.
LET_IN = 4.0
# Walls of two shells that lay on each other are skin double on itself once the two are one, which rewrap can cut out where it may.
SEEN_ONLY_NOW = (9,)

LOST = "skin of the largest piece lay inside another that sticks out of it, and went: look whether that other belongs to the part"

fix = Fix(
    name="unite",
    touch=Touch.INSIDE,
    does="makes one solid of shells that overlap, lie buried or touch; only what lies inside goes, the skin that is seen stays",
)


@fix.make
def make(job: Job) -> Shaped:
    """Unite each group of overlapping shells that are sound by themselves; cavities are kept. Raises Declined with the reason."""
    part, survey = job.part, job.survey
    groups: tuple[Overlap, ...] = survey.get("overlaps")
    if not groups:
        raise Declined("no closed shells overlap or touch")
    ready = [g for g in groups if g.sound and np.isfinite(g.volume)]
    if not ready:
        raise Declined(_why_not(groups, survey))
    made = united(part, survey, ready)
    shells_in = sum(len(g.shells) for g in ready)
    did = f"united {shells_in} shells into {len(ready)}" + (f", keeping {n} hollows" if (n := sum(len(g.cavities) for g in ready)) else "")
    if made.let_in:
        did += f"; shells that only touched were let into each other by {made.let_in:.3g} mm"
    if made.zones:
        did += "; filled pockets of air that the shells shut in between them"
    if made.covered:
        did += f"; {made.covered:.4g} mm2 of skin of the largest shell lay inside others and went with what is inside"
    zones = (*made.zones, *made.taken)
    beside = measured_move(job, made.part, zones).max
    if beside > made.let_in + (TIPS if part.units is not None else 4 * made.most):
        raise Declined(f"united, the shells would move skin by {beside:.3f} mm: rewrap them")
    stays = max(made.most, MORE * beside)
    fewer = made.count < survey.get("shells").count and not made.let_in
    return Shaped(
        made.part,
        Promise(skin_max=stays, skin_p99=stays, volume="any", pieces="fewer" if fewer else "any",
                clears=(10,) if len(ready) == len(groups) else (), lessens=() if len(ready) == len(groups) else (10,),
                may_raise=SEEN_ONLY_NOW if job.settings.allow >= Touch.SKIN else ()),
        did,
        zones,
        cautions=(LOST,) if made.doubtful else (),
    )  # fmt: skip


@dataclass(frozen=True)
class United:
    """A part whose overlapping shells became one. count: its shells; let_in: mm by which shells that only touched were let into each
    other; most: mm that skin may have moved; zones: the hollows that were filled;
    taken: skin that lay in other shells, covered: mm2 of that of the largest, doubtful: whether it is a good part of the shell's."""

    part: Part
    count: int
    let_in: float
    most: float
    zones: tuple[Zone, ...]
    taken: tuple[Zone, ...]
    covered: float
    doubtful: bool


def united(part: Part, survey: Survey, ready: list[Overlap]) -> United:
    """Each of the sound groups as one solid, all other shells as they are. Raises Declined where they do not become sound."""
    skin, shells = survey.get("skin"), survey.get("shells")
    tolerance = survey.get("crossings").tolerance
    touching = [g for g in ready if g.how == "touch"]
    points = _let_in(survey, touching, LET_IN * tolerance)
    owner = owners(shells, survey.get("nesting"))
    gone = np.isin(shells.label, np.concatenate([np.concatenate((g.shells, g.cavities)) for g in ready]))
    kept_points, kept_faces = used_only(skin.vertices, skin.faces[~gone])
    meshes = [(kept_points, kept_faces)] if len(kept_faces) else []
    pockets: list[FloatArray] = []
    short = grain(part.vertices, part.units is not None)
    for group in ready:
        solid = union(type(skin)(points, skin.faces, skin.old), shells, group.shells, group.cavities, owner)
        if solid is None:
            raise Declined("the shells could not be united: one of them is not sound by itself")
        mesh = solid.to_mesh64()
        vertices = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
        faces = np.asarray(mesh.tri_verts, dtype=np.int64)
        pocket = air_pockets(vertices, faces, skin.vertices[np.unique(skin.faces[np.isin(shells.label, group.cavities)])])
        pockets.append(vertices[faces[pocket]])
        faces = faces[~pocket]
        meshes.append(used_only(*sturdy(vertices, faces, short, among(vertices, skin.vertices))))
    new = part.with_mesh(*stacked(meshes))
    count = _check(new, len(survey.get("overlaps")) - len(ready))
    let_in = LET_IN * tolerance if touching else 0.0
    # Points made by the cut that a 32-bit file could not tell apart become one, and the skin between old points goes with them.
    corners = np.vstack(pockets).reshape(-1, 3)
    spots, spacing = spots_on(corners, np.arange(len(corners)).reshape(-1, 3))
    filled = (Zone.near("a pocket of air shut in between the shells, filled", spacing, spots),) if len(corners) else ()
    inside = [_taken_in(survey, g.shells, new, let_in + 2 * short) for g in ready]
    taken = tuple(zone for zone, _ in inside if zone is not None)
    doubtful = any(area > DOUBTFUL * float(shells.area[g.shells.min()]) for (_, area), g in zip(inside, ready, strict=True))
    return United(new, count, let_in, let_in + 2 * short, filled, taken, sum(area for _, area in inside), doubtful)


def _taken_in(survey: Survey, group: IntArray, new: Part, slack: float) -> tuple[Zone | None, float]:
    """The zone of the skin of shells (s,) that the united part has not, and about how many mm2 the largest, the first, lost; None and 0
    where all is there. Through a hole since closed, or from below, a maker may have seen even what lay inside.

    Asked at spots all over the faces that are not there as they were. What lies between spots and is gone lies at a seam, where skin
    crossed skin: points along the seams are in the zone too.
    """
    skin, shells, crossings = (survey.get(n) for n in ("skin", "shells", "crossings"))
    number = np.flatnonzero(np.isin(shells.label, group))
    number = number[~shared_faces(skin.vertices, skin.faces[number], new.vertices, new.faces)[0]]
    gone, of_largest = skin.faces[number], shells.label[number] == group.min()
    spots, spacing = spots_on(skin.vertices, gone)
    if not len(spots):
        return None, 0.0
    spots = spots[distance_to_faces(spots, new.vertices, new.faces) > slack + 1e-6]
    thirds = (np.array([[4, 1, 1], [1, 4, 1], [1, 1, 4]]) / 6 @ skin.vertices[gone]).reshape(-1, 3)
    off = (distance_to_faces(thirds, new.vertices, new.faces) > slack + 1e-6).reshape(-1, 3).mean(axis=1)
    corners = skin.vertices[gone]
    size = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    area = float((size * off)[of_largest].sum())
    rows = ~crossings.within & np.isin(shells.label[crossings.pairs], group).any(axis=1)
    start, end = crossings.start[rows], crossings.end[rows]
    steps = int(np.ceil(2 * float(np.linalg.norm(end - start, axis=1).max(initial=0.0)) / spacing)) + 1
    seams = np.vstack([start + share * (end - start) for share in np.linspace(0.0, 1.0, steps + 1)])
    if not len(spots) and not len(seams):
        return None, 0.0
    points = thinned(np.vstack((spots, seams)), spacing / 4)
    near = Zone.near("skin that lay inside another shell, or was cut by it", 1.5 * spacing, points)
    return near, area if area > COVERED else 0.0


def air_pockets(vertices: FloatArray, faces: IntArray, known: FloatArray) -> BoolArray:
    """(m,) faces of hollows that came of the union: closed pieces facing in that hold no point (k, 3) of a hollow that was there."""
    piece = np.unique(hung_together(faces), return_inverse=True)[1]
    a, b, c = (vertices[faces[:, k]] - vertices[faces[0, 0]] for k in range(3))
    volume = np.bincount(piece, weights=np.einsum("ij,ij->i", a, np.cross(b, c)))
    if len(known):
        there = among(vertices, known)
        volume[np.unique(piece[there[faces].any(axis=1)])] = 0.0
    found: BoolArray = (volume < 0)[piece]
    return found


def _why_not(groups: tuple[Overlap, ...], survey: Survey) -> str:
    inside_out = survey.get("nesting").inside_out
    if any(inside_out[g.shells].any() for g in groups):
        return "a shell is inside out: turn it first, or it would be cut away instead of added"
    return "the shells that overlap also cross themselves, so they have no clear inside; they have to be rewrapped"


def _let_in(survey: Survey, touching: list[Overlap], depth: float) -> FloatArray:
    """Skin points with the smaller shell of each touching pair let into the larger, along the larger's contact faces."""
    skin, shells, crossings, facets = (survey.get(n) for n in ("skin", "shells", "crossings", "facets"))
    points: FloatArray = skin.vertices.copy()
    if not touching:
        return points
    members = np.concatenate([g.shells for g in touching])
    label = shells.label[crossings.pairs]
    rows = np.flatnonzero(~crossings.within & crossings.flat & np.isin(label, members).all(axis=1))
    swap = shells.label[crossings.pairs[rows, 0]] < shells.label[crossings.pairs[rows, 1]]  # shells are numbered from the largest down
    small = np.where(swap, crossings.pairs[rows, 1], crossings.pairs[rows, 0])
    for face in np.unique(small):
        corner = skin.faces[face]
        step = depth * facets.normal[face]
        already = np.einsum("ij,j->i", points[corner] - skin.vertices[corner], facets.normal[face])
        points[corner] += np.clip(1 - already / depth, 0, 1)[:, None] * step
    return points


def among(points: FloatArray, known: FloatArray) -> BoolArray:
    """(n,) whether each of the points (n, 3) is one of the known points (k, 3), to the last bit."""
    from lint.measure.surface import weld_exact

    _, old = weld_exact(np.vstack((known, points)))
    is_known = np.zeros(int(old.max(initial=-1)) + 1, dtype=bool)
    is_known[old[: len(known)]] = True
    found: BoolArray = is_known[old[len(known) :]]
    return found


def _check(new: Part, left: int) -> int:
    """How many shells the united part has. Raises Declined unless they are sound, also in single precision."""
    counts: list[int] = []
    for part in (new, new.with_mesh(new.vertices.astype(np.float32).astype(np.float64), new.faces)):
        survey = Survey(part)
        if len(survey.get("overlaps")) > left:
            raise Declined("the shells touch too finely to be joined; they have to be rewrapped")
        counts.append(int(survey.get("shells").count))
    return counts[0]
