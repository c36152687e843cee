"""Give a closed part a flat base: turn it onto the flat it has, cut it level, or cut it level and put a plate under it.

The cut is made at the least height that gives it enough to stand on, so that little of the skin goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.contact import polygon_area, taut
from lint.shape.carry import Built, Foot, Stand, carry
from lint.shape.clip import clip
from lint.shape.crossing import any_crosses
from lint.shape.facing import turn_to_top
from lint.shape.nibble import open_loops
from lint.shape.outline import area, frayed, inside, tangled, tip_angle
from lint.shape.sheet import STANDS, Base, mass, stable_margin, ways_to_weigh
from lint.terms import BoolArray, Declined, FloatArray, IntArray

# Skin this near the cut is laid exactly into it: no sliver is left, and single precision keeps what is there, mm.
SNAP = 0.005
# How far from a plane skin may lie to count as part of one flat, mm: a neck or wrist cut of a scan is seldom truer.
FLAT = 0.3
# A part ends in a cut where the section just inside its end is this share of its largest: a ball has 8 % there, a head's neck
# cut about 40 %, a wrist 60 %, a box all of it (computed).
STUMP = 0.3
# The cosine of the angle, 2.5 degrees, within which a cut counts as square to the file's axes.
SQUARE = 0.999
# The least a part should rest on, as a share of its shadow: a little over what "no flat base" asks for (5 %).
REST_SHARE = 0.06
# A cut may take at most this share of the height; a cut no deeper than SHALLOW of it is preferred to a plate.
DEEPEST = 0.15
SHALLOW = 0.04
# A slit between the skin and a plate lower than this is too narrow to print open or to clean, mm.
SLIT = 0.5
# Before a plate goes under, the cut reaches this share of the section it has at SHALLOW, so that the two hold together.
FOOT_SHARE = 0.6


def stumps(vertices: FloatArray, faces: IntArray, normal: FloatArray, areas: FloatArray) -> list[FloatArray]:
    """Directions (3,) in which a closed part ends in a cut rather than in a tip, the likeliest to be its foot first.

    A cut square to the file's axes was made on purpose to stand on, so it goes first; then the one it stands on most firmly.

    By the divergence theorem the level section at a depth is the sum of the face areas below it, seen along the direction, so one
    sum over the faces gives the section at every depth. Tried are the file's axes and the directions many faces look to.
    """
    centre = vertices[faces].mean(axis=1)
    seen = normal * areas[:, None]
    total, middle = mass(vertices, faces)
    if not total > 0:
        return []
    found: list[tuple[float, FloatArray]] = []
    for down in candidates(normal, areas):
        way = _refined(vertices, faces, normal, areas, down)
        if areas[_lying(vertices, faces, normal, way)].sum() < areas[_lying(vertices, faces, normal, down)].sum() * (1 + 1e-9):
            way = down
        if any(float(way @ other) > SQUARE for _, other in found):
            continue
        score, lean = _stump(vertices, centre, seen, way, middle)
        if score >= STUMP:
            found.append((lean, way))
    return [way for _, way in sorted(found, key=lambda f: (float(np.abs(f[1]).max()) < SQUARE, -round(f[0], 3), tuple(f[1])))]


def candidates(normal: FloatArray, areas: FloatArray) -> list[FloatArray]:
    """Directions (3,) that a part's foot may look to: the file's axes, and those many faces look to."""
    ways = [sign * axis for axis in np.eye(3)[[2, 1, 0]] for sign in (-1.0, 1.0)]
    key = np.round(normal * 4).astype(np.int64) @ np.array([1, 100, 10_000])
    _, index = np.unique(key, return_inverse=True)
    weight = np.bincount(index, weights=areas)
    for number in np.argsort(-weight, kind="stable")[:16]:
        members = index == number
        down = (normal[members] * areas[members, None]).sum(axis=0)
        ways.append(down / max(float(np.linalg.norm(down)), 1e-300))
    return ways


def _stump(vertices: FloatArray, centre: FloatArray, seen: FloatArray, down: FloatArray, middle: FloatArray) -> tuple[float, float]:
    """Section a fiftieth of the length in from the end that looks `down`, as a share of the largest, and how far it could lean on it."""
    reach = vertices @ down
    top = float(reach.max())
    length = top - float(reach.min())
    if not length > 0:
        return 0.0, -90.0
    depth = np.clip((top - centre @ down) / length * 50, 0, 49).astype(np.int64)
    sections = np.cumsum(np.bincount(depth, weights=seen @ down, minlength=50))
    near = vertices[reach >= top - length / 50] @ turn_to_top(-down).T
    hull = taut(near[:, :2])
    if len(hull) < 3 or not sections.max() > 0:
        return 0.0, -90.0
    lean = tip_angle_of(hull, turn_to_top(-down) @ middle, -top)
    return float(sections[0] / sections.max()), lean


def _refined(vertices: FloatArray, faces: IntArray, normal: FloatArray, areas: FloatArray, down: FloatArray) -> FloatArray:
    """The direction across the plane that fits the faces lying at the end that looks `down`."""
    for _ in range(4):
        lying = _lying(vertices, faces, normal, down)
        if int(lying.sum()) < 2:
            break
        down = _fitted(vertices, faces[lying], areas[lying], down)
    return down


def _lying(vertices: FloatArray, faces: IntArray, normal: FloatArray, down: FloatArray) -> BoolArray:
    """Which faces lie within FLAT of the supporting plane that looks `down`, facing that way to 10 degrees."""
    reach = vertices @ down
    a, b, c = (reach[faces[:, k]] for k in range(3))
    lowest = np.minimum(np.minimum(a, b), c)
    few = -min(4, len(faces))
    top = float(np.partition(lowest, few)[few])
    level: BoolArray = (lowest >= max(top, float(reach.max()) - FLAT) - FLAT) & (normal @ down > 0.985)
    return level


def _fitted(vertices: FloatArray, faces: IntArray, areas: FloatArray, down: FloatArray) -> FloatArray:
    centre = vertices[faces].mean(axis=1)
    middle = np.average(centre, axis=0, weights=areas)
    spread = vertices[faces].reshape(-1, 3) - middle
    weights = np.repeat(areas, 3)
    values, axes = np.linalg.eigh((spread * weights[:, None]).T @ spread)
    if values[1] < 1e-6 * values[2]:
        return down  # the faces lie along a line, which fits any plane through it
    fitted: FloatArray = axes[:, 0] * np.sign(axes[:, 0] @ down)
    return fitted if float(fitted @ down) > 0.97 else down


@dataclass(frozen=True)
class Levelled:
    """built: the part with its base, z up; floor: height of the underside; cut: height of the level cut, and `taken` how far it is

    above the lowest skin, mm; plate: reach of the plate beyond the cut, mm, 0 for none; outline: what it stands on.
    """

    built: Built
    floor: float
    cut: float
    taken: float
    plate: float
    outline: FloatArray


def level(vertices: FloatArray, faces: IntArray, base: Base) -> Levelled:
    """The part standing as it is, given a flat base. Raises Declined when no level cut within reach gives a clean one."""
    z = vertices[np.unique(faces), 2]
    lowest, height = float(z.min()), float(np.ptp(z))
    footprint = polygon_area(taut(vertices[np.unique(faces)][:, :2]))
    weights = ways_to_weigh(vertices, faces, base.wall)
    if not weights[0][0] > 0:
        raise Declined("it encloses nothing, so there is nothing to stand: mend its skin first")
    steps = _heights(vertices, faces, lowest, height)
    body = section(vertices, faces, lowest + SHALLOW * height)[0]
    slices = _Slices(vertices, faces)
    shallow = max(SHALLOW * height, steps[0])
    cut: float | None = None
    rest: float | None = None
    for step in steps:
        size, hull = section(vertices, faces, lowest + step)
        if size < REST_SHARE * footprint:
            continue
        if step > shallow and (cut is not None or rest is not None):
            break
        frayed_here = cut is None and slices.frayed(lowest + step, base.thin)
        if not base.margin and min(tip_angle_of(hull, c, lowest + step) for _, c in weights) >= STANDS and step <= shallow:
            if not frayed_here:
                return _tried(vertices, faces, base, lowest, height, step, plate=False)
            cut = step if cut is None else cut
        if rest is None and (size >= FOOT_SHARE * body or step > shallow):
            rest = step
            if slices.frayed(lowest + step, base.thin) or slices.flares(lowest + step):
                rest = _cleaner(slices, [s for s in steps if step < s <= shallow], lowest, base.thin) or step
    if cut is not None:
        return _tried(vertices, faces, base, lowest, height, cut, plate=False)
    return _tried(vertices, faces, base, lowest, height, rest if rest is not None else SHALLOW * height, plate=True)


class _Slices:
    """Level sections as flat areas, to see whether a cut there would leave fins and slits (manifold3d slices the solid)."""

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        from manifold3d import Manifold, Mesh64

        self._solid = Manifold(Mesh64(np.ascontiguousarray(vertices), np.ascontiguousarray(faces, dtype=np.uint64)))

    def frayed(self, height: float, thin: float) -> bool:
        """Whether the section just above `height` has parts or slits narrower than twice `thin`."""
        outlines = [np.asarray(p) for p in self._solid.slice(height + 2 * SNAP).to_polygons()]
        return not outlines or frayed(outlines, thin)

    def flares(self, height: float) -> bool:
        """Whether the skin leans out over a plate at `height` so far that a slit less than half a millimetre high would be left."""
        from manifold3d import JoinType

        here = self._solid.slice(height + 2 * SNAP)
        over = self._solid.slice(height + SLIT) - here.offset(3 * SLIT, JoinType.Round, 2.0, 48)
        return float(over.area()) > 4 * SLIT * SLIT


def _cleaner(slices: _Slices, steps: list[float], lowest: float, thin: float) -> float | None:
    """The least of some heights at which neither fins nor slits are left; None when there is none."""
    return next((s for s in steps if not slices.frayed(lowest + s, thin) and not slices.flares(lowest + s)), None)


def _heights(vertices: FloatArray, faces: IntArray, lowest: float, height: float) -> list[float]:
    """Heights of a cut above the lowest point to try, mm, rising: first that of the flat it may have."""
    corners = vertices[faces][:, :, 2] - lowest
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    flat = (corners.max(axis=1) <= 2 * FLAT) & (-cross[:, 2] >= 0.985 * np.linalg.norm(cross, axis=1))
    first: list[float] = []
    if flat.any():
        lying = corners[flat].reshape(-1)
        weights = np.repeat(-cross[flat, 2], 3)
        if float(np.ptp(lying)) <= 2 * SNAP:
            first = [float(np.average(lying, weights=weights))]
        else:
            first = [float(np.quantile(lying, 0.9)), float(lying.max()) + 2 * SNAP]
    start = max(0.05, 5e-4 * height)
    grid = np.geomspace(start, max(DEEPEST * height, 2 * start), 28)
    return sorted({*first, *(float(g) for g in grid if g > max(first, default=0.0))})


def section(vertices: FloatArray, faces: IntArray, height: float) -> tuple[float, FloatArray]:
    """Area of a level cut through a closed part, mm2, and the taut outline (h, 2) around it, just above `height`."""
    above = vertices[:, 2] > height + 2 * SNAP
    level_at = height + 2 * SNAP
    corner = above[faces]
    mixed = faces[corner.any(axis=1) & ~corner.all(axis=1)]
    if not len(mixed):
        return 0.0, np.zeros((0, 2))
    flags = above[mixed]
    lone = np.where(flags.sum(axis=1) == 1, np.argmax(flags, axis=1), np.argmin(flags, axis=1))
    a, b, c = (np.take_along_axis(mixed, ((lone + k) % 3)[:, None], axis=1)[:, 0] for k in range(3))

    def cut(one: IntArray, two: IntArray) -> FloatArray:
        share = (level_at - vertices[one, 2]) / (vertices[two, 2] - vertices[one, 2])
        result: FloatArray = vertices[one, :2] + share[:, None] * (vertices[two, :2] - vertices[one, :2])
        return result

    first, last = cut(a, b), cut(a, c)
    up = above[a]
    start, end = np.where(up[:, None], first, last), np.where(up[:, None], last, first)
    middle = start.mean(axis=0)
    p, q = start - middle, end - middle
    return abs(float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum() / 2)), taut(np.vstack((start, end)))


def tip_angle_of(outline: FloatArray, centre: FloatArray, floor: float) -> float:
    """The tip angle on an outline at `floor`; -90 when it is no more than a line."""
    if len(outline) < 3:
        return -90.0
    return tip_angle(outline, centre - np.array([0.0, 0.0, floor]))


def _tried(vertices: FloatArray, faces: IntArray, base: Base, lowest: float, height: float, step: float, *, plate: bool) -> Levelled:
    """Cut at a height, or a hair above it where the cut is not clean there."""
    for hair in (0.0, 0.013, 0.031, 0.07, 0.15, 0.4):
        made = cut_level(vertices, faces, base, lowest + step + hair * max(1.0, height / 200), plate=plate)
        if made is not None:
            return made
    raise Declined("a level cut does not come out clean: its skin runs through itself there; rewrap it first")


def cut_level(vertices: FloatArray, faces: IntArray, base: Base, height: float, *, plate: bool) -> Levelled | None:
    """The part above `height` closed by a flat underside there, or by a plate under it; None when the cut tangles."""
    lowest = float(vertices[np.unique(faces), 2].min())
    cut = clip(vertices, faces, vertices[:, 2] - height, snap=SNAP)
    points = cut.vertices.copy()
    points[cut.on, 2] = height
    loops, _ = open_loops(cut.faces, len(points))
    if not loops or any(not bool(cut.on[loop].all()) for loop in loops):
        return None
    flat, edges = _flat_loops(points, loops)
    if tangled(flat, edges).any():
        return None
    outlines = [points[loop][:, :2] for loop in loops]
    feet = [Foot(outline) for outline in outlines]
    solid = [o for o in outlines if area(o) > 0]
    if not plate:
        built = carry(points, cut.faces, loops, Stand(feet, height, height))
        return Levelled(built, height, height, height - lowest, 0.0, np.vstack(solid))
    if any(inside(one[0], other) for one in solid for other in solid if one is not other):
        raise Declined("where it would be cut, one part of it stands within another: no plate can be put under it")
    whole = carry(points, cut.faces, loops, Stand(feet, height, height))
    floor = height - base.depth
    reach, outer = stable_margin(whole, solid, base, floor, height)
    if outer is None:
        return Levelled(whole, height, height, height - lowest, 0.0, np.vstack(solid))
    built = carry(points, cut.faces, loops, Stand(feet, floor, height, outer))
    new = np.arange(len(built.faces)) >= built.first_new
    if any_crosses(built.vertices, built.faces, new):
        return None
    return Levelled(built, floor, height, height - lowest, reach, outer)


def _flat_loops(points: FloatArray, loops: list[IntArray]) -> tuple[FloatArray, IntArray]:
    edges = np.vstack([np.stack((loop, np.roll(loop, -1)), axis=1) for loop in loops])
    return points[:, :2], edges
