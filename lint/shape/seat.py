"""Seat: set the part on a flat base. An open sheet is carried down from its rim; a closed part is turned, cut or filled flat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from lint.measure import Survey
from lint.measure.shells import Shells
from lint.mend import carried_zone
from lint.shape import close, rewrap
from lint.shape.carry import Built
from lint.shape.crop import Plane, cut_along
from lint.shape.facing import SCRAP_SHARE, asked_up, facing, main_sheet, outer_rim, turn_to_top
from lint.shape.flats import flats
from lint.shape.level import REST_SHARE, SNAP, Levelled, level, stumps, tip_angle_of
from lint.shape.pins import pinned
from lint.shape.rewrap import apart, freed
from lint.shape.sheet import LEAST_LEAN, Base, Seated, seat_sheet, ways_to_weigh
from lint.shape.triangles import spots_on
from lint.shape.verify import sound
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, NotRun, NotYet, Part, Promise, Shaped, Touch, Zone

fix = Fix(
    name="seat",
    touch=Touch.SKIN,
    does="gives the part a flat base: an open sheet is carried straight down from its rim, a closed part is turned onto its flat, "
    "cut or filled flat; the sculpted skin above stays as it is",
)

# What a part newly standing, newly solid or newly wider may be told: its walls may run into another shell of it (10, which unite mends),
# it may have walls that only thicken can mend (30) and gaps above its base (31), be too big for the bed (24),
# steep skin (32), layers that begin in mid-air (33), suction (38), a saving by hollowing (39), other undercuts now that it faces
# another way (51), recesses (52).
MAY_RAISE = (10, 24, 30, 31, 32, 33, 38, 39, 51, 52)


# Flatness a part that is left as it is must have: facts 1.4.3.
FLATNESS = 0.1
AS_SEATED = "as it was seated"
DARNED = "laid new skin where the old grazed itself; "
# The rule about land: only when it speaks does a closed part that stands already get a wider base for its sake.
LAND = 53


@fix.make
def make(job: Job) -> Shaped:
    """Seat the part. Raises Declined when it sits flat already, or when no clean base can be given to it."""
    if job.part.units is None:
        raise Declined("the units are unknown, so the height of a base means nothing yet: give them, or a reference length")
    if not len(job.part.faces):
        raise Declined("there is no skin to seat")
    if len(job.survey.get("edges").open):
        try:
            return _sheet(job)
        except Declined as reason:
            return _filled(job) or _declined(reason)
    if not bool(job.survey.get("shells").closed.all()):
        raise NotYet("its skin is crowded or disagrees somewhere: untangle and turn it first")
    if not _called(job) and _stands(job.survey) and _standing(job)[1] == "" and _stands_hollow(job):
        return _joined(job)
    return _closed(job)


def _closed(job: Job) -> Shaped:
    """A closed part in the first way that gives it a stand. Raises Declined with the reason of the most likely one."""
    try:
        return _solid(job)
    except Declined as reason:
        return _darned(job) or _on_a_flat(job) or _declined(reason)


def _declined(reason: Declined) -> Shaped:
    raise reason


def _filled(job: Job) -> Shaped | None:
    """Seated as a closed part after its rims were filled, where no wall can be carried down from them; None where that is no better."""
    for rough in (False, True) if "rewrap" in job.planned else (False,):
        try:
            return _closed_first(job, rough)
        except Declined:
            continue
    return None


def _closed_first(job: Job, rough: bool) -> Shaped:
    """Seated after its rims were filled; rough: with patches through skin that is in the way, and that skin mended. Raises Declined."""
    job = replace(job, findings=(), planned=job.planned - {"seat"} if rough else job.planned - {"seat", "rewrap"})
    shut = close.make(job)
    zones, did, moved, survey = shut.zones, shut.did, 0.0, Survey(shut.part)
    if rough:
        shut = rewrap.make(replace(job, part=shut.part, survey=survey))
        zones, did, survey = (*zones, *shut.zones), f"{did}; {shut.did}", Survey(shut.part)
        far = rewrap.measured_move(job, shut.part, zones)  # by the skin that could be seen while it was open
        if far.p99 > rewrap.TRUE_MM:
            raise Declined("the skin would move")
        moved = rewrap.MORE * far.max
    if not survey.get("edges").closed:
        raise Declined("it does not close")
    shaped = _then(zones, f"no wall can be carried down from its rim, so it was closed first: {did}; ",
                   _closed(replace(job, part=shut.part, survey=survey)))  # fmt: skip
    most, p99 = (float(p or 0.0) + moved for p in (shaped.promise.skin_max, shaped.promise.skin_p99))
    promise = replace(shaped.promise, skin_max=most, skin_p99=p99, pieces="any")
    return replace(shaped, promise=promise, cautions=(*shut.cautions, *shaped.cautions))


def _then(zones: tuple[Zone, ...], did: str, shaped: Shaped) -> Shaped:
    """What was shaped after something else was done to the part, told together; zones: of that, before the part was moved."""
    move = shaped.moved if shaped.moved is not None else np.eye(4)
    return replace(shaped, zones=(*shaped.zones, *(carried_zone(z, move) for z in zones)), did=did + shaped.did)


def _darned(job: Job) -> Shaped | None:
    """Seated after its skin was freed of what grazes itself; None where nothing does, or that does not help."""
    free = freed(job.part, job.survey)
    if free is None:
        return None
    part, zones = free
    try:
        shaped = _solid(replace(job, part=part, survey=Survey(part)))
    except Declined:
        return None
    return _then(zones, DARNED, shaped)


def _on_a_flat(job: Job) -> Shaped | None:
    """Seated on the largest flat of the part that lets it stand, beyond which other skin may reach a little; None where none does."""
    if asked_up(job.part) is not None:
        return None
    skin, facets = job.survey.get("skin"), job.survey.get("facets")
    for down in flats(skin.vertices, skin.faces, facets.normal, facets.area):
        try:
            return _solid(job, (turn_to_top(-down), "turned to stand on its largest flat"))
        except Declined:
            continue
    return None


def _solid(job: Job, stand: tuple[FloatArray, str] | None = None) -> Shaped:
    """stand: the turn that stands it up and why; as it is likely to stand when None."""
    part, survey, settings = job.part, job.survey, job.settings
    skin, shells = survey.get("skin"), survey.get("shells")
    turn, said = stand or _standing(job)
    wider = settings.margin if LAND in _called(job) else None
    faces = skin.faces[shells.label >= 0]
    points = skin.vertices @ turn.T
    made = level(points, faces, _base(job, wider))
    moved = np.eye(4)
    moved[:3, :3] = turn
    moved[2, 3] = -made.floor
    pins = pinned(_part(part, made.built, made.floor, np.zeros((0, 3), dtype=np.int64), points, moved), settings.nozzle)
    new = pins.part
    after = sound(new, "the seated part")
    if not _stands(after):
        raise Declined("no level cut within reach lets it stand: lay it another way, or give it a wider base by hand")
    darns: tuple[Zone, ...] = ()
    if bool(after.get("crossings").within.any()) and not bool(survey.get("crossings").within.any()):
        free = freed(new, after)  # what is judged to cross depends a little on the size of the whole
        if free is None or bool(sound(free[0], "the seated part").get("crossings").within.any()):
            raise Declined("where it is cut level its skin would pass through itself: rewrap it first")
        new, darns = free
    under = Zone("under", "the new base", 2 * SNAP, ((0.0, 0.0, made.cut - made.floor), (0.0, 0.0, 1.0)))
    kept = "same" if after.get("shells").count == shells.count and not darns else "any"  # a small piece may lie below the cut
    return Shaped(
        new,
        Promise(skin_max=SNAP + pins.most, skin_p99=SNAP + pins.most, volume="any", pieces=kept, clears=_called(job), may_raise=MAY_RAISE),
        (DARNED if darns else "") + _told_level(made, said, settings.base) + pins.said,
        zones=(under, *pins.zones, *darns),
        moved=moved,
        cautions=apart(1, new, AS_SEATED),
    )


def _joined(job: Job) -> Shaped:
    """A part that stands already, with its loose pieces joined to it. Raises Declined when there are none that can be."""
    pins = pinned(job.part, job.settings.nozzle, job.survey)
    if not pins.joined:
        raise Declined("it sits flat and firm already")
    return Shaped(
        pins.part,
        Promise(skin_max=pins.most, skin_p99=pins.most, volume="any", pieces=pins.pieces, may_raise=MAY_RAISE),
        "it sits flat and firm already" + pins.said,
        zones=pins.zones,
        cautions=apart(1, pins.part, AS_SEATED),
    )


def _stands(survey: Survey) -> bool:
    """Whether it rests on enough flat skin and is not easily tipped over."""
    contact = survey.get("contact")
    if contact.share < REST_SHARE - 0.01 or (contact.unevenness > FLATNESS and contact.area < contact.base_area / 2):
        return False
    try:
        return float(survey.get("stance").angle) >= LEAST_LEAN
    except NotRun:
        return False


def _stands_hollow(job: Job) -> bool:
    """Whether a part that stands will do so as well once it is hollowed, where that is planned: then its weight may lie higher."""
    wall = _base(job, None).wall
    if wall is None:
        return True
    skin, contact = job.survey.get("skin"), job.survey.get("contact")
    floor = float(contact.lowest)
    return all(tip_angle_of(contact.hull, centre, floor) >= LEAST_LEAN for _, centre in ways_to_weigh(skin.vertices, skin.faces, wall))


def _base(job: Job, margin: float | None) -> Base:
    settings = job.settings
    wall = settings.wall if "hollow" in job.planned else None
    return Base(settings.base, margin, settings.corner, 2 * settings.nozzle, wall)


def _standing(job: Job) -> tuple[FloatArray, str]:
    """The turn (3, 3) that stands a closed part up, and why it is turned; the reason is empty when it stays as it is."""
    told = asked_up(job.part)
    if told is not None:
        return turn_to_top(told), "" if told[2] > 1 - 1e-9 else "turned as the ticket's face says"
    if _stands(job.survey):
        return np.eye(3), ""
    skin, facets = job.survey.get("skin"), job.survey.get("facets")
    found = stumps(skin.vertices, skin.faces, facets.normal, facets.area)
    if not found or any(down[2] < -0.9999 for down in found):
        return np.eye(3), ""
    return turn_to_top(-found[0]), "turned to stand on the end where it was cut"


def _told_level(made: Levelled, said: str, depth: float) -> str:
    wide = np.ptp(made.outline, axis=0)
    words = [said] if said else []
    if made.taken > 3 * SNAP:
        words.append(f"cut level {made.taken:.2f} mm above its lowest point")
    if made.plate:
        words.append(f"put a plate {depth:.1f} mm thick under it that reaches {made.plate:.0f} mm farther out")
    words.append(f"it stands on a flat of {wide[0]:.0f} by {wide[1]:.0f} mm")
    return "; ".join(words)


def _sheet(job: Job) -> Shaped:
    part, survey = job.part, job.survey
    skin, rims, shells, facets = (survey.get(n) for n in ("skin", "rims", "shells", "facets"))
    if not bool(survey.get("edges").agree.all()):
        raise NotYet("faces of the skin disagree, so its rim cannot be followed: turn them first")
    rim = outer_rim(skin, rims, shells, facets)
    if rim is None:
        raise NotYet("its open rims are holes rather than the end of a sheet: close them first")
    main = main_sheet(rims, shells)
    others = [r for r in rims if r is not rim]
    scraps = sorted({int(shells.label[r.faces[0]]) for r in others} - {main})
    holes = sum(int(shells.label[r.faces[0]]) == main for r in others)
    if any(shells.area[s] > SCRAP_SHARE * shells.area[main] for s in scraps):
        raise Declined("it is in several open pieces of some size: drop or unite them first")
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
    seated = seat_sheet(points, sheet, loop, holes, _base(job, settings.margin))
    moved = np.eye(4)
    moved[:3, :3] = turn
    moved[2, 3] = -seated.floor
    rest, around, cut = _above(seated, points, skin.faces, shells, ~np.isin(np.arange(shells.count), [main, *scraps]))
    within = rest[_lies_in(seated.built, around, rest)]
    pins = pinned(_part(part, seated.built, seated.floor, rest, around, moved), settings.nozzle)
    new = pins.part
    sound(new, "the seated part")
    cautions = ((way.assumed,) if way.assumed else ()) + apart(1, new, AS_SEATED)
    return Shaped(
        new,
        Promise(skin_max=pins.most, skin_p99=pins.most, volume="any", clears=_called(job), may_raise=MAY_RAISE,
                pieces="any" if cut else pins.pieces if pins.joined else "fewer" if scraps else "same"),
        _told(seated, way.said, settings.base, len(scraps))
        + (f"; cut off {cut} pieces that reached below it" if cut else "")
        + ("; pieces behind the sheet lie inside the solid now" if len(within) else "")
        + pins.said,
        zones=(*_zones(seated, points, skin.faces[np.isin(shells.label, scraps)], (around, within)), *pins.zones),
        moved=moved,
        cautions=cautions,
    )  # fmt: skip


def _above(seated: Seated, points: FloatArray, faces: IntArray, shells: Shells, wanted: BoolArray) -> tuple[IntArray, FloatArray, int]:
    """The other shells that are `wanted` (s,), over which points, and how many were cut: what reaches below the new base is cut off
    half way up it, so that the part stands on its base and the stump ends inside."""
    rest, around, cut = faces[(shells.label >= 0) & wanted[shells.label]], points, 0
    for shell in np.flatnonzero(wanted):
        own = faces[shells.label == shell]
        if not shells.closed[shell] or points[own, 2].min() >= seated.floor:
            continue
        plane = Plane(np.array([0.0, 0.0, (seated.floor + seated.new_below) / 2]), np.array([0.0, 0.0, 1.0]))
        stump, left = cut_along(points, own, points[:, 2] - plane.point[2], plane, solid=True)
        rest = np.vstack((rest[~np.isin(rest, own.reshape(-1)).any(axis=1)], left + len(around)))
        around, cut = np.vstack((around, stump)), cut + 1
    return rest, around, cut


def _lies_in(built: Built, points: FloatArray, faces: IntArray) -> BoolArray:
    """(m,) which faces over points (n, 3) lie at least in part inside what was built: by the winding number of their corners and middles
    (Jacobson, Kavan, Sorkine-Hornung 2013)."""
    import igl

    if not len(faces):
        return np.zeros(0, dtype=bool)
    used, at = np.unique(faces, return_inverse=True)
    asked = np.ascontiguousarray(np.vstack((points[used], points[faces].mean(axis=1))))
    solid = np.ascontiguousarray(built.vertices), np.ascontiguousarray(built.faces)
    inside = np.asarray(igl.fast_winding_number(*solid, asked)).reshape(-1) > 0.5
    found: BoolArray = inside[at.reshape(-1, 3)].any(axis=1) | inside[len(used) :]
    return found


def _called(job: Job) -> tuple[int, ...]:
    """The rules whose findings asked for this fix: they must be silent afterwards."""
    return tuple(sorted({f.rule for f in job.findings}))


def _part(part: Part, built: Built, floor: float, rest: IntArray, points: FloatArray, moved: FloatArray) -> Part:
    """The part made of what was built and the `rest` (m, 3) of its shells, over the old `points`, set down so that the floor is z = 0."""
    vertices, faces = built.vertices, built.faces
    if len(rest):
        faces = np.vstack((faces, rest + len(vertices)))
        vertices = np.vstack((vertices, points))
    used = np.unique(faces)
    new = np.full(len(vertices), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    at = vertices[used].copy()
    low = at[:, 2] == floor
    at[:, 2] -= floor
    at[low, 2] = 0.0
    return part.with_mesh(at, new[faces], moved=moved)


def _zones(seated: Seated, old: FloatArray, scraps: IntArray, within: tuple[FloatArray, IntArray]) -> tuple[Zone, ...]:
    shift = np.array([0.0, 0.0, -seated.floor])
    level = seated.new_below - seated.floor
    zones = [Zone("under", "the new base", 1e-6, ((0.0, 0.0, float(level)), (0.0, 0.0, 1.0)))]
    walls = seated.built.wall_points + shift
    if len(walls):  # also those a little below the level: their balls cover the wall just above it
        zones.append(Zone.near("the wall from the rim down", seated.built.spacing, walls))
    if len(seated.trimmed):
        spots, spacing = spots_on(old, seated.trimmed)
        what = "the strip cut off the ragged rim" if seated.strip else "teeth taken off the ragged rim"
        zones.append(Zone.near(what, spacing, spots + shift))
    if len(scraps):
        spots, spacing = spots_on(old, scraps)
        zones.append(Zone.near("loose open scraps left behind", spacing, spots + shift))
    if len(within[1]):
        spots, spacing = spots_on(*within)
        zones.append(Zone.near("pieces behind the sheet, inside the solid now", spacing, spots + shift))
    return tuple(zones)


def _told(seated: Seated, said: str, depth: float, scraps: int) -> str:
    wide = np.ptp(seated.outline, axis=0)
    text = f"carried the rim down to a flat base of {wide[0]:.0f} by {wide[1]:.0f} mm, {depth:.1f} mm below the lowest skin"
    if seated.land:
        text += f", with a land of {seated.land:.0f} mm around"
    if seated.strip:
        text += f"; cut a strip of {seated.strip:.1f} mm off the ragged rim"
    if seated.bitten:
        text += f"; took {seated.bitten:.1f} mm2 of teeth off the ragged rim, where no wall would pass them"
    if seated.filled >= 0.5:
        text += f"; filled the bays of the torn rim with {seated.filled:.0f} mm2 of new skin between its teeth"
    if scraps:
        text += f"; left {scraps} loose open scraps behind"
    return f"{text}; which way is up was told {said}"
