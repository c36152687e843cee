"""Outlines in level skin: the holes, sockets, pegs and letters in the base and on the land around what stands on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.land import Land
from lint.measure.rays import Rays
from lint.measure.shells import joined
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray, NotRun

# Sides lean by less than about 46 degrees from the upright, given as its sine: a bevelled edge still is a side, a floor is none.
STEEP = 0.72

# How deep a letter is cut, mm: less is a scratch, more is a slot.
SHALLOW = (0.2, 5.0)


@dataclass(frozen=True)
class Loop:
    """An outline in level skin. x, y: its middle, mm; width: of a circle of its area, mm; round: 4 pi area / length^2, 1 for a circle;
    step: how far the steep skin beside it goes up or down, mm; reach: how far it is from its middle, along the upright, to the next
    skin, infinite when there is none; outer: it goes round its skin and does not lie in it."""
    x: float
    y: float
    width: float
    round: float
    step: float
    reach: float
    outer: bool

    @property
    def blind(self) -> bool:
        """Whether what it goes round ends where its sides do: a socket or a peg, and no hole into a hollow."""
        return self.reach <= 1.2 * self.step + 0.5


@dataclass(frozen=True)
class BaseLoops:
    """base: outlines in the skin that lies on the bed; land: outlines in the level skin around what stands on it."""
    base: tuple[Loop, ...]
    land: tuple[Loop, ...]

    @property
    def letters(self) -> int:
        """How many outlines of the base look like writing: shallow and not round, or with an island in them."""
        cut = [k for k in self.base if not k.outer and SHALLOW[0] <= k.step <= SHALLOW[1]]
        islands = [k for k in self.base if k.outer]
        return sum(k.round < 0.85 or any(_within(island, k) for island in islands) for k in cut)


def _within(island: Loop, hole: Loop) -> bool:
    """Whether an outline lies in a hole, as near as their middles and sizes tell."""
    return island.width < hole.width and float(np.hypot(island.x - hole.x, island.y - hole.y)) < hole.width / 2


@measure
def base_loops(skin: Skin, edges: Edges, facets: Faces, contact: Contact, land: Land, rays: Rays) -> BaseLoops:
    """Every outline of the base and of the land, largest first. Raises NotRun when the part rests on no flat base."""
    if not len(contact.faces):
        raise NotRun("the part rests on no flat base")
    on = np.zeros(len(skin.faces), dtype=bool)
    on[contact.faces] = True
    steep = np.abs(facets.normal[:, 2]) < STEEP
    below = _loops_of(on, steep, skin, edges, rays, contact.lowest, up=True)
    if land.area <= 0:
        return BaseLoops(below, ())
    rise = skin.vertices[skin.faces, 2].mean(axis=1) - contact.lowest
    level = (facets.normal[:, 2] > np.cos(np.radians(5.0))) & (np.abs(rise - land.height) <= 0.5)
    return BaseLoops(below, _loops_of(level, steep, skin, edges, rays, contact.lowest + land.height, up=False))


def _loops_of(on: BoolArray, steep: BoolArray, skin: Skin, edges: Edges, rays: Rays, height: float, up: bool) -> tuple[Loop, ...]:
    """Outlines of the faces marked in `on`: the edges where they meet other faces, chained where they touch."""
    one, two = edges.neighbours.T
    apart = on[one] != on[two]
    edge = edges.neighbour_edge[apart]
    if not len(edge):
        return ()
    mine = np.where(on[one[apart]], one[apart], two[apart])
    other = np.where(on[one[apart]], two[apart], one[apart])
    ends = edges.ends[edge]
    start, end = _directed(skin, mine, ends)
    used, index = np.unique(ends, return_inverse=True)
    index = index.reshape(-1, 2)
    label = components(len(used), index[:, 0], index[:, 1])[0][index[:, 0]]
    count = int(label.max()) + 1
    middle = skin.vertices[used].mean(axis=0)[:2]
    a, b = skin.vertices[start, :2] - middle, skin.vertices[end, :2] - middle
    twice = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    area = np.bincount(label, weights=twice, minlength=count) / 2 * (-1 if up else 1)
    length = np.bincount(label, weights=np.linalg.norm(b - a, axis=1), minlength=count)
    centre = np.stack([np.bincount(label, weights=(a[:, k] + b[:, k]) * twice, minlength=count) for k in (0, 1)], axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = np.where(area[:, None] != 0, centre / (6 * area[:, None] * (-1 if up else 1)), 0.0) + middle
    far = _climbs(~on & steep, skin, edges, height)[other]
    step = np.zeros(count)
    np.maximum.at(step, label, far)
    size = np.abs(area)
    origin = np.column_stack((centre, np.full(count, height + (-1e-3 if up else 1e-3))))
    toward = np.array([0.0, 0.0, 1.0 if up else -1.0])
    _, reach = rays.first(origin, np.broadcast_to(toward, origin.shape))
    _, back = rays.first(origin, np.broadcast_to(-toward, origin.shape))
    reach = np.minimum(reach, back)
    loops = [
        Loop(float(centre[k, 0]), float(centre[k, 1]), float(2 * np.sqrt(size[k] / np.pi)), float(4 * np.pi * size[k] / length[k] ** 2),
             float(step[k]), float(reach[k]), bool(area[k] > 0))
        for k in np.argsort(-size) if size[k] > 0
    ]  # fmt: skip
    return tuple(loops)


def _climbs(steep: BoolArray, skin: Skin, edges: Edges, height: float) -> FloatArray:
    """How far from a height each face goes, (m,) mm, or, where it is steep, all the steep skin that hangs together with it.

    So a side says the same however finely it is cut; it ends where the skin turns level: at the floor of a socket, or in a hollow.
    """
    off = np.abs(skin.vertices[:, 2] - height)
    far: FloatArray = np.maximum.reduce([np.take(off, np.ascontiguousarray(skin.faces[:, k])) for k in range(3)])
    chosen = np.flatnonzero(steep)
    label, count = joined(chosen, edges.neighbours, len(skin.faces))
    most = np.zeros(count)
    np.maximum.at(most, label, far[chosen])
    far[chosen] = most[label]
    return far


def _directed(skin: Skin, face: IntArray, ends: IntArray) -> tuple[IntArray, IntArray]:
    """The two ends of an edge of a face in the order in which the face runs along it."""
    corner = skin.faces[face]
    following = np.roll(corner, -1, axis=1)
    forward = ((corner == ends[:, :1]) & (following == ends[:, 1:])).any(axis=1)
    return np.where(forward, ends[:, 0], ends[:, 1]), np.where(forward, ends[:, 1], ends[:, 0])
