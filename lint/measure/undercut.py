"""Undercut: skin that a mould pulled off in one direction would catch on, how large it is and how deep.

Skin is hidden where it faces away from the pull, or where a line along the pull meets more skin (facts 2.1.6). What lies on the bed
is covered by the board and left out, and so is a hollow that opens only there. The depth is how far the mould would have to give
sideways: from a hidden point, square to the pull, to the nearest line along the pull that is free from the point's height on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lint.measure import measure
from lint.measure.columns import Grid, crossings, grid_around
from lint.measure.edges import Edges
from lint.measure.rays import Rays
from lint.measure.shells import around_points, points_of, regions
from lint.measure.surface import Faces, Skin, hashed, used_points
from lint.measure.vectors import columns
from lint.measure.vectors import reach as span
from lint.measure.walls import Patches
from lint.terms import BoolArray, FloatArray, IntArray, Place

# Skin this nearly along the pull, in degrees, slides: it is neither hidden nor shadowed by its neighbours' rounding.
ALONG = 0.25
LINES = 90_000
LEVELS = 24
_FIRST, TRIED = 128, 64  # points of a region whose depth is told to a grid step, and of those how many exactly
_ALL = 2_000  # points of a region that are put in order; of more, some are picked
_ROUNDS, _ABOUT = 4, 8  # how often, and how many points about the deepest, are tried after it
NUDGE = 1e-3
_ABREAST = 1024  # points turned at once
_COMPASS = np.vstack((np.zeros(3), [(np.cos(a), np.sin(a), 0.0) for a in np.arange(8) * np.pi / 4]))


@dataclass(frozen=True)
class Lock:
    """One hidden region. area: mm2 of it; depth: mm that the mould must give sideways, at its deepest point; faces: (k,)."""

    area: float
    depth: float
    place: Place
    faces: IntArray


@dataclass(frozen=True)
class Pulled:
    """What a mould meets in one pull. locks: hidden regions, deepest first; hidden: (m,) faces of all of them.

    draft: (k,) degrees between the pull and each patch of `patches`, negative where it faces away, 90 where no mould touches it.
    """

    locks: tuple[Lock, ...]
    hidden: BoolArray
    draft: FloatArray


class Moulding:
    """One part made ready to be asked about pulls."""

    def __init__(self, skin: Skin, edges: Edges, facets: Faces, patches: Patches, rays: Rays, untouched: BoolArray) -> None:
        self._skin, self._edges, self._facets, self._patches, self._rays = skin, edges, facets, patches, rays
        self._untouched = untouched

    def pulled(self, direction: FloatArray, speck: float = 0.5) -> Pulled:
        """Hidden skin for a pull along `direction` (3,); regions of less than `speck` mm2 are left out. Sampled at the patches."""
        pull = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
        facets, patches, many = self._facets, self._patches, len(self._skin.faces)
        lean: FloatArray = facets.normal @ pull
        by_face = np.degrees(np.arcsin(np.clip(lean, -1.0, 1.0)))
        by_face[self._untouched] = 90.0
        draft = np.take(by_face, patches.face)
        hidden = draft < -ALONG
        open_ = np.flatnonzero(~(hidden | np.take(self._untouched, patches.face)))
        hidden[open_] = self._shadowed(open_, pull)
        at = np.flatnonzero(hidden)
        face = np.take(patches.face, at)
        area = np.bincount(face, weights=np.take(patches.area, at), minlength=many)
        groups = [g for g in regions(np.flatnonzero(area > 0), self._edges.neighbours, many) if area[g].sum() >= speck]
        region = np.full(many, -1, dtype=np.int32)
        for number, faces in enumerate(groups):
            region[faces] = number
        ground = _Ground(self._skin, lean, self._edges, self._rays, pull) if groups else None
        locks: list[Lock] = []
        for faces, mine in zip(groups, _by_region(np.take(region, face), at, len(groups)), strict=True):
            assert ground is not None
            # Where all of a face is hidden, its corners are asked about too: the deepest point is often one of them.
            full = faces[area[faces] >= facets.area[faces] * (1 - 1e-9)]
            points = np.take(patches.point, mine, axis=0)
            depth = ground.depth(np.vstack((points, np.take(self._skin.vertices, points_of(self._skin, full), axis=0))))
            locks.append(Lock(float(area[faces].sum()), depth, around_points(points, faces), faces))
        mask: BoolArray = region >= 0
        return Pulled(tuple(sorted(locks, key=lambda lock: (-lock.depth, -lock.area))), mask, draft)

    def _shadowed(self, some: IntArray, pull: FloatArray) -> BoolArray:
        """(k,) whether a line along the pull (3,) from each of these patches meets more skin."""
        start = np.take(self._facets.normal, np.take(self._patches.face, some), axis=0)
        start *= 2 * self._rays.gap
        start += np.take(self._patches.point, some, axis=0)
        met: BoolArray = self._rays.first(start, np.broadcast_to(pull, start.shape))[0] >= 0
        return met


@measure
def moulding(skin: Skin, edges: Edges, facets: Faces, patches: Patches, rays: Rays, covered: BoolArray) -> Moulding:
    """The part made ready to be asked about pulls; the pull itself is a fact of the run and not of the part."""
    return Moulding(skin, edges, facets, patches, rays, covered)


def _by_region(region: IntArray, items: IntArray, count: int) -> list[IntArray]:
    """The items (k,) of each of `count` regions, region -1 left out."""
    if count < 2:
        return [items[region == 0]] if count else []
    some = np.flatnonzero(region >= 0)
    small = region[some].astype(np.uint16) if count < 1 << 16 else region[some]  # put in order by counting
    order = np.argsort(small, kind="stable")
    return np.split(items[some[order]], np.cumsum(np.bincount(small, minlength=count))[:-1])


def _turned(points: FloatArray, frame: FloatArray) -> FloatArray:
    """Points (k, 3) in the coordinates of a frame (3, 3), whose rows are its axes.

    Many points are multiplied some at a time: for a matrix so long and narrow numpy's library wakes every core, and most of them wait.
    """
    turned = np.empty((len(points), 3))
    many = len(points) // _ABREAST * _ABREAST
    np.matmul(points[:many].reshape(-1, _ABREAST, 3), frame.T, out=turned[:many].reshape(-1, _ABREAST, 3))
    np.matmul(points[many:], frame.T, out=turned[many:])
    return turned


def _reaches(points: FloatArray, faces: IntArray) -> tuple[list[FloatArray], list[FloatArray]]:
    """The least and the greatest x, y and z of each face, (m,) each."""
    low, high = [], []
    for along in columns(points):
        a, b, c = (np.take(along, np.ascontiguousarray(faces[:, k])) for k in range(3))
        low.append(np.minimum(np.minimum(a, b), c))
        high.append(np.maximum(np.maximum(a, b), c))
    return low, high


class _Rising:
    """Faces (m, 3) of points (n, 3) in the order of their height, for want of a tree: those in reach of a height are looked through."""

    def __init__(self, points: FloatArray, faces: IntArray) -> None:
        low, high = _reaches(points, faces)
        size = np.maximum.reduce([high[k] - low[k] for k in range(3)])
        self.step = float(np.quantile(size[:: max(len(size) // 10_000, 1)], 0.998)) if len(size) else 0.0
        self.large = np.flatnonzero(size > self.step)  # the few that reach far are looked through each time
        rest = np.flatnonzero(size <= self.step)
        self.rising = rest[np.argsort(low[2][rest])]
        self.low, self.high = low[2][self.rising], high[2][self.rising]
        self.at = low[0][self.rising], low[1][self.rising]

    def about(self, at: FloatArray, within: float) -> IntArray:
        """Faces (k,), in order, among them all at the height of a point (3,) that may be within so many mm of it."""
        height, hair = float(at[2]), 1e-9 * (abs(float(at[2])) + self.step)
        first, last = np.searchsorted(self.low, (height - self.step - hair, height + hair), side="left")
        some = slice(int(first), int(last))
        near = (self.low[some] <= height) & (self.high[some] > height)
        for k in (0, 1):
            near &= np.abs(self.at[k][some] + self.step / 2 - at[k]) <= within + self.step / 2 + hair
        return np.sort(np.concatenate((self.rising[some][near], self.large)))


class _Ground:
    """The part looked at against the pull: its height over a grid of lines along the pull, and the edges of its outline."""

    def __init__(self, skin: Skin, lean: FloatArray, edges: Edges, rays: Rays, pull: FloatArray) -> None:
        side = np.eye(3)[int(np.argmin(np.abs(pull)))]
        u = np.cross(pull, side)
        u /= np.linalg.norm(u)
        self.frame = np.stack((u, np.cross(pull, u), pull))
        self.pull, self.rays = pull, rays
        self.points = _turned(skin.vertices, self.frame)
        self.faces = skin.faces
        self.rising: _Rising | None = None
        self.fields: NDArray[np.float32] | None = None
        self.known: set[int] = set()
        used = used_points(Skin(self.points, skin.faces, skin.old))
        low, high = span(used)
        wide, narrow = max(high[:2] - low[:2]), min(high[:2] - low[:2])
        step = max(float(np.sqrt(wide * narrow / LINES)), float(8 * wide / LINES), 1e-6)  # a thread must not get a line for each micron
        self.grid: Grid = grid_around(low, high, np.full(3, step), margin=2)
        met = crossings(self.points, skin.faces, self.grid)
        top = np.full(self.grid.count[0] * self.grid.count[1], -np.inf)
        np.maximum.at(top, met.column, met.height)
        self.top = top.reshape(self.grid.count[1], self.grid.count[0])
        up: BoolArray = lean > 0
        one, two = (np.take(up, np.ascontiguousarray(edges.neighbours[:, k])) for k in (0, 1))
        outline = one != two
        self.outline = self.points[edges.ends[edges.neighbour_edge[outline]]]
        self.outline = self.outline[np.argsort(self.outline[:, :, 0].mean(axis=1), kind="stable")]
        self.outline_top = self.outline[:, :, 2].max(axis=1)
        self.outline_middle = self.outline[:, :, :2].mean(axis=1)
        self.outline_half = np.linalg.norm(self.outline[:, 1, :2] - self.outline[:, 0, :2], axis=1) / 2
        self.low, self.high = float(low[2]), float(high[2])

    def depth(self, points: FloatArray) -> float:
        """The greatest depth of some hidden points (k, 3), mm; 0 where none is hidden after all."""
        here = _turned(points, self.frame)
        rough = self._rough(here)
        pitch = float(self.grid.pitch[0])
        order = np.lexsort((here[:, 2], here[:, 1], here[:, 0], -rough)) if len(here) <= _ALL else self._spread(here, rough)
        some = np.concatenate((order[:_FIRST], order[_FIRST :: max(len(order) // _FIRST, 1)]))
        tried = np.zeros(len(here), dtype=bool)
        best, deepest = 0.0, int(order[0])
        for _ in range(_ROUNDS):
            before = best
            most = self._most(here[some], rough[some] + pitch)
            for k, at_most in sorted(zip(some.tolist(), most.tolist(), strict=True), key=lambda each: -each[1])[:TRIED]:
                if at_most > best:
                    # Where two outlines cross, the nearest free line is the nearest point of neither: then it is known to a step.
                    depth = min(self._exact(here[k], at_most + pitch), at_most)
                    if depth > best:
                        best, deepest = depth, k
            tried[some] = True
            if best <= before:
                break
            away = ((here - here[deepest]) ** 2).sum(axis=1)  # and on from the deepest to those about it
            away[tried | (rough + pitch <= best)] = np.inf
            some = np.argpartition(away, min(_ABOUT, len(away) - 1))[:_ABOUT]
            some = some[np.isfinite(away[some])]
        return best

    def _most(self, here: FloatArray, within: FloatArray) -> FloatArray:
        """What no depth of these points (k, 3) exceeds, (k,): how far each is from the middle of the nearest cell that is free from its
        height on, for the line there is free. within: (k,) such a cell is that near."""
        most, low, step = within.copy(), self.grid.low, self.grid.pitch
        for k, (at, far) in enumerate(zip(here.tolist(), within.tolist(), strict=True)):
            begin, end = (
                [int(np.clip((at[a] + by - low[a]) / step[a], 0, self.grid.count[a] - 1)) for a in (0, 1)] for by in (-far, far + step[0])
            )
            across, along = ((low[a] + np.arange(begin[a], end[a] + 1) * step[a] - at[a]) ** 2 for a in (0, 1))
            square = np.add.outer(along, across)[self.top[begin[1] : end[1] + 1, begin[0] : end[0] + 1] <= at[2]]
            most[k] = min(far, float(np.sqrt(square.min(initial=np.inf))))
        return most

    def _spread(self, here: FloatArray, rough: FloatArray) -> IntArray:
        """Of very many points some hundreds, the roughly deepest and others all over, by what lies where and not by their numbers."""
        top = np.flatnonzero(rough >= np.partition(rough, -_ALL // 4)[-_ALL // 4])
        key = hashed(np.ascontiguousarray(here).view(np.uint64))
        top = top[np.argsort(key[top])][: _ALL // 2]
        some = np.union1d(top, np.argpartition(key, _ALL // 2)[: _ALL // 2])
        return np.asarray(some[np.lexsort((key[some], -rough[some]))])

    def _rough(self, here: FloatArray) -> FloatArray:
        """Depth of each point to about a grid step, (k,): the outline taken at the next of some levels below the point."""
        from scipy.ndimage import distance_transform_edt

        step = float(self.grid.pitch[0])
        share = (here[:, 2] - self.low) / max(self.high - self.low, 1e-12)
        level = np.clip((share * LEVELS).astype(np.int64), 0, LEVELS - 1)
        x, y = (np.round((here[:, k] - self.grid.low[k]) / step).astype(np.int64).clip(0, self.grid.count[k] - 1) for k in (0, 1))
        if self.fields is None:
            self.fields = np.zeros((LEVELS, *self.top.shape), dtype=np.float32)
        for k in set(np.flatnonzero(np.bincount(level)).tolist()) - self.known:
            shut = self.top > self.low + (self.high - self.low) * k / LEVELS
            self.fields[k] = distance_transform_edt(shut, sampling=step)
            self.known.add(k)
        flat = (level * self.top.shape[0] + y) * self.top.shape[1] + x
        return np.asarray(np.take(self.fields.reshape(-1), flat), dtype=np.float64)

    def _exact(self, at: FloatArray, likely: float) -> float:
        """Distance square to the pull from a point (3,) to the nearest free line, which is likely within so many mm.

        The edge of what overhangs a point is made of outline edges above it and of the skin's cut at its height. Their nearest points
        are tried from the nearest on: a line a hair beyond one that meets nothing from the point's height on is free.
        """
        hair = 4 * self.rays.gap + NUDGE
        if self._free(at + hair * _COMPASS, NUDGE).any():
            return 0.0
        tried = -1.0
        for within in (likely, 4 * likely, np.inf):
            segments = np.vstack((self._outline_above(at, within), self._cut(at, within)))
            a, b = segments[:, 0], segments[:, 1]
            along = b - a
            length = along[:, 0] ** 2 + along[:, 1] ** 2
            to = at[:2] - a
            share = np.divide(to[:, 0] * along[:, 0] + to[:, 1] * along[:, 1], length, out=np.zeros(len(a)), where=length > 0)
            nearest = a + np.clip(share, 0, 1)[:, None] * along
            away = nearest - at[:2]
            distance = np.hypot(away[:, 0], away[:, 1])
            some = np.flatnonzero((distance > tried) & (distance <= within))
            some = some[np.argsort(distance[some])]
            unit = np.divide(away, distance[:, None], out=np.zeros_like(away), where=distance[:, None] > 0)
            for begin in range(0, len(some), 64):
                few = some[begin : begin + 64]
                free = self._free(np.column_stack((nearest[few] + hair * unit[few], np.full(len(few), at[2]))), NUDGE)
                if free.any():
                    return float(distance[few][np.argmax(free)])
            tried = within
        return 0.0

    def _free(self, spots: FloatArray, lift: float) -> BoolArray:
        start = (spots + np.array([0.0, 0.0, lift])) @ self.frame
        met, _ = self.rays.first(start, np.broadcast_to(self.pull, start.shape))
        clear: BoolArray = met < 0
        return clear

    def _outline_above(self, at: FloatArray, within: float) -> FloatArray:
        """Outline edges as far as they lie above a point (3,), of those that may be within so many mm of it, in plan: (k, 2, 2)."""
        reach = within + float(self.outline_half.max(initial=0.0))
        first, last = np.searchsorted(self.outline_middle[:, 0], (at[0] - reach, at[0] + reach))
        some = slice(int(first), int(last))
        off = self.outline_middle[some] - at[:2]
        near = (self.outline_top[some] > at[2]) & (np.hypot(off[:, 0], off[:, 1]) <= within + self.outline_half[some])
        return _clipped(self.outline[some][near], at[2])

    def _cut(self, at: FloatArray, within: float) -> FloatArray:
        """The skin's cut at the height of a point (3,), of faces that may be within so many mm of it, in plan: (k, 2, 2)."""
        height = float(at[2])
        across = self.rays.about(at @ self.frame, within, self.pull)
        if across is None:
            self.rising = self.rising or _Rising(self.points, self.faces)
            across = self.rising.about(at, within)
        corners = np.take(self.faces, across, axis=0)
        z = self.points[corners, 2] - height
        met = np.flatnonzero((z.min(axis=1) <= 0) & (z.max(axis=1) > 0))
        across, z = across[met], z[met]
        corner = self.points[corners[met], :2]
        above = z > 0
        odd = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
        row = np.arange(len(across))
        pieces = []
        for k in (1, 2):
            other = (odd + k) % 3
            share = z[row, odd] / (z[row, odd] - z[row, other])
            pieces.append(corner[row, odd] + share[:, None] * (corner[row, other] - corner[row, odd]))
        return np.stack(pieces, axis=1) if len(across) else np.zeros((0, 2, 2))


def _clipped(ends: FloatArray, height: float) -> FloatArray:
    """The parts of segments (k, 2, 3) above a height, in plan: (j, 2, 2)."""
    above = ends[:, :, 2] > height
    ends, above = ends[above.any(axis=1)], above[above.any(axis=1)]
    a, b = ends[:, 0].copy(), ends[:, 1].copy()
    rise = b[:, 2] - a[:, 2]
    share = np.divide(height - a[:, 2], rise, out=np.zeros(len(a)), where=rise != 0)[:, None]
    cut = ends[:, 0] + share * (ends[:, 1] - ends[:, 0])
    a = np.where(above[:, :1], a, cut)
    b = np.where(above[:, 1:], b, cut)
    return np.stack((a[:, :2], b[:, :2]), axis=1)
