"""Pins: closed pieces that stand a hair off the part are joined to it, so that what comes off the bed is one solid.

A tooth drawn a tenth of a millimetre off its gum, an eye that does not quite meet its lids: they belong to the part, but nothing holds
them. A short round pin across the gap, where the two are nearest and its ends lie buried in both, does. A small piece that hangs in the
air over the base is held by nothing at all, and gets a pin across a wider gap: whoever does not want the piece breaks it off.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.nearest import Closest
from lint.measure.overlap import owners
from lint.measure.specks import APART, spans
from lint.shape.sturdy import stacked
from lint.shape.triangles import spots_on
from lint.shape.unite import United, united
from lint.terms import BoolArray, Declined, FloatArray, IntArray, Part, Zone

# A gap is spanned up to the share of a piece's own length that counts as touching when stray pieces are told (lint/measure/specks.py),
# or, where the piece is small beside the part (by volume) and hangs in the air, up to its whole length. What stands farther off, or on
# the bed by itself, was put there, and is told instead.
HANGS = 1.0
SMALL = 0.1
OFF_BED = 0.01  # of its length: higher than that over the lowest point a piece does not stand
MOST = 60  # pieces joined: a file of more is no buck
WIDTHS = (0.25, 0.16, 0.1)  # of the piece's length, tried from the widest down, but never under two beads of the nozzle
DEPTHS = (1.0, 0.5)  # how far the ends reach into either side, in widths
PLACES = 24  # tried for each piece, from the nearest on
SIDES = 12
WITHIN = 0.75  # winding number of what lies well inside


@dataclass(frozen=True)
class Pinned:
    """part: with its pieces joined, where any could be; joined: how many; gap: mm, the widest spanned; zones: round the pins; most: mm
    that skin elsewhere may have moved; pieces: what may be promised of their number ("any" where the pins are shells yet to be united)."""

    part: Part
    joined: int = 0
    gap: float = 0.0
    zones: tuple[Zone, ...] = ()
    most: float = 0.0
    pieces: str = "fewer"

    @property
    def said(self) -> str:
        """For the step's own sentence, empty when nothing was joined."""
        if not self.joined:
            return ""
        pieces = "a loose piece" if self.joined == 1 else f"{self.joined} loose pieces"
        return f"; {pieces} that stood up to {self.gap:.2f} mm off joined to the rest by a pin" + ("" if self.joined == 1 else " each")


def pinned(part: Part, nozzle: float, survey: Survey | None = None) -> Pinned:
    """Join every closed piece that stands near enough to others to the largest one. The part as it was where nothing could be joined."""
    survey = survey or Survey(part)
    bodies = _bodies(survey)
    if not 1 < len(bodies) <= MOST:
        return Pinned(part)
    pins = _pins(survey.get("skin").vertices, bodies, nozzle)
    if not pins:
        return Pinned(part)
    widest, zones = max(pin.gap for pin in pins), tuple(pin.zone for pin in pins)
    bars = part.with_mesh(*stacked([(part.vertices, part.faces), *(pin.mesh for pin in pins)]))
    if survey.get("overlaps"):  # unite comes for these, and takes the pins along
        return Pinned(bars, len(pins), widest, zones, pieces="any")
    try:
        made = _fused(part, bars)
    except Declined:
        return Pinned(part)
    return Pinned(made.part, len(pins), widest, (*zones, *made.zones), made.most)


@dataclass(frozen=True)
class _Body:
    """Closed shells that overlap, with their cavities: a solid by itself. faces: (m, 3) of the skin's points; length: mm;
    reach: how wide a gap beside it may be spanned, mm."""

    faces: IntArray
    volume: float
    length: float
    reach: float


@dataclass(frozen=True)
class _Pin:
    """A closed mesh, the zone round it, and the gap that it spans, mm."""

    mesh: tuple[FloatArray, IntArray]
    zone: Zone
    gap: float


def _bodies(survey: Survey) -> list[_Body]:
    """The solids of a part, the largest first; none when some skin is open, crosses itself or faces the wrong way."""
    skin, shells, nesting, overlaps = (survey.get(n) for n in ("skin", "shells", "nesting", "overlaps"))
    if shells.count < 2 or not bool(shells.closed.all()) or nesting.inside_out.any() or any(not g.sound for g in overlaps):
        return []
    owner = owners(shells, nesting)
    body = np.where(owner >= 0, owner, np.arange(shells.count))
    for group in overlaps:
        body[np.isin(body, group.shells)] = group.shells[0]
    bodies: list[_Body] = []
    largest = max((float(shells.volume[body == one].sum()) for one in np.unique(body)), default=0.0)
    for one in np.unique(body):
        own = np.isin(shells.label, np.flatnonzero(body == one))
        volume, length = float(shells.volume[body == one].sum()), float(spans(skin, np.where(own, 0, -1), 1)[0])
        lifted = float(shells.low[body == one, 2].min() - shells.low[:, 2].min())
        hangs = volume < SMALL * largest and lifted > OFF_BED * length
        bodies.append(_Body(skin.faces[own], volume, length, (HANGS if hangs else APART) * length))
    return sorted((b for b in bodies if b.volume > 0), key=lambda b: -b.volume)


def _pins(vertices: FloatArray, bodies: list[_Body], nozzle: float) -> list[_Pin]:
    """Pins that hang pieces on the first body, or on pieces that hang on it already, the nearest first."""
    pins: list[_Pin] = []
    heap: list[tuple[float, int, int, _Near]] = []
    held, fresh = {0}, 0
    while True:
        for k in sorted(set(range(len(bodies))) - held):
            near = _near(vertices, bodies[k], bodies[fresh])
            if near is not None:
                heapq.heappush(heap, (float(near.gap[0]) / bodies[k].length, k, fresh, near))
        while heap:
            _, k, other, near = heapq.heappop(heap)
            pin = _pin(vertices, bodies[k], bodies[other], near, nozzle) if k not in held else None
            if pin is not None:
                break
        else:
            return pins
        pins.append(pin)
        held.add(k)
        fresh = k


@dataclass(frozen=True)
class _Near:
    """Pairs of places, (k, 3) each, on a piece and on the other, the nearest first; gap: (k,) mm."""

    own: FloatArray
    other: FloatArray
    gap: FloatArray


def _near(vertices: FloatArray, piece: _Body, other: _Body) -> _Near | None:
    """Where two pieces come so near that the gap may be spanned, asked from corners and places all over each; None where nowhere."""
    most = min(piece.reach, HANGS * other.length)
    corners = [vertices[np.unique(b.faces)] for b in (piece, other)]
    low = np.maximum(*(c.min(axis=0) for c in corners)) - most
    high = np.minimum(*(c.max(axis=0) for c in corners)) + most
    pairs: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for one, two, own in ((piece, other, corners[0]), (other, piece, corners[1])):
        spots, _ = spots_on(vertices, one.faces[_meets(vertices[one.faces], low, high)])
        own = np.vstack((own, spots))
        own = own[((own >= low) & (own <= high)).all(axis=1)]
        gap, _, there = Closest(vertices, two.faces)(own)
        pairs.append((own, there, gap) if one is piece else (there, own, gap))
    here, there, gap = (np.concatenate(column) for column in zip(*pairs, strict=True))
    order = np.argsort(gap, kind="stable")
    order = order[(gap[order] <= most) & (gap[order] > 0)]
    return _Near(here[order], there[order], gap[order]) if len(order) else None


def _meets(corners: FloatArray, low: FloatArray, high: FloatArray) -> BoolArray:
    """(m,) whether the box of a face, of corners (m, 3, 3), reaches into a box."""
    found: BoolArray = ((corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)).all(axis=1)
    return found


def _pin(vertices: FloatArray, piece: _Body, other: _Body, near: _Near, nozzle: float) -> _Pin | None:
    """The widest pin across the gap whose ends lie in material on both sides, or None."""
    # Not only the very nearest places, which may lie on an edge: some from among all that are near enough.
    few = np.unique(np.geomspace(1, len(near.gap), PLACES).astype(np.int64)) - 1
    for width in sorted({max(share * piece.length, 2 * nozzle) for share in WIDTHS}, reverse=True):
        for deep in DEPTHS:
            for own, there, gap in zip(near.own[few], near.other[few], near.gap[few], strict=True):
                into = deep * width * (there - own) / gap
                mesh = _round(own - into, there + into, width / 2)
                if _buried(vertices, piece, mesh[0][:SIDES]) and _buried(vertices, other, mesh[0][SIDES:]):
                    size = 1.02 * float(np.hypot(width / 2, gap / 2 + deep * width))
                    zone = Zone.near("a pin that joins a loose piece", size, (own + there)[None] / 2)
                    return _Pin(mesh, zone, float(gap))
    return None


def _buried(vertices: FloatArray, body: _Body, points: FloatArray) -> bool:
    import igl

    turns = np.asarray(igl.fast_winding_number(vertices, np.ascontiguousarray(body.faces), np.ascontiguousarray(points)))
    return float(turns.min()) > WITHIN


def _round(start: FloatArray, end: FloatArray, radius: float) -> tuple[FloatArray, IntArray]:
    """A closed round bar from start to end, both (3,): first the ring round the start, then that round the end."""
    along = (end - start) / np.linalg.norm(end - start)
    across = np.cross(along, np.eye(3)[np.argmin(np.abs(along))])
    across /= np.linalg.norm(across)
    angle = 2 * np.pi * (np.arange(SIDES) + 0.5) / SIDES
    ring = radius * (np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * np.cross(along, across))
    here = np.arange(SIDES)
    after = (here + 1) % SIDES
    fan = np.column_stack((np.zeros(SIDES - 2, dtype=np.int64), here[1:-1], here[2:]))
    one, two = np.column_stack((here, after, after + SIDES)), np.column_stack((here, after + SIDES, here + SIDES))
    faces = np.vstack((fan[:, ::-1], fan + SIDES, one, two))
    return np.vstack((start + ring, end + ring)), faces


def _fused(part: Part, bars: Part) -> United:
    """A part and its pins, `bars` being both in one mesh, made one solid. Raises Declined when it does not become sound."""
    survey = Survey(bars)
    groups = list(survey.get("overlaps"))
    if not all(g.sound and np.isfinite(g.volume) for g in groups):
        raise Declined("a pin meets skin that is not sound")
    made = united(bars, survey, groups)
    if len(Survey(made.part).get("crossings").pairs) > len(Survey(part).get("crossings").pairs):
        raise Declined("a pin grazes the skin beside it")
    return made
