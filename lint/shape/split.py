"""Split: cut a part that is larger than the bed into pieces that fit it, with sockets and pegs that put them together again."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np

from lint.measure import Survey
from lint.measure.base_loops import SHALLOW
from lint.measure.bed import lies
from lint.shape.cuts import Cuts, Frame, Sections, chosen, counts, frame_of
from lint.shape.drill import part_from, solid_of
from lint.shape.lettering import drawn
from lint.shape.mark import groove, true_size
from lint.shape.pegs import CLEARANCE, Joint, Peg, within
from lint.shape.placing import Placed, placed
from lint.shape.standing import FIRM, Piece, laid_out, stood
from lint.shape.verify import sound
from lint.terms import Declined, Fix, FloatArray, Job, NotYet, Promise, Shaped, Touch, Zone

fix = Fix(
    name="split",
    touch=Touch.SKIN,
    does="cuts a part that is larger than the bed into pieces that fit, with sockets for pegs in the cuts; each piece's skin stays",
    on_demand=True,
)

# Pieces laid out anew are judged anew: size as a whole (23), feather edges where a cut meets the skin at a slant (30), gaps (31), steep
# skin and layers in mid-air of a piece that stands on its cut (32, 33), stance (36), suction of a hollow that a cut has opened (38),
# undercut, recesses and land (51, 52, 53).
MAY_RAISE = (23, 30, 31, 32, 33, 36, 38, 51, 52, 53)
TRIES = 10
NEAR = 4.0  # mm: a cut that has no room for pegs has none a hair beside it either
LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
LEAST_LETTER, TALLEST_LETTER = 6.0, 12.0
FAR = 1000.0
LETTER = 1.0  # what a cut through the mark costs: as much as a whole section
BESIDE = 0.9  # mm left beside a letter: two beads (facts 1.2.2)
CELLS = 30_000
ROUNDING = 1e-3
CAUTION = (
    "glue the pieces in a well-aired room and follow the glue's safety sheet; wear a dust mask when you sand the seam down",
)


@dataclass(frozen=True)
class Plan:
    """Where it is cut and the pegs of each joint: joints holds (joint, its pegs)."""

    cuts: Cuts
    joints: tuple[tuple[Joint, tuple[Peg, ...]], ...]


@fix.make
def make(job: Job) -> Shaped:
    """A new part: the pieces side by side on the bed, and the pegs. Raises Declined when it fits, or cannot be cut so that it fits."""
    part, survey, settings = job.part, job.survey, job.settings
    check(job)
    bed = settings.bed
    _, turn = true_size(survey)
    skin = survey.get("skin")
    frame = frame_of(skin.vertices, skin.faces, turn)
    solid = solid_of(skin)
    sections = Sections(solid, frame)
    plan = _plan(sections, survey, frame, bed, float(settings.wall))
    pegs = [p for _, these in plan.joints for p in these]
    for peg in pegs:
        for boss in peg.bosses:
            solid = solid + boss
    for peg in pegs:
        solid = solid - peg.socket()
    pieces = [stood(piece, part, bed) for piece in _cut(solid, frame, plan, groove(settings))]
    if not all(piece.fits(bed) for piece in pieces):
        raise Declined("a piece would not fit the bed as it has to stand: crop the part by hand, or lay it another way first")
    made, printed = laid_out(pieces, pegs)
    new = part_from(part, made, skin.vertices)
    after = sound(new, "the split part")
    separate = after.get("specks").count
    if separate != len(pieces) + printed:
        raise Declined(f"the cuts left {separate} separate pieces where {len(pieces) + printed} were meant: crop it by hand")
    return Shaped(
        part=new,
        promise=Promise(volume="any", pieces="any", clears=(24,), may_raise=MAY_RAISE),
        did=_told(len(pieces), plan, pegs, printed),
        zones=(Zone("all", "each piece was moved by itself"),),
        cautions=(*CAUTION, *_unheld(pegs), *_shaky(pieces)),
    )


def check(job: Job) -> None:
    """Raises Declined, with the reason, when a part cannot or need not be split."""
    survey, bed = job.survey, job.settings.bed
    if job.part.units is None:
        raise Declined("the units are not known, so nobody knows whether it fits the bed")
    if bed is None:
        raise Declined("nobody said how large the bed is: give bed = [x, y, z] under [print] in the ticket")
    footprints = survey.get("footprints")
    if all(lies(f.hull, bed[:2])[0].over <= ROUNDING and f.height - bed[2] <= ROUNDING for f in footprints):
        raise Declined("every piece fits the bed already" if len(footprints) > 1 else "it fits the bed already")
    if not survey.get("edges").closed:
        raise NotYet("its skin is open: close or seat it first")
    if len(footprints) > 1:
        raise Declined(f"the file holds {len(footprints)} separate pieces, and one is cut at a time: keep them in files of their own")
    if survey.get("overlaps"):
        raise NotYet("shells overlap: unite them first")


def _plan(sections: Sections, survey: Survey, frame: Frame, bed: tuple[float, float, float], wall: float) -> Plan:
    """The fewest pieces that fit, cut where there is room for pegs. Raises Declined when no way is found."""
    no_room: list[tuple[int, float]] = []
    why = ""
    letters = _letters(survey, frame)
    kept: dict[tuple[int, float], tuple[Any, Any]] = {}

    def cost(axis: int, height: float) -> float:
        if any(axis == a and abs(height - h) < NEAR for a, h in no_room):
            return float("inf")
        return sections.cost(axis, height) + (0.0 if axis == 2 or not _through(letters[axis], height) else LETTER)

    def nudge(axis: int, height: float, reach: float) -> float:
        return height if axis == 2 else _beside(letters[axis], height, reach)

    tries = 0
    for number in counts(frame, bed):
        while tries < TRIES:
            cuts = chosen(frame, bed, number, cost, nudge)
            if cuts is None:
                break
            tries += 1
            joints: list[tuple[Joint, tuple[Peg, ...]]] = []
            try:
                for joint in _joints(sections, survey, cuts, wall, kept):
                    spot = (joint.axis, joint.height)
                    joints.append((joint, tuple(joint.pegs())))
            except Declined as reason:
                why = str(reason)
                no_room.append(spot)
                continue
            return Plan(cuts, tuple(j for j in joints if j[1]))
        if tries >= TRIES:
            break
    raise Declined(why or f"it is too large to be cut for a bed of {bed[0]:g} x {bed[1]:g} x {bed[2]:g} mm")


def _letters(survey: Survey, frame: Frame) -> list[FloatArray]:
    """Along length and width, the stretches (k, 2) that grooves cut into the base take up, with room on either side."""
    skin, facets, contact = survey.get("skin"), survey.get("facets"), survey.get("contact")
    rise = skin.vertices[skin.faces, 2] - contact.lowest
    roof = np.flatnonzero((facets.normal[:, 2] < -0.5) & (rise.min(axis=1) > SHALLOW[0] / 2) & (rise.max(axis=1) < SHALLOW[1]))
    if not len(roof) or facets.area[roof].sum() > 0.3 * contact.area:
        return [np.zeros((0, 2))] * 2
    corner = skin.vertices[skin.faces[roof]] @ frame.along[:2].T
    return [np.column_stack((corner[:, :, k].min(axis=1) - BESIDE, corner[:, :, k].max(axis=1) + BESIDE)) for k in (0, 1)]


def _through(stretches: FloatArray, height: float) -> bool:
    return bool(((stretches[:, 0] < height) & (stretches[:, 1] > height)).any())


def _beside(stretches: FloatArray, height: float, reach: float) -> float:
    """The nearest height within `reach` that runs through no letter; the height itself when there is none."""
    ends = stretches[np.abs(stretches - height).min(axis=1) <= reach].reshape(-1) if len(stretches) else np.zeros(0)
    for end in ends[np.argsort(np.abs(ends - height), kind="stable")]:
        if abs(end - height) <= reach and _through(stretches, height) and not _through(stretches, float(end)):
            return float(end)
    return height


def _ranges(frame: Frame, cuts: Cuts) -> list[list[tuple[float, float]]]:
    """Between which heights the cells lie along each axis; the outermost reach far beyond the part."""
    return [list(pairwise((float(frame.low[k]) - FAR, *cuts[k], float(frame.high[k]) + FAR))) for k in range(3)]


def _joints(
    sections: Sections, survey: Survey, cuts: Cuts, wall: float, kept: dict[tuple[int, float], tuple[Any, Any]]
) -> list[Joint]:
    """Every pair of neighbouring cells with a cut between them."""
    ranges = _ranges(sections.frame, cuts)
    joints = []
    for axis in range(3):
        for height in cuts[axis]:
            one, two = (k for k in range(3) if k != axis)
            for a, b in product(ranges[one], ranges[two]):
                limits = {0: (a, b), 1: ((-a[1], -a[0]), b), 2: (a, b)}[axis]
                joints.append(Joint(sections, survey.get("chambers"), axis, height, limits, wall, kept))
    return joints


def _cut(solid: Any, frame: Frame, plan: Plan, cutter: tuple[float, float]) -> list[Piece]:
    """The pieces, cell by cell, with the letter of each joint in both of its faces."""
    cells = [(solid, [(-np.inf, np.inf)] * 3)]
    for axis in range(3):
        for height in plan.cuts[axis]:
            after = []
            for body, cell in cells:
                if not cell[axis][0] < height < cell[axis][1]:
                    after.append((body, cell))
                    continue
                above, below = body.split_by_plane(tuple(float(x) for x in frame.along[axis]), height)
                for half, ends in ((below, (cell[axis][0], height)), (above, (height, cell[axis][1]))):
                    if half.volume() > 0:
                        after.append((half, [*cell[:axis], ends, *cell[axis + 1 :]]))
            cells = after
    letters = [(joint, letter) for (joint, pegs), letter in zip(plan.joints, LETTERS, strict=False)]
    stamps = [(joint, *_stamp(joint, pegs, letter, cutter)) for (joint, pegs), (_, letter) in zip(plan.joints, letters, strict=False)]
    pieces: list[Piece] = []
    for body, cell in cells:
        downs = [-sign * frame.along[k] for k in range(3) for sign, end in ((1.0, cell[k][0]), (-1.0, cell[k][1])) if np.isfinite(end)]
        for joint, lower, upper in stamps:
            if lower is None:
                continue
            if cell[joint.axis][1] == joint.height:
                body = body - lower
            elif cell[joint.axis][0] == joint.height:
                body = body - upper
        bodies = body.decompose()
        if any(b.volume() < 0 for b in bodies):
            bodies = [body]
        pieces += [Piece(b, tuple(downs)) for b in bodies]
    return pieces


def _stamp(joint: Joint, pegs: tuple[Peg, ...], letter: str, cutter: tuple[float, float]) -> tuple[Any, Any]:
    """The letter to be cut into the face below a joint and into the face above it, each to be read by who looks at it; None: no room."""
    from manifold3d import CrossSection, JoinType, Manifold

    stroke, depth = cutter
    free = joint.face(depth + joint.wall).offset(-joint.wall, JoinType.Round, 2.0, 24)
    for peg in pegs:
        free = free - CrossSection.circle(1.5 * peg.radius + joint.wall, 24).translate((float(peg.at[0]), float(peg.at[1])))
    if free.is_empty():
        return None, None
    p0, q0, p1, q1 = free.bounds()
    step = max(0.5, float(np.sqrt((p1 - p0) * (q1 - q0) / CELLS)))
    p, q = np.meshgrid(np.arange(p0, p1 + step, step), np.arange(q0, q1 + step, step))
    field = within(np.stack((p.ravel(), q.ravel()), axis=1), free).reshape(p.shape)
    place: Placed | None = placed(field, np.array([p0, q0]), step, (letter,), LEAST_LETTER * stroke, stroke, 0.0)
    if place is None:
        return None, None
    height = min(place.height, TALLEST_LETTER)
    flat = drawn((letter,), height, stroke)
    out: list[Any] = []
    for mirrored, low, high in ((False, -depth, 1.0), (True, -1.0, depth)):
        shape = (flat.mirror((1.0, 0.0)) if mirrored else flat).translate((float(place.at[0]), float(place.at[1])))
        solid = Manifold.extrude(shape, high - low).translate((0.0, 0.0, joint.height + low))
        out.append(solid.transform(np.column_stack((joint.view.T, np.zeros(3)))))
    return out[0], out[1]


def _told(pieces: int, plan: Plan, pegs: list[Peg], printed: int) -> str:
    cuts = sum(len(c) for c in plan.cuts)
    kinds = sorted({(p.width, p.length) for p in pegs}, reverse=True)
    number = {kind: sum((p.width, p.length) == kind for p in pegs) for kind in kinds}
    sizes = " and ".join(f"{number[k]} pegs {k[0]:.0f} mm wide and {k[1]:.0f} long" for k in kinds)
    where = "which lie beside them" if printed else "to be cut from dowel"
    bosses = ", in bosses built up inside the hollow" if any(p.bosses for p in pegs) else ""
    return (
        f"cut it into {pieces} pieces by {cuts} {'cut' if cuts == 1 else 'cuts'}, to be put together on {sizes} "
        f"(sockets {CLEARANCE:.1f} mm wider{bosses}), {where}"
    )


def _unheld(pegs: list[Peg]) -> tuple[str, ...]:
    loose = sum(not p.held for p in pegs)
    return (f"print with support inside the hollow: {loose} bosses hang free of floor and wall",) if loose else ()


def _shaky(pieces: list[Piece]) -> tuple[str, ...]:
    least = min(p.lean for p in pieces)
    count = sum(p.lean < FIRM for p in pieces)
    if not count:
        return ()
    how = f"it can be leaned {least:.0f} degrees before it falls" if least > 0 else "it has no flat to stand on"
    return (f"hold {count} of the pieces down with a brim or supports while it prints: {how}",)
