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
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.hollows import Hollows
from lint.measure.rays import Rays
from lint.measure.shells import Shells, around_points, regions
from lint.measure.surface import Faces, Skin
from lint.measure.walls import Patches
from lint.terms import BoolArray, FloatArray, IntArray, Place

# Skin this nearly along the pull, in degrees, slides: it is neither hidden nor shadowed by its neighbours' rounding.
ALONG = 0.25
LINES = 90_000
LEVELS = 24
TRIED = 24
NUDGE = 1e-3
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
        facets, patches = self._facets, self._patches
        lean = facets.normal[patches.face] @ pull
        untouched = self._untouched[patches.face]
        draft = np.where(untouched, 90.0, np.degrees(np.arcsin(np.clip(lean, -1.0, 1.0))))
        start = patches.point + 2 * self._rays.gap * facets.normal[patches.face]
        met, _ = self._rays.first(start, np.broadcast_to(pull, start.shape))
        hidden = ((draft < -ALONG) | (met >= 0)) & ~untouched
        area = np.bincount(patches.face, weights=np.where(hidden, patches.area, 0.0), minlength=len(self._skin.faces))
        chosen = np.flatnonzero(area > 0)
        ground = _Ground(self._skin, self._facets, self._edges, self._rays, pull)
        locks: list[Lock] = []
        mask = np.zeros(len(self._skin.faces), dtype=bool)
        by_face = np.argsort(patches.face, kind="stable")
        by_face = by_face[hidden[by_face]]
        sorted_face = patches.face[by_face]
        for faces in regions(chosen, self._edges.neighbours, len(self._skin.faces)):
            if area[faces].sum() < speck:
                continue
            left, right = np.searchsorted(sorted_face, faces, "left"), np.searchsorted(sorted_face, faces, "right")
            count = right - left
            mine = by_face[np.arange(int(count.sum())) + np.repeat(left - np.cumsum(count) + count, count)]
            # Where all of a face is hidden, its corners are asked about too: the deepest point is often one of them.
            full = faces[area[faces] >= self._facets.area[faces] * (1 - 1e-9)]
            corners = self._skin.vertices[np.unique(self._skin.faces[full])]
            depth = ground.depth(np.vstack((patches.point[mine], corners)))
            mask[faces] = True
            locks.append(Lock(float(area[faces].sum()), depth, around_points(patches.point[mine], faces), faces))
        return Pulled(tuple(sorted(locks, key=lambda lock: (-lock.depth, -lock.area))), mask, draft)


@measure
def moulding(
    skin: Skin, edges: Edges, facets: Faces, patches: Patches, rays: Rays, contact: Contact, shells: Shells, hollows: Hollows
) -> Moulding:
    """The part made ready to be asked about pulls; the pull itself is a fact of the run and not of the part."""
    return Moulding(skin, edges, facets, patches, rays, _covered(skin, edges, contact, shells) | hollows.hidden)


def _covered(skin: Skin, edges: Edges, contact: Contact, shells: Shells) -> BoolArray:
    """(m,) skin that the board keeps the mould from: what lies on it, and hollows, drains and sockets that open only downwards.

    Where the skin on the board is a ring, it parts the skin within the ring from the outside; only the outside reaches its shell's top.
    """
    covered = np.zeros(len(skin.faces), dtype=bool)
    covered[contact.faces] = True
    top = skin.vertices[skin.faces, 2].max(axis=1)
    summit = np.full(shells.count, -np.inf)
    np.maximum.at(summit, shells.label, top)
    for faces in regions(np.flatnonzero(~covered), edges.neighbours, len(skin.faces)):
        covered[faces] = float(top[faces].max()) < summit[shells.label[faces[0]]]
    return covered


class _Ground:
    """The part looked at against the pull: its height over a grid of lines along the pull, and the edges of its outline."""

    def __init__(self, skin: Skin, facets: Faces, edges: Edges, rays: Rays, pull: FloatArray) -> None:
        side = np.eye(3)[int(np.argmin(np.abs(pull)))]
        u = np.cross(pull, side)
        u /= np.linalg.norm(u)
        self.frame = np.stack((u, np.cross(pull, u), pull))
        self.pull, self.rays = pull, rays
        self.points = skin.vertices @ self.frame.T
        self.faces = skin.faces
        corner = self.points[skin.faces, 2]
        self.face_low, self.face_high = corner.min(axis=1), corner.max(axis=1)
        self.fields: dict[int, NDArray[np.float32]] = {}
        used = self.points[np.unique(skin.faces)]
        low, high = used.min(axis=0), used.max(axis=0)
        wide, narrow = max(high[:2] - low[:2]), min(high[:2] - low[:2])
        step = max(float(np.sqrt(wide * narrow / LINES)), float(8 * wide / LINES), 1e-6)  # a thread must not get a line for each micron
        self.grid: Grid = grid_around(low, high, np.full(3, step), margin=2)
        met = crossings(self.points, skin.faces, self.grid)
        top = np.full(self.grid.count[0] * self.grid.count[1], -np.inf)
        np.maximum.at(top, met.column, met.height)
        self.top = top.reshape(self.grid.count[1], self.grid.count[0])
        lean = facets.normal @ pull
        one, two = edges.neighbours.T
        outline = (lean[one] > 0) != (lean[two] > 0)
        self.outline = edges.ends[edges.neighbour_edge[outline]]
        self.low, self.high = float(low[2]), float(high[2])

    def depth(self, points: FloatArray) -> float:
        """The greatest depth of some hidden points (k, 3), mm; 0 where none is hidden after all."""
        here = points @ self.frame.T
        rough = self._rough(here)
        order = np.argsort(-rough)
        tried = order[: TRIED // 2]
        rest = order[TRIED // 2 :]
        near = rest[rough[rest] > rough[order[0]] - 3 * float(self.grid.pitch[0])]
        tried = np.concatenate((tried, near[:: max(len(near) // (TRIED // 2), 1)]))
        best = 0.0
        for k in tried:
            # The line in the middle of the free cell that gave the rough depth is itself free: no point is deeper than that and a step.
            if rough[k] + float(self.grid.pitch[0]) > best:
                best = max(best, self._exact(here[k]))
        return best

    def _rough(self, here: FloatArray) -> FloatArray:
        """Depth of each point to about a grid step, (k,): the outline taken at the next of some levels below the point."""
        from scipy.ndimage import distance_transform_edt

        step = float(self.grid.pitch[0])
        share = (here[:, 2] - self.low) / max(self.high - self.low, 1e-12)
        level = np.clip((share * LEVELS).astype(np.int64), 0, LEVELS - 1)
        x, y = (np.round((here[:, k] - self.grid.low[k]) / step).astype(np.int64).clip(0, self.grid.count[k] - 1) for k in (0, 1))
        depth = np.zeros(len(here))
        for k in np.unique(level).tolist():
            mine = level == k
            if k not in self.fields:
                shut = self.top > self.low + (self.high - self.low) * k / LEVELS
                self.fields[k] = distance_transform_edt(shut, sampling=step).astype(np.float32)
            depth[mine] = self.fields[k][y[mine], x[mine]]
        return depth

    def _exact(self, at: FloatArray) -> float:
        """Distance square to the pull from a point (3,) to the nearest free line.

        The edge of what overhangs a point is made of outline edges above it and of the skin's cut at its height. Their nearest points
        are tried from the nearest on: a line a hair beyond one that meets nothing from the point's height on is free.
        """
        hair = 4 * self.rays.gap + NUDGE
        if self._free(at + hair * _COMPASS, NUDGE).any():
            return 0.0
        segments = np.vstack((self._outline_above(at[2]), self._cut(at[2])))
        if not len(segments):
            return 0.0
        a, b = segments[:, 0], segments[:, 1]
        along = b - a
        length = np.einsum("ij,ij->i", along, along)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(length > 0, np.einsum("ij,ij->i", at[:2] - a, along) / length, 0.0)
        nearest = a + np.clip(share, 0, 1)[:, None] * along
        away = nearest - at[:2]
        distance = np.linalg.norm(away, axis=1)
        order = np.argsort(distance)
        for begin in range(0, len(order), 128):
            some = order[begin : begin + 128]
            with np.errstate(invalid="ignore", divide="ignore"):
                unit = np.where(distance[some, None] > 0, away[some] / distance[some, None], 0.0)
            spots = np.column_stack((nearest[some] + hair * unit, np.full(len(some), at[2])))
            free = self._free(spots, NUDGE)
            if free.any():
                return float(distance[some][np.argmax(free)])
        return 0.0

    def _free(self, spots: FloatArray, lift: float) -> BoolArray:
        start = (spots + np.array([0.0, 0.0, lift])) @ self.frame
        met, _ = self.rays.first(start, np.broadcast_to(self.pull, start.shape))
        clear: BoolArray = met < 0
        return clear

    def _outline_above(self, height: float) -> FloatArray:
        """Outline edges as far as they lie above a height, in plan: (k, 2, 2)."""
        ends = self.points[self.outline]
        return _clipped(ends, height)

    def _cut(self, height: float) -> FloatArray:
        """The skin's cut at a height, in plan: (k, 2, 2)."""
        across = np.flatnonzero((self.face_low <= height) & (self.face_high > height))
        z = self.points[self.faces[across], 2] - height
        corner = self.points[self.faces[across], :2]
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
