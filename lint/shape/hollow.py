"""Hollow: a smooth cavity inside a solid part that leaves at least the asked wall everywhere.

The cavity is the space deeper than the wall under the skin, its roof made to hold itself up. The wall is not taken
on trust: the cavity's skin is measured to the outer skin, corners and all that lies between, it is bent back where it comes too near,
and the cavity is made smaller should that not do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from lint.measure import Survey
from lint.measure.layers import mid_air_starts
from lint.measure.overhang import steep_regions
from lint.settings import Settings
from lint.shape.ballast import floor_under
from lint.shape.cavity import LEAST_CAVITY, Mesh, pieces_of, simpler
from lint.shape.creases import bad_faces
from lint.shape.crossing import crossing_faces
from lint.shape.mark import groove
from lint.shape.offset_field import Depth, Near, depth_field, surface_of
from lint.shape.roof import LEANS, Lean, self_supporting, stouter
from lint.shape.set_back import set_back, thin_places
from lint.shape.sturdy import stacked
from lint.shape.verify import bare_part, least_wall, thin_regions
from lint.shape.wrap import crossing_pairs, tolerance_of
from lint.terms import Declined, Fix, FloatArray, IntArray, Job, NotYet, Part, Promise, Shaped, Touch

fix = Fix(
    name="hollow",
    touch=Touch.INSIDE,
    does="makes a cavity inside that leaves at least the asked wall everywhere; the outside is not touched",
    on_demand=True,
)

# A cavity pays only where twice the wall is less than this share of the part's least size (facts 1.7.6, common practice).
WORTH = 0.6
# Grid points the field may have: four bytes each, several fields at a time.
CELLS = 14_000_000
# The cavity begins this much deeper than the wall, mm.
FEWER = 0.03
# The faces of the cavity may stray this share of the wall from the field when they are made fewer; where that takes from the wall they
# are bent back.
STRAY_SHARE = 1 / 30
ROUNDS = 6
STRAY = 0.05  # of the largest piece's length: what is shorter is dust and no piece
# Roof that leans too far counts from this area and this reach on (facts 1.3.2: free ledges of 0.5 to 1.5 mm passed), mm2 and mm.
PATCH = 10.0
LEDGE = 1.0
# A tip of the roof that is begun in the air counts from this length on, and up to the other it is left: it ends as a loose strand
# inside the hollow (common practice, no source), mm.
TIP = 0.45
MOST_TIP = 1.0
# A roof without a tip begun in the air is taken for one with, where it leaves this share of the cavity (common practice, no source).
CLEAN = 0.75
# Fins of the roof are made this many times as thick as what bears work in clay: four lines, or this much resin (rule 50), mm.
STOUT = 1.1
SHELL_RESIN = 2.0
PRESS = 20.0  # mm2, both sides: a smaller place is not pressed through (rule 50)
FOOT = "; its foot is left solid, for with less weight down there it would tip over"
FIN = 0.4  # mm, the least wall that resin prints (rule 30); molten plastic lays one line, the nozzle's width
# Weight of a litre of print: PLA 1.24, cured resin about 1.15 g/cm3 (data sheets, from memory).
DENSITY = {"extrusion": 1.24, "resin": 1.15}
# What share of an unhollowed extrusion print is material, at the least: walls and a sparse filling (common practice, no source).
SPARSE = 0.2

# A cavity that leaves this wall makes nothing thin, mm (common practice, no source).
SAFE = 2.0

CAUTIONS = {
    "resin": (
        "liquid resin left in a hollow stays uncured, can leak or crack the part later and harms the skin when the buck is sanded or "
        "cut: drain it, wash the inside, cure the inside and let it dry; wear gloves made for the resin and follow its safety sheet",
    ),
    "extrusion": (
        "air shut in a hollow print presses outwards when it is warmed, about a fifth more at 82 C: vent it before any oven",
    ),
}  # fmt: skip


class Way(NamedTuple):
    """How a roof is made. grown: with ridges that go on growing below the top; stout: with its fins made as thick as prints."""

    grown: bool
    stout: bool


WAYS = (Way(grown=True, stout=False), Way(grown=False, stout=False), Way(grown=True, stout=True))


@dataclass(frozen=True)
class Carved:
    """The cavity's skin, facing into the cavity: (n, 3), (m, 3); thinnest: the least wall measured, mm; pillars left in it.

    hanging: how far the edges of its roof reach out where they lean too far, mm, 0 where they do not;
    dropping: how far the longest tip of its roof is printed with nothing under it before it joins the rest, mm, 0 for none;
    finned: whether fins thinner than wanted stand in it; least: how thick the thinnest of those is, mm, infinite for none;
    frail: whether larger walls stand in it that bear no work in clay; way: how its roof was made.
    """

    vertices: FloatArray
    faces: IntArray
    thinnest: float
    volume: float
    pieces: int
    pillars: int
    hanging: float = 0.0
    dropping: float = 0.0
    finned: bool = False
    least: float = np.inf
    frail: bool = False
    way: Way = WAYS[0]


@fix.make
def make(job: Job) -> Shaped:
    """A new part with the cavity added; the outer points and faces stay as they are, to the last bit."""
    part, settings = job.part, job.settings
    check(job.survey, part, settings)
    skin = job.survey.get("skin")
    wall = float(settings.wall)
    floor = float(job.survey.get("extent").low[2]) + wall + groove(settings)[1] if "mark" in job.planned else -np.inf
    lean, thin, weak = LEANS[settings.process], 2 * settings.nozzle, SHELL_RESIN if settings.process == "resin" else 4 * settings.nozzle
    outer = np.array(skin.vertices), np.array(skin.faces)
    carved = carve(*outer, wall, lean, floor, thin, weak)
    ballast = floor_under(job.survey, carved.vertices, carved.faces)
    if ballast is not None:
        try:
            carved = carve(*outer, wall, lean, max(floor, ballast), thin, weak, (carved.way,))
        except Declined:  # nothing worth having lies above: the whole is judged, and what tips is taken back with that reason
            ballast = None
    hollowed = part.with_mesh(
        np.vstack((part.vertices, carved.vertices)), np.vstack((part.faces, carved.faces + len(part.vertices)))
    )
    return Shaped(
        part=hollowed,
        promise=Promise(volume="less", pieces="any", may_raise=_raised(carved, settings.nozzle)),
        did=_told(carved, wall, settings.process) + ("" if ballast is None else FOOT),
        cautions=CAUTIONS[settings.process],
    )


def _raised(carved: Carved, nozzle: float) -> tuple[int, ...]:
    """A cavity is trapped until it is drained; edges and tips of its roof that hang a little are told of, and are out of sight, as are fins
    that no hand comes near and that still print.

    The outer skin is the old one and the wall to it is measured, so what is thin now was thin before, and only samples fell on it that had
    not: a bigger skin is sampled more coarsely. A slit of the cavity that grows shut does no harm.
    """
    thin = (30,) if _printed(carved, nozzle) and carved.thinnest >= SAFE else ()
    return (31, 37, 38, *thin, *((32,) if carved.hanging else ()), *((33,) if carved.dropping else ()))


def check(survey: Survey, part: Part, settings: Settings) -> None:
    """Raises Declined, with the reason, when a part cannot or need not be hollowed."""
    if part.units is None:
        raise Declined("the units are not known, so the wall has no length")
    edges, shells = survey.get("edges"), survey.get("shells")
    if not edges.closed or not bool(edges.agree.all()):
        raise NotYet("the skin is open or not sound: close and turn it first")
    if survey.get("hollows").cavities:
        raise Declined("it is hollow already")
    specks = survey.get("specks")
    if int((specks.length >= STRAY * specks.length[specks.main]).sum()) > 1:
        raise Declined("the file holds several separate pieces: hollow a part before it is split, or one part at a time")
    if not bool((shells.volume > 0).all()):
        raise NotYet("a shell is inside out: turn it first")
    extent = survey.get("extent")
    least = float((extent.high - extent.low).min())
    if 2 * settings.wall > WORTH * least:
        raise Declined(f"a cavity saves nothing: two walls of {settings.wall:.1f} mm fill most of its {least:.1f} mm")
    if is_hollow(survey):
        raise Declined("it is hollow already, and open to the outside")


def is_hollow(survey: Survey) -> bool:
    """Whether a part that looks like one shell has a hollow behind small holes: a tenth or more of what it takes up."""
    chambers = survey.get("chambers")
    return bool(chambers.volume > 0.1 * (chambers.volume + chambers.solid))


def pitch_for(vertices: FloatArray, wall: float, rise: float) -> FloatArray:
    """Steps (3,) of the grid: a quarter of the wall, or as fine as CELLS allow, but half the wall at most. Raises Declined beyond."""
    size = np.ptp(vertices, axis=0)
    step = max(wall / 4, float(size.prod() / (CELLS * rise)) ** (1 / 3))
    if step > wall / 2:
        raise Declined(f"it is too large for a wall of {wall:.1f} mm, which would be finer than can be worked out: ask for a thicker wall")
    return np.array([step, step, step * rise])


def carve(vertices: FloatArray, faces: IntArray, wall: float, lean: Lean | None, floor: float = -np.inf,
          thin: float = 0.0, weak: float = 0.0, ways: tuple[Way, ...] = WAYS) -> Carved:
    """The cavity of a closed skin (welded) that leaves `wall` mm everywhere, under a roof of the given lean (None: any roof).

    floor: height, mm, under which it does not go, so that a mark cut into the base afterwards leaves the wall over it;
    thin, weak: fins of the roof thinner than this bear no handling, and larger ones no work in clay, mm; ways: the roofs that are tried.
    Raises Declined when none is worth having.
    """
    pitch = pitch_for(vertices, wall, 1.0 if lean is None else lean.rise)
    level = wall + FEWER
    depth = depth_field(vertices, faces, level, pitch)
    outer = Near(vertices, faces)
    if np.isfinite(floor):
        height = depth.grid.low[2] + depth.grid.pitch[2] * np.arange(depth.grid.count[2]) - floor - FEWER
        np.minimum(depth.field, height.astype(np.float32)[:, None, None], out=depth.field)
    if lean is None:
        return _kept(outer, wall, depth, lean, grown=True)
    tried: list[Carved] = []
    for way in ways:
        # Fins made stout carry an edge, and no tip; nor are they wanted where another roof is as good.
        if way.stout and tried and (tried[0].dropping > MOST_TIP or _best(tried, lean, thin)[0]):
            continue
        try:
            carved = _kept(outer, wall, depth, lean, grown=way.grown, stout=STOUT * max(thin, weak) if way.stout else 0.0)
        except Declined:
            if not tried:
                raise
            continue
        alone = Survey(bare_part(carved.vertices, carved.faces))
        # Seen from the cavity's own skin, a wall is what is left standing between two parts of it.
        least, frail = least_wall(alone, thin) if thin > 0 else np.inf, bool(weak > 0 and thin_regions(alone, weak, PRESS))
        carved = replace(carved, finned=least < thin, least=least, frail=frail, way=way)
        tried.append(replace(carved, hanging=_hangs(alone, lean), dropping=_drops(alone)))
        if way.grown and _held(tried[-1], lean) and not tried[-1].dropping and not tried[-1].finned and not frail:
            return tried[-1]
    return _best(tried, lean, thin)[1]


def _best(tried: list[Carved], lean: Lean, thin: float) -> tuple[bool, Carved]:
    """The cavity that saves most of those whose roof prints, or one with nothing to tell of that saves nearly as much; and whether it
    prints and saves nearly as much as any that was tried."""
    good = [c for c in tried if _held(c, lean) and _printed(c, thin / 2) and not c.frail]
    held = good or [c for c in tried if _held(c, lean)] or [c for c in tried if not c.way.grown] or tried
    most = max(c.volume for c in held)
    best = max(held, key=lambda c: (not c.dropping and not c.finned and c.volume >= CLEAN * most, c.volume))
    return bool(good) and best.volume >= CLEAN * max(c.volume for c in tried), best


def _held(carved: Carved, lean: Lean) -> bool:
    """Whether the roof's edges and tips hang no farther than prints without harm out of sight."""
    return carved.hanging <= lean.bridge / 2 and carved.dropping <= MOST_TIP


def _printed(carved: Carved, nozzle: float) -> bool:
    """Whether the fins that stand in a cavity are at least one line thick, or as thick as resin prints."""
    return carved.least >= max(nozzle, FIN)


def _kept(outer: Near, wall: float, depth: Depth, lean: Lean | None, *, grown: bool, stout: float = 0.0) -> Carved:
    """The cavity made smaller until its measured wall is kept. stout: what stands thin in it is left this thick, mm."""
    shrink = 0.0
    for _ in range(ROUNDS):
        lowered = Depth(depth.grid, depth.field - np.float32(shrink), depth.pitch)
        pillars = 0
        field = lowered.field
        if lean is not None:
            roof = self_supporting(lowered, max(wall, 3.0), lean, grown)
            field, pillars = (stouter(roof.field, lowered.grid, stout) if stout else roof.field), roof.pillars
        points, triangles = surface_of(lowered, field)
        del field, lowered
        kept = pieces_of(points, triangles, LEAST_CAVITY)
        if not kept:
            under = "" if lean is None else " under a roof that holds itself up"
            raise Declined(f"a cavity saves nothing: less than {LEAST_CAVITY / 1000:.0f} cm3 lies deeper than the wall{under}")
        points, triangles, thinnest = _fewer(outer, kept, wall)
        if thinnest >= wall:
            six = np.einsum("ij,ij->", points[triangles[:, 0]], np.cross(points[triangles[:, 1]], points[triangles[:, 2]]))
            return Carved(points, triangles, thinnest, float(-six / 6), len(kept), pillars)
        shrink += wall - thinnest + 0.002
    raise Declined(f"the wall could not be kept: {thinnest:.2f} mm at the thinnest where {wall:.2f} mm was asked")


def _fewer(outer: Near, pieces: list[Mesh], wall: float) -> tuple[FloatArray, IntArray, float]:
    """The cavity's skin of fewer faces, bent back where that took from the wall, and its thinnest wall, mm.

    Where bending makes it cross itself, as at the end of a slit, it is left unbent, and of more faces; of all its faces where joining them
    made it cross itself.
    """
    points, triangles, thinnest, bent = set_back(outer, *simpler(pieces, STRAY_SHARE * wall), wall)
    if not (crossing_faces(points, triangles, bent).any() or bad_faces(points, triangles).any()) and not _crosses_itself(points, triangles):
        return points, triangles, thinnest
    points, triangles = simpler(pieces, FEWER)
    if _crosses_itself(points, triangles):
        points, triangles = stacked(pieces)
    return points, triangles, thinnest_wall(outer, points, triangles)


def _crosses_itself(points: FloatArray, triangles: IntArray) -> bool:
    return len(crossing_pairs(points, triangles, tolerance_of(points, True))) > 0


def _hangs(alone: Survey, lean: Lean) -> float:
    """How far the roof reaches from what holds it up where it leans too far over more than a patch, mm; 0 where it nowhere does."""
    skin, facets, edges, patches, contact, down = (alone.get(n) for n in ("skin", "facets", "edges", "patches", "contact", "down"))
    regions = steep_regions(skin, facets, edges, patches, contact, down, lean.steepest)
    return max((r.reach for r in regions if r.area >= PATCH and r.reach > LEDGE and not np.isfinite(r.span)), default=0.0)


def _drops(alone: Survey) -> float:
    """How far the longest tip of the roof stands alone before it joins the rest, mm, going up layer by layer; 0 for none to speak of."""
    starts = mid_air_starts(alone.get("skin"), alone.get("basins"), alone.get("extent"), TIP)
    return max((s.depth for s in starts), default=0.0)


def thinnest_wall(outer: Near, points: FloatArray, triangles: IntArray) -> float:
    """Least distance in mm from a cavity's skin to the outer skin, its corners and whatever lies between them."""
    first, _ = outer.nearest(points)
    *_, between = thin_places(outer, points, triangles, first, float(first.min()), all_thin=False)
    return min(float(first.min()), between)


def _told(carved: Carved, wall: float, process: str) -> str:
    volume = carved.volume / 1000
    grams = volume * DENSITY[process]
    weight = f"{grams:.0f} g" if process == "resin" else f"{grams * SPARSE:.0f} to {grams:.0f} g, by how full it is printed,"
    what = "one cavity" if carved.pieces == 1 else f"{carved.pieces} cavities"
    if carved.pillars:
        what += ", with a pillar under its roof" if carved.pillars == 1 else f", with {carved.pillars} pillars under its roof"
    if carved.hanging:
        what += f", the edges of its roof hanging {carved.hanging:.1f} mm free in places, out of sight"
    if carved.finned:
        what += f", fins {carved.least:.1f} mm thick in places, out of sight"
    if carved.dropping:
        what += f", a tip of its roof begun in the air for {carved.dropping:.1f} mm, out of sight"
    wall_left = f"leaves a wall of {carved.thinnest:.2f} mm at the thinnest ({wall:.2f} mm asked)"
    return f"made {what}, which saves {volume:.1f} cm3, about {weight} and {wall_left}"
