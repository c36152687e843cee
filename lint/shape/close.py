"""Close: fill holes in the skin with patches that follow the skin around them; the rim a sheet ends at is left for seat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lint.measure import Survey
from lint.measure.edges import Rim
from lint.shape.facing import SCRAP_SHARE, main_sheet, outer_rim
from lint.shape.fill import patches
from lint.shape.leave import hopeless, left_out, main_shell
from lint.shape.lids import Hole, filled_holes, joined, simple_loops
from lint.shape.stitch import sewn_up
from lint.shape.sturdy import used_only
from lint.shape.triangles import spots_on
from lint.terms import Declined, Fix, FloatArray, IntArray, Job, NotYet, Promise, Shaped, Touch, Zone

fix = Fix(
    name="close",
    touch=Touch.SKIN,
    does="sews up slits and fills holes with a patch that follows the skin around them, and leaves out open bits that are no part of the "
    "solid; the skin itself stays, and the outer rim of a sheet is left for seat",
)

# A closed scrap thinner than this share of its own width is two skins on each other, not a solid.
SCRAP = 0.02
# What closing may newly cause: what encloses something is seen to be inside out (8, which turn mends), overlaps (10) or passes through (9)
# what it only touched, has walls (30), gaps (31), hollows (37), weight (39), recesses (52); what lay on a table that is left out no longer
# lies flat (34, 36).
MAY_RAISE = (8, 9, 10, 30, 31, 32, 33, 34, 36, 37, 38, 39, 51, 52)


# The skin beside a slit moves by as much as the points lay off the side, and a hair more where it bends there.
STRETCH = 1.05


_ROUGH = "; {} of them through skin that is in the way, which rewrap is to cut out"


@fix.make
def make(job: Job) -> Shaped:
    """Sew up slits along sides, fill every hole that can be filled cleanly, and leave out open pieces that are no part of the solid.

    Raises Declined when there is nothing to do, or nothing but the rim that seat takes.
    """
    if not len(job.survey.get("edges").open):
        raise Declined("the skin has no open rim")
    sewn = sewn_up(job.survey)
    if sewn is None:
        return _filled(job)
    part = job.part.with_mesh(job.survey.get("skin").vertices, sewn.faces)
    called = tuple(sorted({f.rule for f in job.findings}))
    move = STRETCH * sewn.widest
    slits = "a slit" if sewn.slits == 1 else f"{sewn.slits} slits"
    did = f"sewed up {slits} up to {sewn.widest:.2g} wide, where points of one side lay along another"
    only = Promise(skin_max=move, skin_p99=move, volume="any", lessens=called, may_raise=MAY_RAISE)
    try:
        rest = _filled(replace(job, part=part, survey=Survey(part)))
    except Declined:
        return Shaped(part, only, did)
    return replace(rest, promise=replace(rest.promise, skin_max=move, skin_p99=move), did=f"{did}; {rest.did}")


def _filled(job: Job) -> Shaped:
    main = main_shell(job.survey)
    first = left_out(job.survey, main)
    survey = _survey_without(job, first) if first else job.survey
    skin, rims, shells = (survey.get(n) for n in ("skin", "rims", "shells"))
    kept = outer_rim(skin, rims, shells, survey.get("facets")) if "seat" in job.planned else None
    holes, faces_of = _holes(survey, kept), _whole(skin.faces)
    sound = skin.faces[faces_of]
    vertices, faces, first_new = filled_holes(skin.vertices, sound, holes)
    for hole in _flakes(survey, holes, vertices, faces, first_new):
        hole.done = False
    failed = {h.shell for h in holes if not h.done} | {int(shells.label[r.faces[0]]) for r in rims if not r.closed}
    if kept is not None:
        failed |= _scraps(survey, kept)
    spared = hopeless(survey, kept, main_shell(survey), failed)
    rough = [h for h in holes if not h.done and h.shell not in spared and h.ways] if "rewrap" in job.planned else []
    for hole in rough:  # through the skin around it: what crosses is cut out next, and new skin laid over it all
        hole.turn, hole.done = 0, True
    done = [h for h in holes if h.done and h.shell not in spared]
    if not done and not first and not spared:
        _decline(kept, holes)
    stays = ~np.isin(shells.label[faces_of], list(spared))
    vertices, faces, first_new = joined(skin.vertices, sound[stays], done)
    left = sum(not h.done and h.shell not in spared for h in holes)
    left += sum(not r.closed and int(shells.label[r.faces[0]]) not in spared for r in rims)
    called = tuple(sorted({f.rule for f in job.findings}))
    everything = left == 0 and kept is None
    zones = _spared_zones(job.survey, first) + _spared_zones(survey, spared)
    if done:
        spots, spacing = spots_on(vertices, faces[first_new:])
        zones += (Zone.near("the patches over the holes", spacing, spots),)
    gone = [*first.values(), *spared.values()]
    used, made = used_only(vertices, faces) if gone else (vertices, faces)
    return Shaped(
        job.part.with_mesh(used, made),
        Promise(
            skin_max=0.0, skin_p99=0.0, volume="any", pieces="fewer" if gone else "same",
            clears=called if everything else (), lessens=() if everything else called, may_raise=MAY_RAISE + ((5, 6) if rough else ()),
        ),
        _told(len(done), faces, first_new, vertices, kept is not None, left, gone) + (_ROUGH.format(len(rough)) if rough else ""),
        zones=zones,
    )  # fmt: skip


def _survey_without(job: Job, gone: dict[int, str]) -> Survey:
    skin, shells = job.survey.get("skin"), job.survey.get("shells")
    return Survey(job.part.with_mesh(*used_only(skin.vertices, skin.faces[~np.isin(shells.label, list(gone))])))


def _holes(survey: Survey, kept: Rim | None) -> list[Hole]:
    """Every hole of the pieces that are worth filling, with the patches that might fit."""
    skin, shells = survey.get("skin"), survey.get("shells")
    scraps = _scraps(survey, kept)
    sound = skin.faces[_whole(skin.faces)]
    return [
        Hole(loop, patches(skin.vertices, sound, loop), shell)
        for rim in survey.get("rims")
        if rim is not kept and rim.closed and (shell := int(shells.label[rim.faces[0]])) not in scraps
        for loop in simple_loops(rim.points)
        if len(loop) >= 3
    ]


def _decline(kept: Rim | None, holes: list[Hole]) -> None:
    if holes:
        raise Declined("no patch closes its rims without cutting through the skin around them: rewrap the part, or crop it first")
    if kept is not None:
        raise Declined("its one rim is where the sheet ends: seat carries it down to a base")
    raise NotYet("its rims cannot be followed round, because neighbouring faces disagree: turn them first")


def _spared_zones(survey: Survey, gone: dict[int, str]) -> tuple[Zone, ...]:
    skin, shells = survey.get("skin"), survey.get("shells")
    zones: tuple[Zone, ...] = ()
    for why in dict.fromkeys(gone.values()):
        faces = np.flatnonzero(np.isin(shells.label, [s for s, w in gone.items() if w == why]))
        spots, spacing = spots_on(skin.vertices, skin.faces[faces])
        zones += (Zone.near(f"left out: {why}", spacing, spots),)
    return zones


def _scraps(survey: Survey, kept: Rim | None) -> frozenset[int]:
    """Open shells that are small beside the sheet whose outer rim is kept: filling them would be in vain."""
    if kept is None:
        return frozenset()
    shells = survey.get("shells")
    main = int(shells.label[kept.faces[0]])
    small = np.flatnonzero(~shells.closed & (shells.area < SCRAP_SHARE * shells.area[main]))
    return frozenset(int(s) for s in small)


def _whole(faces: IntArray) -> IntArray:
    return np.flatnonzero((faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0]))


def _flakes(survey: Survey, holes: list[Hole], vertices: FloatArray, faces: IntArray, first_new: int) -> list[Hole]:
    """Holes whose patches make a scrap, other than the main sheet, with nothing or hardly anything between its two sides."""
    shells, rims = survey.get("shells"), survey.get("rims")
    main = main_sheet(rims, shells)
    label = np.concatenate((shells.label[_whole(survey.get("skin").faces)], np.full(len(faces) - first_new, -1)))
    done = [h for h in holes if h.done]
    begin = first_new
    for hole in done:
        size = len(hole.ways[hole.turn].faces)
        label[begin : begin + size] = hole.shell
        begin += size
    flakes = set()
    for shell in {h.shell for h in done} - {main}:
        own = faces[label == shell]
        a, b, c = (vertices[own[:, i]] - vertices[own[0, 0]] for i in range(3))
        skin_area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
        held = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6
        if 2 * held < SCRAP * skin_area**1.5:
            flakes.add(shell)
    return [h for h in done if h.shell in flakes]


def _told(count: int, faces: IntArray, first_new: int, vertices: FloatArray, kept: bool, left: int, gone: list[str]) -> str:
    a, b, c = (vertices[faces[first_new:, i]] for i in range(3))
    size = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
    words = [f"filled {count} {'hole' if count == 1 else 'holes'}, {size:.0f} mm2 of new skin"] if count else []
    words += [f"left out {gone.count(why)} open {'piece' if gone.count(why) == 1 else 'pieces'} ({why})" for why in dict.fromkeys(gone)]
    if kept:
        words.append("left the outer rim for seat")
    if left:
        words.append(f"{left} {'rim stays' if left == 1 else 'rims stay'} open because no clean patch fits")
    return "; ".join(words)
