"""Where to cut a part that is larger than the bed: how many cuts, which way, and at which heights its section is simple and small."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np

from lint.measure.bed import lies
from lint.measure.bed import outline as taut
from lint.terms import FloatArray, IntArray

# A piece thinner than this is a slice that nobody can hold while it is glued, mm (common practice, no source).
THINNEST = 25.0
PLACES = 61  # tried along the part; a number that puts none in the very middle, where seams of made solids are
LAYERS = 60
OUTLINE = 0.5  # what a second outline costs, as a share of the largest section
MOST_PIECES = 27
# Skin that leans by less than 20 degrees from a cut and comes within BESIDE mm of it makes a feather edge: FEATHER mm2 of it cost as much
# as a whole section, and it costs WORST at most (common practice, no source).
LEVEL = float(np.cos(np.radians(20.0)))
BESIDE = 2.0
FINE = 0.005  # mm that a section may stray, so that it has no needless corners
FEATHER, WORST = 100.0, 3.0
FITS = 1e-6


@dataclass(frozen=True)
class Frame:
    """The part's own length, width and upright: along: (3, 3) unit rows; low, high: (3,) its reach along each, mm.

    layers: its taut outlines (h, 2) seen from above along the first two, in LAYERS equal layers from low to high.
    """

    along: FloatArray
    low: FloatArray
    high: FloatArray
    layers: tuple[FloatArray, ...]

    def outline(self, low: float, high: float) -> FloatArray:
        """The taut outline, (h, 2), of what lies between two heights, or a little more."""
        step = (self.high[2] - self.low[2]) / LAYERS
        first, last = (int(np.clip((z - self.low[2]) // step, 0, LAYERS - 1)) for z in (low, high))
        return taut(np.vstack(self.layers[first : last + 1]))

    def view(self, axis: int) -> FloatArray:
        """(3, 3) rows: two directions in a cut square to an axis and the axis itself, right-handed; upright cuts have up second."""
        u, v, z = self.along
        return np.stack(((v, z, u), (-u, z, v), (u, v, z))[axis])


Cuts = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]


def frame_of(vertices: FloatArray, faces: IntArray, turn: float) -> Frame:
    """The frame of a closed part whose length lies `turn` degrees from x."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    along = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    corner = (vertices @ along.T)[faces]
    low, high = corner.min(axis=(0, 1)), corner.max(axis=(0, 1))
    first, last = corner[:, :, 2].min(axis=1), corner[:, :, 2].max(axis=1)
    ends = np.linspace(low[2], high[2], LAYERS + 1)
    layers = [corner[(last >= below) & (first <= above), :, :2].reshape(-1, 2) for below, above in pairwise(ends)]
    return Frame(along, low, high, tuple(taut(points) for points in layers))


def counts(frame: Frame, bed: tuple[float, float, float]) -> Iterator[tuple[int, int, int]]:
    """Numbers of pieces along length, width and height that can fit the bed, the fewest pieces first."""
    size = frame.high - frame.low
    most = [int(min(size[k] // THINNEST, MOST_PIECES)) or 1 for k in range(3)]
    ways = [(a, b, c) for a, b, c in product(*(range(1, m + 1) for m in most)) if a * b * c <= MOST_PIECES]
    ways = [n for n in ways if size[2] / n[2] <= bed[2] * (1 + FITS)]
    yield from sorted(ways, key=lambda n: (n[0] * n[1] * n[2], sum(n), n[2], n[1]))


def chosen(
    frame: Frame,
    bed: tuple[float, float, float],
    number: tuple[int, int, int],
    cost: Callable[[int, float], float],
    nudge: Callable[[int, float, float], float],
) -> Cuts | None:
    """The cheapest heights at which to cut, `number` pieces along each axis, so that every piece fits the bed; None when none do.

    cost(axis, height) is asked once a height; infinite where no cut may be. nudge(axis, height, reach): a better one near by.
    """
    size = frame.high - frame.low
    cuts: list[tuple[float, ...]] = [
        tuple(float(frame.low[k] + size[k] * i / number[k]) for i in range(1, number[k])) for k in range(3)
    ]
    for axis in (2, 0, 1):
        if number[axis] == 1:
            continue
        found = _along(axis, frame, bed, number[axis], cuts, cost, nudge)
        if found is None:
            return None
        cuts[axis] = found
    whole = _cells(frame, cuts)
    if not all(_fits(frame, bed, cell) for cell in whole):
        return None
    return cuts[0], cuts[1], cuts[2]


def _along(
    axis: int,
    frame: Frame,
    bed: tuple[float, float, float],
    number: int,
    cuts: list[tuple[float, ...]],
    cost: Callable[[int, float], float],
    nudge: Callable[[int, float, float], float],
) -> tuple[float, ...] | None:
    """The cheapest chain of cuts along one axis, the others as they are: shortest path over the heights tried."""
    low, high = float(frame.low[axis]), float(frame.high[axis])
    least = min(THINNEST, (high - low) / number / 2)
    tried = np.linspace(low, high, PLACES + 1)[1:-1] + 0.0137
    tried = np.unique([nudge(axis, float(at), (high - low) / PLACES / 2) for at in tried])
    tried = tried[(tried > low + least) & (tried < high - least)]
    ends = np.concatenate(([low], tried, [high]))
    others = [pairwise((frame.low[k], *cuts[k], frame.high[k])) if k != axis else None for k in range(3)]
    ranges = [list(o) for o in others if o is not None]

    def slab(a: float, b: float) -> bool:
        for pair in product(*ranges):
            cell = list(pair)
            cell.insert(axis, (a, b))
            if not _fits(frame, bed, tuple(cell)):
                return False
        return True

    farthest = np.array([_farthest(ends, i, slab) for i in range(len(ends))])
    price = np.full(len(ends), np.nan)
    middle = (np.arange(1, number) / number) * (high - low) + low
    best = np.full((number + 1, len(ends)), np.inf)
    came = np.zeros((number + 1, len(ends)), dtype=np.int64)
    best[0, 0] = 0.0
    for step in range(1, number + 1):
        for j in range(1, len(ends)):
            if (step == number) != (j == len(ends) - 1):
                continue
            before = np.flatnonzero((farthest >= j) & (ends <= ends[j] - least) & np.isfinite(best[step - 1]))
            if not len(before):
                continue
            if step < number and np.isnan(price[j]):
                price[j] = cost(axis, float(ends[j]))
            own = 0.0
            if step < number:
                own = price[j] + 0.1 * abs(ends[j] - middle[step - 1]) / (high - low)
            i = before[np.argmin(best[step - 1][before])]
            best[step, j], came[step, j] = best[step - 1, i] + own, i
    if not np.isfinite(best[number, -1]):
        return None
    at, found = len(ends) - 1, []
    for step in range(number, 1, -1):
        at = int(came[step, at])
        found.append(float(ends[at]))
    return tuple(reversed(found))


def _farthest(ends: FloatArray, start: int, slab: Callable[[float, float], bool]) -> int:
    """The last end up to which a slab from `start` still fits the bed."""
    low, high = start, len(ends) - 1
    while low < high:
        middle = (low + high + 1) // 2
        if slab(float(ends[start]), float(ends[middle])):
            low = middle
        else:
            high = middle - 1
    return low


Cell = tuple[tuple[float, float], ...]


def _cells(frame: Frame, cuts: list[tuple[float, ...]]) -> list[Cell]:
    return [tuple(c) for c in product(*(list(pairwise((frame.low[k], *cuts[k], frame.high[k]))) for k in range(3)))]


def _fits(frame: Frame, bed: tuple[float, float, float], cell: Cell) -> bool:
    """Whether what the taut outline of its heights leaves in a cell fits the bed at some turn: no piece in the cell is larger."""
    (u0, u1), (v0, v1), (z0, z1) = cell
    if z1 - z0 > bed[2] * (1 + FITS):
        return False
    flat = frame.outline(z0, z1)
    for k, (a, b) in ((0, (u0, u1)), (1, (v0, v1))):
        flat = _kept(_kept(flat, k, a, 1.0), k, b, -1.0)
        if len(flat) < 2:
            return True
    return lies(taut(flat), bed[:2])[1] is not None


def _kept(flat: FloatArray, axis: int, at: float, sign: float) -> FloatArray:
    """What of a convex outline (n, 2) lies beyond a line square to an axis."""
    if not len(flat):
        return flat
    value = sign * (flat[:, axis] - at)
    after = np.roll(value, -1)
    crossing: IntArray = np.flatnonzero((value > 0) != (after > 0))
    share = value[crossing] / (value[crossing] - after[crossing])
    made = flat[crossing] + share[:, None] * (np.roll(flat, -1, axis=0)[crossing] - flat[crossing])
    order = np.concatenate((np.flatnonzero(value > 0) * 2, crossing * 2 + 1))
    kept: FloatArray = np.vstack((flat[value > 0], made))[np.argsort(order, kind="stable")]
    return kept


class Sections:
    """Flat sections of a solid, square to the axes of a frame."""

    def __init__(self, solid: Any, frame: Frame) -> None:
        self.frame = frame
        mesh = solid.to_mesh64()
        corner = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3][np.asarray(mesh.tri_verts, dtype=np.int64)] @ frame.along.T
        double = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        size = np.linalg.norm(double, axis=1)
        self._kept: dict[tuple[int, float], Any] = {}
        self._flat = []
        for axis in range(3):
            level = np.abs(double[:, axis]) > LEVEL * size
            along = corner[level, :, axis]
            self._flat.append((along.min(axis=1) - BESIDE, along.max(axis=1) + BESIDE, size[level] / 2))
        self._turned = [solid.transform(np.column_stack((frame.view(k), np.zeros(3)))) for k in range(3)]

    def at(self, axis: int, height: float) -> Any:
        """The section at a height along an axis, in the first two directions of its view (manifold3d CrossSection)."""
        key = (axis, round(height, 6))
        if key not in self._kept:
            self._kept[key] = self._turned[axis].slice(key[1]).simplify(FINE)
        return self._kept[key]

    def cost(self, axis: int, height: float) -> float:
        """Less for a small section in one outline, as a share of the box's, that meets no skin running along it, which would leave a
        feather edge; infinite where there is nothing to join."""
        size = self.frame.high - self.frame.low
        section = self.at(axis, height)
        area = section.area()
        if area < 1.0:
            return float("inf")
        outlines = sum(1 for piece in section.decompose())
        others = [size[k] for k in range(3) if k != axis]
        low, high, skin = self._flat[axis]
        feather = float(skin[(low < height) & (high > height)].sum()) / FEATHER
        return float(area / (others[0] * others[1]) + OUTLINE * (outlines - 1) + min(feather, WORST))
