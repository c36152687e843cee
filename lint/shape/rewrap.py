"""The last resort for a broken scan: new skin where skin passes through skin, round the whole part only where that cannot be helped."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from lint.measure import Survey
from lint.measure.displacement import SAMPLES, Moved, gone_astray, in_zones, sample, shared_faces, skin_moved
from lint.measure.nearest import distance_to_faces
from lint.shape.compact import covers, without
from lint.shape.darn import darned, grazes
from lint.shape.facing import OUTER_SHARE, vector_area
from lint.shape.patch import Patched, patched, trouble_of
from lint.shape.triangles import thinned
from lint.shape.wrap import pitch_for, rewrap_mesh
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, NotRun, Part, Promise, Shaped, Touch, Zone

__all__ = ["fix", "pitch_for", "rewrap_mesh"]

# Round the trouble this many cells are edited; elsewhere the skin is promised to stay.
ZONE = 2.0
# Skin that keeps its points is measured to move by rounding only: this share of the diagonal.
STAYS = 1e-7
# Where a wrap of the whole part is farther from the old skin than this, it says so in a zone: mm, else a share of the diagonal.
TRUE_MM, TRUE = 0.1, 5e-4
# A wrap of the whole part promises what was measured on a sample of points, and this much more for the points between them.
MORE = 1.05

# A bit of skin that hung on by the trouble alone can come out as a stray piece (11), which is then dropped; walls (30), gaps (31),
# steep skin (32), layers begun in mid-air (33), a stand (34, 36), hollows (37, 38), weight (39), undercuts (51) and recesses (52) can
# only be told of skin that knows its inside from its outside. Shells that overlap, some only seen to now, are united afterwards (10). A
# piece that was broken before, so that it had no inside, can come out whole and inside out (8), which turn mends.
MAY_RAISE = (8, 10, 11, 30, 31, 32, 33, 34, 36, 37, 38, 39, 51, 52)

# A loose solid of less than a cube of this side, mm, is under the least feature that prints (facts 1.2.10).
CRUMB = 2.0
LEFT_OUT = "old skin was left out here, because it bounds no solid"
ASTRAY = "the new skin keeps less close to the old here"

_Hidden = tuple[BoolArray | None, BoolArray | None]

MENDED = "with its broken skin mended"

fix = Fix(
    name="rewrap",
    touch=Touch.SKIN,
    does="lays new skin where skin passes through skin, round the whole part only if that fails, and says how far the skin moved",
)


@fix.make
def make(job: Job) -> Shaped:
    """Patch the trouble and keep all other skin; else wrap the whole part. Raises Declined with the reason."""
    if not len(trouble_of(job.survey, every=True).faces):
        raise Declined("no skin passes through skin, and no edge is crowded")
    try:
        return mended(job)
    except Declined as reason:
        return _whole(job, job.part.units is not None, str(reason))


def mended(job: Job) -> Shaped:
    """New skin only where the old is broken. Raises Declined with the reason where none fits."""
    survey = job.survey
    in_mm = job.part.units is not None
    try:
        patch = patched(survey, in_mm)
    except Declined as reason:
        try:
            patch = darned(survey, in_mm)
        except Declined:
            raise reason from None
    part = job.part.with_mesh(patch.vertices, patch.faces)
    zones = _zones(patch)
    free = freed(part, Survey(part))
    if free is not None:
        part, zones = free[0], (*zones, *free[1])
    part, crumbs = _crumbs_left_out(job.part, part) if in_mm else (part, ())
    zones = (*zones, *crumbs)
    stays = STAYS * survey.get("extent").diagonal
    if measured_move(job, part, zones).max > stays:
        raise Declined("the patch would have moved other skin")
    unit = "mm2" if in_mm else "square file units"
    left = bool(len(trouble_of(Survey(part)).faces))  # a sheet may still pass through a solid, which seat and unite see to
    said: dict[str, tuple[int, ...]] = {"clears": () if left else (9,), "lessens": (9,) if left else ()}
    return Shaped(
        part,
        Promise(skin_max=stays, skin_p99=stays, volume="any", pieces="any", may_raise=MAY_RAISE, **said),
        (
            f"cut out the broken skin and laid {patch.area:.4g} {unit} of new skin there; all other skin keeps its points"
            + ("; left out skin beyond the crossings that lies inside" if len(patch.buried) else "")
            if patch.area
            else "cut out the broken skin, so that the rim runs a little farther in there; all other skin keeps its points"
        )
        + (f"; left out loose crumbs that came of it, each of less than {CRUMB**3:g} mm3, too small to print" if crumbs else ""),
        zones,
        cautions=(("skin that came out beyond a crossing inside out was left out",) if len(patch.lost) else ())
        + apart(int(survey.get("shells").count), part, MENDED),
    )


def freed(part: Part, survey: Survey) -> tuple[Part, tuple[Zone, ...]] | None:
    """The part with new skin where its skin grazes itself, less deep than is judged, and the zones of that; None where nothing does,
    or nothing better fits there."""
    in_mm = part.units is not None
    grazing = grazes(survey, in_mm)
    if not len(grazing):
        return None
    try:
        patch = darned(survey, in_mm, grazing)
    except Declined:
        return None
    return part.with_mesh(patch.vertices, patch.faces), _zones(patch)


def _crumbs_left_out(old: Part, part: Part) -> tuple[Part, tuple[Zone, ...]]:
    """The part without the closed crumbs that the patching left beside it, and the zones of those: slivers between two crossings, which
    hold to nothing now. What came as a piece of its own stays, however small, and so does what lies in or across another piece."""
    survey = Survey(part)
    shells, nesting = survey.get("shells"), survey.get("nesting")
    small = shells.closed & (shells.volume > 0) & (shells.volume < CRUMB**3)
    small[np.argmax(shells.area)] = False
    small[np.concatenate((nesting.inner, nesting.outer, *(g.shells for g in survey.get("overlaps"))))] = False
    crossings = survey.get("crossings")
    small[np.unique(shells.label[crossings.pairs[~crossings.within]])] = False
    kept = shared_faces(part.vertices, part.faces, old.vertices, old.faces)[0]
    made = np.unique(shells.label[(shells.label >= 0) & ~kept])
    small &= np.isin(np.arange(shells.count), made)
    gone = (shells.label >= 0) & small[shells.label]
    if not gone.any():
        return part, ()
    return without(part, gone), covers(survey.get("skin"), np.flatnonzero(gone), "a loose crumb too small to print was here")


def _whole(job: Job, in_mm: bool, why: str) -> Shaped:
    """Wrap the whole part. Sheets are left alone: their rim is where the part ends, and it is not to be closed here."""
    survey = job.survey
    skin, diagonal, area = survey.get("skin"), survey.get("extent").diagonal, float(survey.get("facets").area.sum())
    rims = [r for r in survey.get("rims") if r.closed]
    spans = [float(np.linalg.norm(vector_area(skin.vertices[r.points]))) for r in rims]
    if spans and max(spans) > OUTER_SHARE * area and not job.asked:
        raise Declined(f"{why}; and the part is an open sheet, which cannot be wrapped as a whole before it has its base")
    # A skin of few faces is flat over long ways, and needs no more new ones than a few dozen for each old one.
    budget = int(np.clip(40 * len(skin.faces), 120_000, 600_000))
    pitch = pitch_for(area, diagonal, job.settings.nozzle if in_mm else None, budget)
    hollows = bool(survey.get("nesting").cavity.any())
    vertices, faces = rewrap_mesh(skin.vertices, skin.faces, pitch, hollows=hollows, in_mm=in_mm)
    part = job.part.with_mesh(vertices, faces)
    _prove(part)
    spots = trouble_of(survey, every=True).spots
    zones = [_near(spots, ZONE * pitch, "where skin passed through skin")]
    for rim in rims:
        film = _film(skin.vertices[rim.points], vertices, skin.vertices, skin.faces, pitch, rim.length)
        zones.append(_near(film, ZONE * pitch, "where a hole was closed"))
    zones = [z for z in zones if z.points]
    hidden = _hidden(survey, Survey(part))
    moved = skin_moved(job.part, part, None, zones, hidden)
    off = _off(part, job.part, tuple(zones))
    zones += _astray(job.part, part, zones, TRUE_MM if in_mm else TRUE * diagonal, pitch, hidden)
    rest = skin_moved(job.part, part, None, zones, hidden)
    unit = "mm" if in_mm else "file units"
    did = (
        f"wrapped the whole part in new skin on cells of {pitch:.3g} {unit} ({why}): measured, 99 of 100 places of the new skin "
        f"lie within {off:.3f} {unit} of the old; both ways, 99 of 100 places within {moved.p99:.3f} {unit}, "
        f"all within {moved.max:.3f} {unit}"
    )
    return Shaped(
        part,
        Promise(
            skin_max=_rounded_up(MORE * rest.max), skin_p99=_rounded_up(MORE * rest.p99), volume="any", pieces="any",
            clears=(4, 5, 7, 9, 10), may_raise=MAY_RAISE,
        ),
        did,
        tuple(zones),
        cautions=_cautions(moved, off, in_mm) + apart(int(survey.get("shells").count), part, MENDED),
    )  # fmt: skip


def apart(pieces: int, part: Part, how: str) -> tuple[str, ...]:
    """A caution when the part has come apart: more solids, not counting what overlaps, than there were `pieces`."""
    after = Survey(part)
    solids = int((after.get("shells").volume > 0).sum()) - sum(len(g.shells) - 1 for g in after.get("overlaps"))
    if solids <= max(1, pieces):
        return ()
    return (f"{how} the part is in {solids} separate pieces: look whether they should hang together, and whether they do",)


def _astray(old: Part, part: Part, zones: Iterable[Zone], true: float, pitch: float, hidden: _Hidden) -> list[Zone]:
    """Zones of what the wrap did not keep to: old skin that it left out, and skin that it laid farther than `true` off the old."""
    left, laid = gone_astray(old, part, zones, true, hidden)
    far = distance_to_faces(left, part.vertices, part.faces) > pitch if len(left) else np.zeros(0, dtype=bool)
    made = (_near(left[far], pitch, LEFT_OUT), _near(np.vstack((left[~far], laid)), pitch, ASTRAY))
    return [z for z in made if z.points]


def measured_move(job: Job, part: Part, zones: Iterable[Zone]) -> Moved:
    """How far the skin moved, measured as the engine will: without the skin of sealed hollows, which nobody sees."""
    return skin_moved(job.part, part, None, zones, _hidden(job.survey, Survey(part)))


def _hidden(*surveys: Survey) -> _Hidden:
    hidden: list[BoolArray | None] = []
    for survey in surveys:
        try:
            faces = survey.get("hollows").hidden
        except NotRun:
            faces = np.zeros(0, dtype=bool)
        hidden.append(faces if bool(faces.any()) else None)
    return hidden[0], hidden[1]


def _off(new: Part, old: Part, zones: tuple[Zone, ...]) -> float:
    """The distance within which 99 of 100 places of the new skin lie of the old, outside the zones."""
    import igl

    points, *_ = sample(new.vertices, new.faces, SAMPLES, 2)
    points = points[~in_zones(points, zones)]
    if not len(points):
        return 0.0
    squared = igl.point_mesh_squared_distance(points, np.ascontiguousarray(old.vertices), np.ascontiguousarray(old.faces))[0]
    return float(np.sqrt(np.quantile(np.maximum(np.asarray(squared).reshape(-1), 0.0), 0.99)))


def _prove(part: Part) -> None:
    """Raise Declined unless the wrapped part is closed and free of crossings, also in 32 bits."""
    for at in (part, part.with_mesh(part.vertices.astype(np.float32).astype(np.float64), part.faces)):
        survey = Survey(at)
        if not survey.get("edges").closed or len(survey.get("worthless")):
            raise Declined("the new skin does not close")
        if len(survey.get("crossings").pairs):
            raise Declined("the new skin still passes through itself")


def _zones(patch: Patched) -> tuple[Zone, ...]:
    zones = [_near(patch.spots, ZONE * patch.pitch, "new skin where skin passed through skin")]
    zones.append(_near(patch.lost, ZONE * patch.pitch, "skin left out that came out inside out beyond a crossing"))
    zones.append(_near(patch.buried, patch.pitch, "skin left out that lies inside, beyond a crossing"))
    return tuple(z for z in zones if z.points)


def _near(points: FloatArray, size: float, why: str) -> Zone:
    return Zone.near(why, size, thinned(points, size / 2))


def _film(
    rim: FloatArray, points: FloatArray, vertices: FloatArray, faces: IntArray, pitch: float, length: float
) -> FloatArray:
    """The rim itself and the points of the new skin that span it: off the old skin, and within half the rim's length of its middle."""
    import igl

    near = points[np.linalg.norm(points - rim.mean(axis=0), axis=1) < length / 2]
    if len(near):
        squared = igl.point_mesh_squared_distance(near, np.ascontiguousarray(vertices), np.ascontiguousarray(faces))[0]
        near = near[np.asarray(squared).reshape(-1) > (pitch / 2) ** 2]
    return np.vstack((rim, near))


def _rounded_up(length: float) -> float:
    """The next thousandth up, never less than a thousandth of a thousandth."""
    return max(float(np.ceil(length * 1000 - 1e-6)) / 1000, 1e-6)


def _cautions(moved: Moved, off: float, in_mm: bool) -> tuple[str, ...]:
    """Words of warning where the wrap is not true to a tenth of a millimetre, or where old skin was left out."""
    said: list[str] = []
    if in_mm and off > 0.1:
        said.append(f"99 of 100 places are within {off:.2f} mm of the old skin, no better: look it over, first at sharp edges")
    if in_mm and moved.p99 > max(0.1, 2 * off):
        said.append(f"old skin up to {moved.max:.1f} mm from the new was left out, because it bounds no solid: look for what is missing")
    return tuple(said)
