"""Pegs for a cut: where two sockets go on either side of it, clear of the skin, and what is built up round them in a hollow.

In a hollow part the wall alone takes no peg. There a boss is built inside, which never comes nearer to the outside than the wall does, and
rests on the floor or runs out against the wall below it at 45 degrees, so that it prints.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from lint.measure.chambers import Chambers
from lint.shape.cuts import Sections
from lint.shape.outline import area
from lint.shape.triangles import filled
from lint.terms import BoolArray, Declined, FloatArray

# Pegs tried, mm wide: a dowel as it is sold, and smaller. A socket is drawn wider by the clearance: holes print 0.1 to 0.3 mm undersize
# (facts 1.2.12), which leaves the 0.2 to 0.4 mm that parts need to go together by hand (0.2 was measured as freeing, facts 1.2.13; 0.5 for
# resin, facts 1.5.11).
PEGS = (10.0, 8.0, 6.0, 4.0)
CLEARANCE = 0.5
DEEP = 1.5  # of the peg's width, on each side
SIDES = 48
EVERY = 1.5  # mm between the sections looked at
SPOTS = 300
RING = 0.85  # of the wall: a boss ends this far round its socket, so that it nowhere touches the outside
GRIP = 0.08  # of a boss at least stands in material, wherever along it one looks
LEDGE = 1.0  # mm of a boss's underside that may hang free
ENOUGH = 0.7  # of the way across the cut: pegs in the material that far apart need no help of bosses
SHUT = 3.0  # mm: a gap twice as wide in a section is taken to be a drain hole
COARSE = 0.05  # mm: how finely that is done
OPEN = 1.5  # mm: how far a boss keeps from one
TIP = 0.8  # mm: how blunt the end of a console is
BUILT = 60  # spots for which a boss is worked out
SMOOTH = 0.02  # mm that a boss may stray when it is made of fewer faces
LOOKED = 5  # sections in which it is looked at first


@dataclass(frozen=True)
class Peg:
    """A peg across a cut. view: (3, 3) rows, the last along the peg; at: (2,) in the cut; height: of the cut along the last row; width: mm;
    deep: how far each socket goes, its tip left out; bosses: solids to be built up first; held: whether they print without support."""

    view: FloatArray
    axis: int
    at: FloatArray
    height: float
    width: float
    bosses: tuple[Any, ...]
    held: bool

    @property
    def radius(self) -> float:
        """Of the socket, mm."""
        return (self.width + CLEARANCE) / 2

    @property
    def deep(self) -> float:
        """Depth of a socket's round part on each side of the cut, mm."""
        return DEEP * self.width

    @property
    def length(self) -> float:
        """Of the peg, a little shorter than its two sockets, mm."""
        return 2 * self.deep - 1.0

    def socket(self) -> Any:
        """What is cut out for it on both sides (manifold3d): round, and pointed upwards so that it needs no support inside."""
        from manifold3d import CrossSection, Manifold

        if self.axis == 2:
            round_ = Manifold.cylinder(2 * self.deep, self.radius, self.radius, SIDES).translate((0.0, 0.0, -self.deep))
            tip = Manifold.cylinder(self.radius, self.radius, 0.0, SIDES).translate((0.0, 0.0, self.deep))
            return _stood(round_ + tip, self.view, self.at, self.height)
        drop = CrossSection.batch_hull([CrossSection.circle(self.radius, SIDES), _dot().translate((0.0, _point(self.radius)))])
        return _stood(Manifold.extrude(drop, 2 * self.deep).translate((0.0, 0.0, -self.deep)), self.view, self.at, self.height)


def _point(radius: float) -> float:
    """How high over its middle a round hole is drawn out, so that its roof leans 45 degrees; blunt by the tool's width."""
    return radius * float(np.sqrt(2)) - 0.1


def _dot() -> Any:
    from manifold3d import CrossSection

    return CrossSection.circle(0.1, 8)


def _stood(solid: Any, view: FloatArray, at: FloatArray, height: float) -> Any:
    """A solid drawn about the origin of a cut, put into its place in the part."""
    move = view.T @ np.array([at[0], at[1], height])
    return solid.transform(np.column_stack((view.T, move)))


class Joint:
    """One joint: a cut between two cells, and what the part is like on either side of it.

    limits: ((p0, p1), (q0, q1)) of the cell in the view of the cut; kept: sections looked at, shared by all joints.
    """

    def __init__(
        self,
        sections: Sections,
        chambers: Chambers,
        axis: int,
        height: float,
        limits: tuple[tuple[float, float], ...],
        wall: float,
        kept: dict[tuple[int, float], tuple[Any, Any]],
    ) -> None:
        from manifold3d import CrossSection

        self.sections, self.chambers, self.axis, self.height, self.wall = sections, chambers, axis, height, wall
        self.view = sections.frame.view(axis)
        (p0, p1), (q0, q1) = limits
        self._cell = CrossSection.square((p1 - p0, q1 - q0)).translate((p0, q0))
        self.kept = kept

    def pegs(self) -> list[Peg]:
        """Two pegs for each outline of the cut, as thick and as far apart as they go. Raises Declined when one has no room for two."""
        across = self._slices(0.0)[1] ^ self._cell
        made: list[Peg] = []
        for outline in across.decompose():
            if outline.area() < 1e-3:
                continue
            for width in PEGS:
                pair = self._pair(outline, width)
                if pair:
                    made += pair
                    break
            else:
                raise Declined(f"the cut has no room for two pegs of {PEGS[-1]:.0f} mm with {self.wall:.1f} mm of wall around them")
        return made

    def face(self, deep: float) -> Any:
        """The part of the cut, in the cell, that has `deep` mm of material on both sides."""
        return self._common(-deep, deep, 0) ^ self._cell

    def _slices(self, off: float) -> tuple[Any, Any]:
        """The material at a distance from the cut, and the same with the hollows in it filled but for what leads out of them."""
        height = round(self.height + off, 6)
        if (self.axis, height) not in self.kept:
            flat = self.sections.at(self.axis, height)
            self.kept[self.axis, height] = (flat, self._filled(flat, height))
        return self.kept[self.axis, height]

    def _filled(self, flat: Any, height: float) -> Any:
        """A section with its hollows filled: a drain hole that it runs through is shut first, to tell inside from outside, then kept."""
        from manifold3d import CrossSection, FillRule, JoinType

        if self.chambers.volume <= 0 or flat.is_empty():
            return flat
        shut = flat.simplify(COARSE).offset(SHUT, JoinType.Round, 2.0, 16).simplify(COARSE).offset(-SHUT, JoinType.Round, 2.0, 16) + flat
        rings = [ring for loop in shut.to_polygons() if area(ring := np.asarray(loop)[::-1]) > 0 and self._hollow(ring, height)]
        if not rings:
            return flat
        inside = CrossSection(rings, FillRule.Positive)
        whole = flat + inside
        ways_out: list[Any] = []
        for bit in (shut - flat).decompose():
            near = bit.offset(0.1)
            if (near ^ inside).area() < 1e-3:
                continue
            if (near - shut - inside).area() < 1e-3:
                whole = whole + bit
            else:
                ways_out.append(bit.offset(OPEN, JoinType.Round, 2.0, 24))
        for way in ways_out:
            whole = whole - way
        return whole

    def _hollow(self, ring: FloatArray, height: float) -> bool:
        """Whether a hole of a section is a hollow within the part and not air beside it."""
        faces = filled([ring])
        a, b, c = (ring[faces[:, k]] for k in range(3))
        size = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
        largest = np.argsort(-size)[:25]
        at = (a + b + c)[largest] / 3
        inner = self.chambers.holds(np.column_stack((at, np.full(len(at), height))) @ self.view)
        return bool(size[largest][inner].sum() > 0.5 * size[largest].sum())

    def _common(self, low: float, high: float, which: int) -> Any:
        """What all sections between two distances from the cut have in common: 0 material, 1 with the hollows filled."""
        common = self._slices(0.0)[which]
        for off in np.linspace(low, high, max(int(np.ceil((high - low) / EVERY)), 2)):
            common = common ^ self._slices(float(off))[which]
        return common

    def _pair(self, outline: Any, width: float) -> list[Peg]:
        """Two pegs, or three where the cut is wide, of one width; none where there is no room."""
        from manifold3d import JoinType

        radius = (width + CLEARANCE) / 2
        round_ = _point(radius) + 0.1 if self.axis < 2 else radius
        reach = DEEP * width + self.wall + (radius if self.axis == 2 else 0.0)
        around = round_ + self.wall
        free = self._common(-reach, reach, 1).offset(-around, JoinType.Round, 2.0, SIDES)
        # Beside another cut there may be sockets that come from there, as deep as these.
        free = free ^ self._cell.offset(-around - reach, JoinType.Miter, 2.0, SIDES) ^ outline
        if free.is_empty():
            return []
        spots = _spread(free)
        in_solid = within(spots, self._common(-reach, reach, 0).offset(-around + 0.01, JoinType.Round, 2.0, SIDES))
        least = max(3 * width, around)
        chosen = _apart(spots[in_solid], least)
        if chosen is not None and np.ptp(chosen, axis=0).max() > ENOUGH * np.ptp(spots, axis=0).max():
            return [Peg(self.view, self.axis, at, self.height, width, (), True) for at in chosen]
        some = spots[:: max(len(spots) // BUILT, 1)]
        ways = [way for at in some if (way := self._way(at, round_ + RING * self.wall, reach)) is not None]
        ways += [_Way(at, 0.0, np.zeros(2), True) for at in spots[in_solid]]
        for held in (True, False):
            these = [w for w in ways if w.held or not held]
            chosen = _apart(np.array([w.at for w in these]).reshape(-1, 2), least)
            if chosen is not None:
                picked = [next(w for w in reversed(these) if (w.at == at).all()) for at in chosen]
                bosses = [(self._built(w, reach),) if w.boss > 0 else () for w in picked]
                return [Peg(self.view, self.axis, w.at, self.height, width, b, w.held) for w, b in zip(picked, bosses, strict=True)]
        return []

    def _way(self, at: FloatArray, boss: float, reach: float) -> _Way | None:
        """How a boss round a spot holds on to the wall all along, and prints: None when it does not reach the wall."""
        from manifold3d import CrossSection

        best: _Way | None = None
        far = 6 * boss
        window = CrossSection.square((2 * far, 2 * far), True).translate((float(at[0]), float(at[1])))
        looked = [[flat ^ window for flat in self._slices(float(off))] for off in np.linspace(-reach, reach, LOOKED)]
        for toward in self._towards(boss):
            way = _Way(at, boss, toward, False)
            shape = way.shape(self.axis)
            grips = []
            loose = 0.0
            for material, whole in looked:
                here = shape ^ whole
                grips.append((here ^ material).area())
                if self.axis < 2:
                    loose = max(loose, hanging(here, material))
            if min(grips) < GRIP * np.pi * boss**2:
                continue
            if self.axis == 2:
                material, whole = self._slices(-reach - way.drop)
                loose = 0.0 if (way.tip() ^ (whole - material)).area() < 0.1 * way.tip().area() else np.inf
            way = _Way(at, boss, toward, loose <= LEDGE)
            if way.held:
                return way
            best = best or way
        return best

    def _towards(self, boss: float) -> FloatArray:
        """Where from its middle a boss may be drawn out to: to the walls, in an upright cut downwards too. The shortest first, (k, 2)."""
        if self.axis == 2:
            angle = np.radians(np.arange(0, 360, 30.0))
            return np.vstack([k * boss * np.column_stack((np.cos(angle), np.sin(angle))) for k in (0.9, 1.5, 2.2)])
        down = [(0.0, -k) for k in (0.0, 0.5, 1.0, 2.0, 4.0)]
        aside = [(side * k, -k - 1.5) for k in (0.6, 1.2, 2.0) for side in (-1.0, 1.0)]
        return boss * np.array(down + aside)

    def _built(self, way: _Way, reach: float) -> Any:
        """The boss as a solid in the part, cut off everywhere before it comes through the skin: slab by slab, each by what is common
        to the sections at its two ends."""
        from manifold3d import JoinType, Manifold, OpType

        slabs: list[Any] = []
        low = -reach - (way.drop if self.axis == 2 and way.held else 0.0)
        ends = np.linspace(low, reach, int(np.ceil((reach - low) / EVERY)) + 1)
        for below, above in pairwise(ends):
            room = self._common(float(below), float(above), 1).offset(-(1 - RING) * self.wall, JoinType.Round, 2.0, SIDES) ^ self._cell
            lap = 0.01 if above < ends[-1] else 0.0
            if room.is_empty():
                continue
            slabs.append(Manifold.extrude(room, above - below + lap).translate((0.0, 0.0, float(below))))
        boss = way.solid(self.axis, reach) ^ Manifold.batch_boolean(slabs, OpType.Add)
        return _stood(boss.simplify(SMOOTH), self.view, np.zeros(2), self.height)


@dataclass(frozen=True)
class _Way:
    """A boss: its middle and radius in the cut (0: there is material enough), where from its middle it is drawn out to (a console or a
    foot), whether it then prints."""

    at: FloatArray
    boss: float
    toward: FloatArray
    held: bool

    @property
    def drop(self) -> float:
        """How far below itself a boss across a level cut runs out, so that it leans 45 degrees at most."""
        return float(np.hypot(*self.toward)) + 1.1 * self.boss

    def tip(self) -> Any:
        """Where it runs out, flat."""
        from manifold3d import CrossSection

        middle = self.at + self.toward
        return CrossSection.circle(TIP, 12).translate((float(middle[0]), float(middle[1])))

    def shape(self, axis: int) -> Any:
        """Its section: a disc drawn out; straight down with its whole width, else to a point."""
        from manifold3d import CrossSection

        middle = self.at + self.toward
        end = self.boss if axis < 2 and self.toward[0] == 0 else 0.5 * self.boss if axis == 2 else TIP
        discs = [CrossSection.circle(r, SIDES).translate((float(p[0]), float(p[1]))) for r, p in ((self.boss, self.at), (end, middle))]
        return CrossSection.batch_hull(discs)

    def solid(self, axis: int, reach: float) -> Any:
        """The whole of it, not yet kept within the part: across a level cut its lower end runs out to the tip."""
        from manifold3d import Manifold

        body = Manifold.extrude(self.shape(axis), 2 * reach).translate((0.0, 0.0, -reach))
        if axis < 2 or not self.held:
            return body
        corners = [(self.shape(axis), -reach), (self.tip(), -reach - self.drop)]
        rings = [np.column_stack((p, np.full(len(p), off))) for flat, off in corners for p in map(np.asarray, flat.to_polygons())]
        return body + Manifold.hull_points(np.vstack(rings))


def hanging(shape: Any, material: Any) -> float:
    """How much of a shape's underside, mm, looks down past 45 degrees with no material just under it; both flat, up is the second way."""
    total = 0.0
    for loop in (shape - material).to_polygons():
        ring = np.asarray(loop)
        side = np.roll(ring, -1, axis=0) - ring
        length = np.maximum(np.hypot(side[:, 0], side[:, 1]), 1e-12)
        down = side[:, 0] / length > 0.72  # outward of a side that runs along +p is down
        middle = ring + side / 2 - np.array([0.0, 0.05])
        total += float(length[down & ~within(middle, material)].sum())
    return total


def within(points: FloatArray, flat: Any) -> BoolArray:
    """(k,) which points lie in a flat shape, by the number of sides to their right."""
    inside = np.zeros(len(points), dtype=bool)
    for loop in flat.to_polygons():
        ring = np.asarray(loop)
        nxt = np.roll(ring, -1, axis=0)
        for begin in range(0, len(points), 256):
            p = points[begin : begin + 256]
            crosses = (ring[None, :, 1] > p[:, None, 1]) != (nxt[None, :, 1] > p[:, None, 1])
            with np.errstate(invalid="ignore", divide="ignore"):
                x = ring[:, 0] + (p[:, None, 1] - ring[:, 1]) / (nxt[:, 1] - ring[:, 1]) * (nxt[:, 0] - ring[:, 0])
            inside[begin : begin + 256] ^= (crosses & (x > p[:, None, 0])).sum(axis=1) % 2 == 1
    return inside


def _spread(free: Any) -> FloatArray:
    """About SPOTS points (k, 2) all over a flat shape, its corners and edges among them."""
    p0, q0, p1, q1 = free.bounds()
    step = max(float(np.sqrt(max(free.area(), 1e-6) / SPOTS)), 0.25)
    p, q = np.meshgrid(np.arange(p0 + step / 2, p1, step), np.arange(q0 + step / 2, q1, step))
    grid = np.stack((p.ravel(), q.ravel()), axis=1)
    edge = np.vstack([_along(np.asarray(loop), 4 * step) for loop in free.offset(-0.02).to_polygons()] or [np.zeros((0, 2))])
    return np.vstack((edge[:SPOTS], grid[within(grid, free)]))


def _along(ring: FloatArray, step: float) -> FloatArray:
    """Points of a closed outline about `step` apart."""
    closed = np.vstack((ring, ring[:1]))
    way = np.concatenate(([0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))))
    at = np.linspace(0, way[-1], max(int(way[-1] / step), 3), endpoint=False)
    return np.stack([np.interp(at, way, closed[:, k]) for k in (0, 1)], axis=1)


def _apart(at: FloatArray, least: float) -> FloatArray | None:
    """Two of some spots (k, 2) as far apart as can be, and a third well off their line where there is one. None when too near."""
    if len(at) < 2:
        return None
    one = 0
    for _ in range(4):
        two = int(np.argmax(((at - at[one]) ** 2).sum(axis=1)))
        one, two = two, one
    one, two = sorted((one, two))
    along = at[two] - at[one]
    length = float(np.hypot(*along))
    if length < least:
        return None
    off = np.abs((at[:, 0] - at[one, 0]) * along[1] - (at[:, 1] - at[one, 1]) * along[0]) / length
    three = int(np.argmax(off))
    chosen: FloatArray = at[[one, two, three] if off[three] >= 2 * least else [one, two]]
    return chosen


