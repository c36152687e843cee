"""Seat: set the part on a flat base. An open sheet is carried down from its rim; a closed part is turned, cut or filled flat."""

from __future__ import annotations

import numpy as np

from lint.shape.facing import facing, main_sheet, outer_rim, turn_to_top
from lint.shape.sheet import Base, Seated, seat_sheet
from lint.shape.verify import sound
from lint.terms import Declined, Fix, FloatArray, IntArray, Job, Part, Promise, Shaped, Touch, Zone

fix = Fix(
    name="seat",
    touch=Touch.SKIN,
    does="gives the part a flat base: an open sheet is carried straight down from its rim, a closed part is turned onto its flat, "
    "cut or filled flat; the sculpted skin above stays as it is",
)

# A loose open scrap of less than this share of the sheet's skin is left behind and said so.
SCRAP_SHARE = 0.01
# What a part newly standing, newly solid or newly wider may be told: it may be too big for the bed (24), have gaps above its base (31),
# steep skin (32), layers that begin in mid-air (33), suction (38), a saving by hollowing (39), other undercuts now that it faces
# another way (51), recesses (52).
MAY_RAISE = (24, 31, 32, 33, 38, 39, 51, 52)


@fix.make
def make(job: Job) -> Shaped:
    """Seat the part. Raises Declined when it sits flat already, or when no clean base can be given to it."""
    if job.part.units is None:
        raise Declined("the units are unknown, so the height of a base means nothing yet: give them, or a reference length")
    survey = job.survey
    if len(survey.get("rims")):
        return _sheet(job)
    raise Declined("closed: not yet")


def _sheet(job: Job) -> Shaped:
    part, survey = job.part, job.survey
    skin, rims, shells, facets = (survey.get(n) for n in ("skin", "rims", "shells", "facets"))
    if not bool(survey.get("edges").agree.all()):
        raise Declined("faces of the skin disagree, so its rim cannot be followed: turn them first")
    rim = outer_rim(skin, rims, shells, facets)
    if rim is None:
        raise Declined("its open rims are holes rather than the end of a sheet: close them first")
    main = main_sheet(rims, shells)
    others = [r for r in rims if r is not rim]
    scraps = sorted({int(shells.label[r.faces[0]]) for r in others} - {main})
    if any(shells.label[r.faces[0]] == main for r in others):
        raise Declined(f"besides its outer rim the sheet has {len(others)} more: close them first")
    if any(shells.area[s] > SCRAP_SHARE * shells.area[main] for s in scraps):
        raise Declined("it is in several open pieces of some size: drop or unite them first")
    if len(np.unique(rim.points)) != len(rim.points):
        raise Declined("the rim touches itself in a point: untangle it first")
    try:
        way = facing(part, skin, rim, np.flatnonzero(shells.label == main), facets)
    except ValueError as reason:
        raise Declined(f"{reason}: give face = [x, y, z] under [part] in the ticket") from reason
    turn = turn_to_top(way.up)
    points = skin.vertices @ turn.T
    sheet = skin.faces[shells.label == main]
    loop = rim.points
    if way.inside_out:
        sheet, loop = sheet[:, ::-1], loop[::-1]
    settings = job.settings
    seated = seat_sheet(points, sheet, loop, Base(settings.base, settings.margin, settings.corner))
    moved = np.eye(4)
    moved[:3, :3] = turn
    moved[2, 3] = -seated.floor
    rest = skin.faces[~np.isin(shells.label, [main, *scraps, -1])]
    new = _part(part, seated, rest, len(points), points, moved)
    sound(new, "the seated part")
    cautions = (way.assumed,) if way.assumed else ()
    return Shaped(
        new,
        Promise(skin_max=0.0, skin_p99=0.0, volume="any", pieces="fewer" if scraps else "same", clears=_called(job), may_raise=MAY_RAISE),
        _told(seated, way.said, settings.base, len(scraps)),
        zones=_zones(seated, new),
        moved=moved,
        cautions=cautions,
    )


def _called(job: Job) -> tuple[int, ...]:
    """The rules whose findings asked for this fix: they must be silent afterwards."""
    return tuple(sorted({f.rule for f in job.findings}))


def _part(part: Part, seated: Seated, rest: IntArray, count: int, points: FloatArray, moved: FloatArray) -> Part:
    built = seated.built
    vertices, faces = built.vertices, built.faces
    if len(rest):
        faces = np.vstack((faces, rest + len(vertices)))
        vertices = np.vstack((vertices, points))
    used = np.unique(faces)
    new = np.full(len(vertices), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    at = vertices[used].copy()
    low = at[:, 2] == seated.floor
    at[:, 2] -= seated.floor
    at[low, 2] = 0.0
    return part.with_mesh(at, new[faces], moved=moved)


def _zones(seated: Seated, new: Part) -> tuple[Zone, ...]:
    shift = np.array([0.0, 0.0, -seated.floor])
    level = seated.new_below - seated.floor
    zones = [Zone("under", "the new base", 1e-6, ((0.0, 0.0, float(level)), (0.0, 0.0, 1.0)))]
    walls = seated.built.wall_points + shift
    walls = walls[walls[:, 2] > level]
    if len(walls):
        zones.append(Zone("near", "the wall from the rim down", seated.built.spacing, _tuples(walls)))
    if seated.strip:
        rim = np.vstack((seated.rim, seated.rim[:1])) + shift
        zones.append(Zone("near", "the strip cut off the ragged rim", 1.05 * seated.strip, _tuples(rim), chain=True))
    return tuple(zones)


def _tuples(points: FloatArray) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(x), float(y), float(z)) for x, y, z in points)


def _told(seated: Seated, said: str, depth: float, scraps: int) -> str:
    wide = np.ptp(seated.outline, axis=0)
    text = f"carried the rim down to a flat base of {wide[0]:.0f} by {wide[1]:.0f} mm, {depth:.1f} mm below the lowest skin"
    if seated.land:
        text += f", with a land of {seated.land:.0f} mm around"
    if seated.strip:
        text += f"; cut a strip of {seated.strip:.1f} mm off the ragged rim"
    if scraps:
        text += f"; left {scraps} loose open scraps behind"
    return f"{text}; which way is up was told {said}"
