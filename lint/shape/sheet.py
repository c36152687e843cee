"""Make a solid of an open sheet: its outer rim is carried down to a flat base.

The bays of a torn rim are filled in first, flush with the skin, so that the wall begins at an even edge. Ways are tried from the
gentlest to the roughest, and the first whose walls cut neither the skin nor each other is taken:
straight down; from the edge of a narrow shelf around it; down to a smooth line around the rim, as a wall drawn unrolled; the same
after the teeth that stand in the way are taken off the rim, and after a clean strip is cut off all round.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np

from lint.measure import Survey
from lint.shape.bays import bridged
from lint.shape.carry import Built, Foot, Stand, carry
from lint.shape.clip import clip
from lint.shape.crossing import any_crosses, crossing_faces
from lint.shape.nibble import nibbled, open_loops
from lint.shape.outline import area, frayed, moments, ring, tangled, tip_angle, widened
from lint.shape.shelf import rim_slopes, shelf, shelf_line
from lint.shape.triangles import area_of, spots_on
from lint.shape.unrolled import plan_line, unrolled_wall
from lint.shape.verify import bare_part, least_wall
from lint.shape.weigh import hollows_inside
from lint.terms import Declined, FloatArray, IntArray

# How far a land lies below the lowest point of the skin, mm: enough for a clean step all round, little beside the base.
STEP = 1.0
# Leaning angle that a part is to have, degrees: facts 1.4.7. A seated one is given more, for hollowing may raise the centre a little.
LEAST_LEAN, STANDS = 15.0, 17.0
# The strip cut off a ragged rim is at most this share of the size of the rim's opening.
STRIP_SHARE = 0.08
# Bays of a ragged rim are bridged by a line on which a disc of this share of the opening's size could roll, whatever the scan's fineness.
EVEN = 0.15
# So often teeth that stand in the way are taken off the rim, each time some more about them; and so many ways are then tried.
BITES = 6
# More of the skin than this is no teeth of its rim: other ways are to be found, or it is to be cropped by hand.
BITTEN_SHARE = 0.03
FEW = 3


@dataclass(frozen=True)
class Base:
    """What the maker asks of the base, mm: depth below the lowest skin, land around the feature (None: none asked), corner radius;

    thin: what is narrower than twice this does not print well; wall: wall it will be hollowed to, None when it stays solid.
    """

    depth: float
    margin: float | None
    corner: float
    thin: float = 0.8
    wall: float | None = None


@dataclass(frozen=True)
class Seated:
    """built: the solid, z up, its floor at `floor`; strip: width cut off the rim, mm; trimmed: (k, 3) the faces it was cut from.

    filled: area laid over bays of the rim, mm2; bitten: area of the teeth taken off it, mm2;
    land: width of the land, mm, 0 for none; new_below: everything lower is new; outline: (n, 2) what the part stands on.
    """

    built: Built
    floor: float
    strip: float
    trimmed: IntArray
    land: float
    new_below: float
    outline: FloatArray
    filled: float = 0.0
    bitten: float = 0.0


def seat_sheet(vertices: FloatArray, faces: IntArray, rim: IntArray, holes: int, base: Base) -> Seated:
    """The solid of a sheet whose feature looks to +z. Raises Declined when no way of carrying the rim down is clean.

    holes: how many more rims it has; they must lie in the strip that is cut off the outer one.
    """
    size = float(np.sqrt(abs(area(vertices[rim][:, :2]))))
    edge = float(np.median(np.linalg.norm(vertices[rim] - vertices[np.roll(rim, 1)], axis=1)))
    most = STRIP_SHARE * size
    whole = holes == 0 and len(np.unique(rim)) == len(rim)
    why = "a wall down from the rim would cut through the skin"
    if not whole:
        why = f"besides its outer rim the sheet has {holes} more" if holes else "the rim touches itself"
    tried: list[Seated] = []
    best = (-1.0, 0)
    strips = sorted({s for s in (2 * edge, most / 8, most / 4, most / 2, most) if most / 16 <= s <= most})
    for sheet, foot, strip, trimmed in _clean_ways(_Sheet(vertices, faces, rim), strips, whole, edge, size, base):
        seated = _build(sheet, foot, base, strip, trimmed)
        thinnest = least_wall(Survey(bare_part(seated.built.vertices, seated.built.faces)), base.thin)
        if thinnest >= base.thin:
            return seated
        # The thin spot is most often the torn skin's own, and another wall would not mend it: the next has less of that skin.
        best = max(best, (thinnest, -len(tried)))
        tried.append(seated)
    if tried:
        return tried[-best[1]]
    raise Declined(f"{why}, and evening out the rim does not help; close its holes, or crop it to a cleaner rim first")


@dataclass(frozen=True)
class _Sheet:
    """points: (n, 3); skin: (m, 3) old faces; loop: the rim to carry down; bays: (k, 3) new faces over the bays of the old rim."""

    points: FloatArray
    skin: IntArray
    loop: IntArray
    bays: IntArray = field(default_factory=lambda: np.zeros((0, 3), dtype=np.int64))

    @property
    def faces(self) -> IntArray:
        """Old and new."""
        return np.vstack((self.skin, self.bays))

    @property
    def filled(self) -> float:
        """Area over the bays, mm2."""
        return area_of(self.points, self.bays)

    def cut_by_wall(self, foot: Foot) -> bool:
        """Whether the faces of a foot's own wall already cut the skin or each other, so that nothing more need be built on it."""
        if foot.wall is None or foot.at is None:
            return False
        below = len(self.points) + np.arange(len(foot.outline))
        faces = np.vstack((self.faces, np.concatenate((self.loop, below))[foot.wall]))
        points = np.vstack((self.points, np.column_stack((foot.outline, foot.at))))
        return any_crosses(points, faces, np.arange(len(faces)) >= len(self.skin))

    def carried(self, stand: Stand) -> Built:
        """The solid. What was laid over the bays counts as wall: it is new."""
        built = carry(self.points, self.faces, [self.loop], stand)
        if not len(self.bays):
            return built
        spots, spacing = spots_on(self.points, self.bays)
        walls = np.vstack((built.wall_points, spots))
        return replace(built, first_new=len(self.skin), wall_points=walls, spacing=max(built.spacing, spacing))


def _clean_ways(
    sheet: _Sheet, strips: list[float], whole: bool, edge: float, size: float, base: Base
) -> Iterator[tuple[_Sheet, Foot, float, IntArray]]:
    """The first way that cuts nothing of the whole sheet, of it less the teeth that stand in the way, and of it less each strip.

    With each come the width of the strip and the faces (k, 3) of `sheet` that were cut or are gone.
    """
    points, faces = sheet.points, sheet.skin
    less = sheet
    trimmed = faces[:0]
    for bite in range(BITES) if whole else ():
        found, spots = _first_clean(less, edge, size, base, FEW if bite else None)
        if found:
            yield *found, 0.0, trimmed
            break
        left = nibbled(points, less.skin, less.loop, spots, (2 + bite) * edge, STRIP_SHARE * size)
        if left is None:
            break
        less, trimmed = _Sheet(points, left[0], left[1]), np.vstack((trimmed, left[2]))
        if area_of(points, trimmed) > BITTEN_SHARE * area_of(points, faces):
            break
    for strip in strips:
        cut, skin, loop, gone = _without_strip(points, faces, sheet.loop, strip)
        if len(loop) >= 3:
            found, _ = _first_clean(_Sheet(cut, skin, loop), edge, size, base, None)
            if found:
                yield *found, strip, gone


def _first_clean(
    sheet: _Sheet, edge: float, size: float, base: Base, few: int | None
) -> tuple[tuple[_Sheet, Foot] | None, FloatArray]:
    """The first of `few` ways (None: all) whose walls cut nothing, and the points (k, 3) of the skin where the first way does cut."""
    level = float(sheet.points[np.unique(sheet.skin), 2].min()) - min(STEP, base.depth / 3)
    spots = np.zeros((0, 3))
    for number, (way, foot) in enumerate(islice(_ways(sheet, edge, size, level, base.thin), few)):
        if number and way.cut_by_wall(foot):
            continue
        built = way.carried(Stand([foot], level - base.depth, level))
        new = np.arange(len(built.faces)) >= built.first_new
        if not any_crosses(built.vertices, built.faces, new):
            return (way, foot), spots
        if number == 0:
            cut = np.unique(built.faces[crossing_faces(built.vertices, built.faces, new)])
            spots = built.vertices[cut[cut < len(sheet.points)]]
    return None, spots


def _ways(sheet: _Sheet, edge: float, size: float, level: float, thin: float) -> Iterator[tuple[_Sheet, Foot]]:
    """The ways to carry a sheet down: with the bays of its rim filled in where that can be done, then as it is."""
    bays, loop = bridged(sheet.points, sheet.skin, sheet.loop, 2 * EVEN * size)
    for way in [_Sheet(sheet.points, sheet.skin, loop, bays), sheet] if len(bays) else [sheet]:
        slope = rim_slopes(way.points, way.faces, way.loop)
        for foot in _feet(way.points[way.loop], slope, edge, size, level, thin):
            yield way, foot


def _feet(rim: FloatArray, slope: FloatArray, edge: float, size: float, level: float, thin: float) -> Iterator[Foot]:
    """Ways for the wall to come down from a rim (n, 3): straight where its plan is clean, else to ever smoother lines around it.

    slope: (n, 2) how the skin rises at each point of the rim.
    """
    plan = rim[:, :2]
    step = max(edge, size / 300)
    straight = area(plan) > 0 and not tangled(plan, ring(len(rim))).any()
    clean = straight and not frayed([plan], thin)
    if clean:
        yield Foot(plan)
    elif straight:
        for even in (EVEN * size, EVEN * size / 4):
            line = shelf_line(plan, even, thin, step)
            if line is not None:
                yield Foot(line, *shelf(rim, line, thin, level, slope))
                yield Foot(line, *shelf(rim, line, thin, level))
    for even in (EVEN * size, EVEN * size / 2, 2 * EVEN * size):
        line = plan_line(plan, even, thin, step)
        if line is None:
            continue
        for lean in (1.0, 0.0, 3.0):
            wall = unrolled_wall(rim, line, level, lean)
            if wall is not None:
                yield Foot(line, wall, np.full(len(line), level))
    if straight and not clean:
        yield Foot(plan)


def _without_strip(
    vertices: FloatArray, faces: IntArray, rim: IntArray, width: float
) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """The sheet less a strip along its rim: points, faces, the new rim (empty when there is no single clean one), faces cut or gone."""
    value = along_skin(vertices, faces, rim, width) - width
    cut = clip(vertices, faces, value, snap=0.02 * width)
    none = np.zeros(0, dtype=np.int64)
    loops, label = open_loops(cut.faces, len(cut.vertices))
    if not loops:
        return cut.vertices, cut.faces, none, faces
    # Only the largest piece is the sheet; the crumbs of a ragged rim go with the strip.
    main = int(np.bincount(label).argmax())
    kept = cut.faces[label == main]
    mine = [loop for loop in loops if (kept == loop[0]).any()]
    if len(mine) != 1 or len(np.unique(mine[0])) != len(mine[0]):
        return cut.vertices, kept, none, faces
    untouched = np.zeros(len(faces), dtype=bool)
    untouched[cut.parent[cut.whole & (label == main)]] = True
    used = np.unique(kept)
    new = np.full(len(cut.vertices), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    return cut.vertices[used], new[kept], new[mine[0]], faces[~untouched]


def along_skin(vertices: FloatArray, faces: IntArray, rim: IntArray, width: float) -> FloatArray:
    """How far each point is from the rim along the skin, evened out over about `width`, (n,) mm: its level lines pass teeth by.

    Shortest ways along the sides of the faces, then one step of heat flow over the clipped cotangent Laplacian, which keeps within the
    range it is given. Along the skin, because an ear lobe is near its neck through the air only.
    """
    import igl
    from scipy.sparse import coo_matrix, csr_matrix, diags
    from scipy.sparse.csgraph import dijkstra
    from scipy.sparse.linalg import spsolve

    start, end = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    length = np.maximum(np.linalg.norm(vertices[start] - vertices[end], axis=1), 1e-9)
    keys, first = np.unique(np.minimum(start, end) * len(vertices) + np.maximum(start, end), return_index=True)
    ways = coo_matrix((length[first], (keys // len(vertices), keys % len(vertices))), shape=(len(vertices), len(vertices))).tocsr()
    far = 6 * width
    distance = np.minimum(dijkstra(ways, directed=False, indices=rim, min_only=True, limit=far), far)
    near = faces[(distance[faces] < far).any(axis=1)]
    used = np.unique(near)
    new = np.full(len(vertices), -1, dtype=np.int64)
    new[used] = np.arange(len(used))
    local, local_faces = np.ascontiguousarray(vertices[used]), np.ascontiguousarray(new[near])
    flow = csr_matrix(igl.cotmatrix(local, local_faces))
    flow.setdiag(0)
    flow.data = np.maximum(flow.data, 1e-4)
    weight = np.asarray(igl.massmatrix(local, local_faces, igl.MASSMATRIX_TYPE_BARYCENTRIC).diagonal())
    out = np.asarray(flow.sum(axis=1)).reshape(-1)
    matrix = diags(weight + width**2 * out) - width**2 * flow
    result = distance.copy()
    result[used] = spsolve(matrix.tocsc(), weight * distance[used])
    return result


def _build(sheet: _Sheet, foot: Foot, base: Base, strip: float, trimmed: IntArray) -> Seated:
    """Carry the rim down, with a land where it is asked for or where the part would not stand without."""
    lowest = float(sheet.points[np.unique(sheet.skin), 2].min())
    floor = lowest - base.depth
    new_below = lowest - min(STEP, base.depth / 3)
    outlines = [foot.outline] if area(foot.outline) > 0 else []
    plain = sheet.carried(Stand([foot], floor, new_below))
    bitten = 0.0 if strip else area_of(sheet.points, trimmed)
    margin, outer = stable_margin(plain, outlines, base, floor, new_below)
    if outer is None:
        return Seated(plain, floor, strip, trimmed, 0.0, new_below, np.vstack(outlines), sheet.filled, bitten)
    built = sheet.carried(Stand([foot], floor, new_below, outer))
    return Seated(built, floor, strip, trimmed, margin, new_below, outer, sheet.filled, bitten)


def stable_margin(plain: Built, outlines: list[FloatArray], base: Base, floor: float, land_at: float) -> tuple[float, FloatArray | None]:
    """The land that is asked for, or the least one, in whole mm, with which the part stands, and its outer edge.

    None when none is asked for and the part stands without. `plain` is the part without a land: the plate is added to its mass.
    """
    weights = ways_to_weigh(plain.vertices, plain.faces, base.wall)
    size = float(np.ptp(plain.vertices, axis=0).max())
    over = np.array([0.0, 0.0, floor])

    def holds(margin: float) -> tuple[float, FloatArray]:
        outer = widened(outlines, margin, base.corner)
        plate, middle = moments([outer])
        extra = (plate - sum(area(outline) for outline in outlines)) * (land_at - floor)
        angles = []
        for total, centre in weights:
            added = min(extra, total * extra / weights[0][0])  # a hollowed plate loses about as much as the body does
            at = (centre * total + np.array([*middle, (land_at + floor) / 2]) * added) / (total + added)
            angles.append(tip_angle(outer, at - over))
        return min(angles), outer

    if base.margin:
        angle, outer = holds(base.margin)
        if angle >= STANDS:
            return base.margin, outer
    elif min(tip_angle(np.vstack(outlines), centre - over) for _, centre in weights) >= STANDS:
        return 0.0, None
    low = high = max(np.ceil(base.margin or 0.0), 2.0)
    while holds(high)[0] < STANDS:
        low, high = high, high * 2
        if high > size:
            raise Declined("it is so tall and narrow that no base of sensible size would hold it up: lay it down")
    while high - low > 1:
        middle = float((low + high) // 2)
        low, high = (low, middle) if holds(middle)[0] >= STANDS else (middle, high)
    return high, holds(high)[1]


def ways_to_weigh(vertices: FloatArray, faces: IntArray, wall: float | None) -> list[tuple[float, FloatArray]]:
    """Volume of material and centre of mass (3,) of a solid, and also as it may be with a hollow inside.

    That is an even wall all over, and the wall with a roof that carries itself, which leaves more of the weight high up.
    """
    total, centre = mass(vertices, faces)
    ways = [(total, centre)]
    if wall is not None:
        a, b, c = (vertices[faces[:, i]] for i in range(3))
        areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
        skin = (areas[:, None] * (a + b + c)).sum(axis=0) / (3 * areas.sum())
        ways.append((min(total, wall * float(areas.sum())), skin))
        for volume, middle in hollows_inside(vertices, faces, wall):
            if volume < total:
                ways.append((total - volume, (total * centre - volume * middle) / (total - volume)))
    return ways


def mass(vertices: FloatArray, faces: IntArray) -> tuple[float, FloatArray]:
    """Volume and centre of mass (3,) of a closed solid, by signed tetrahedra from its own middle."""
    middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
    a, b, c = (vertices[faces[:, i]] - middle for i in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    total = float(six.sum())
    return total / 6, middle + (a + b + c).T @ six / (4 * total)
