"""How large a part is as a whole, how large people are, and which unit would make the two agree.

The table of people is body_sizes.csv (its sources are in body_sizes.txt). A buck is never the bare dimension: an ear comes with
skin round it, a head with a neck, a hand may be a fist. So a part is compared by its reach, the largest distance between
two of its points, which no turning changes, and each body part has its own room between the least and the most.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from lint.measure import measure
from lint.measure.shells import Shells
from lint.measure.surface import Skin, used_points
from lint.terms import MM_PER_UNIT, BoolArray, FloatArray, IntArray

# Units a scan comes in: what the ticket offers to a maker.
SCAN_UNITS = ("mm", "cm", "m", "in")

MANY = 20_000  # points from which on those that cannot lie farthest out are passed over, a GROUP at a time
GROUP = 32

# Hair and specks say nothing of the size of a part; a shell with a twentieth of the skin of the largest is no speck.
SPECK = 0.05


@dataclass(frozen=True)
class Reach:
    """length: the largest distance between two points of the part, specks left out; start and end: (3,) those points."""

    length: float
    start: FloatArray
    end: FloatArray


@dataclass(frozen=True)
class Life:
    """The least a part must reach is the smallest adult's `least` x `least_factor`; the most, the largest adult's
    `most` x `most_factor`. `why` says what the factors allow for."""

    least: str
    least_factor: float
    most: str
    most_factor: float
    why: str


# The factors are a judgement about bucks (common practice, no source); the dimensions they multiply are measured.
# Every room is narrower than tenfold even when widened by a tenth at both ends, so a slip of ten cannot hide in it.
LIFE: Mapping[str, Life] = {
    "ear": Life("ear length", 1.0, "ear length", 2.5, "an ear alone, up to an ear with 50 mm of skin round it"),
    "nose": Life("nose length", 1.0, "nose length", 3.0, "a nose alone, up to a nose with both cheeks"),
    "face": Life("face length", 1.0, "face length", 2.2, "chin to nose root, up to a mask with forehead, cheeks and margin"),
    "head": Life("head length", 1.0, "head length", 2.8, "a head cut at the jaw, up to a bust with shoulders"),
    "hand": Life("palm length", 1.2, "forearm and hand", 1.0, "a fist, corner to corner, up to a hand with its whole forearm"),
    "foot": Life("foot length", 1.0, "foot length", 2.2, "a foot, up to a foot with its lower leg"),
    "limb": Life("forearm and hand", 0.5, "forearm and hand", 2.0, "half a forearm, up to a whole leg"),
}


@dataclass(frozen=True)
class Dimension:
    """One row of the table of people, mm. Percentiles are NaN where only a band is known."""

    min: float
    p1: float
    p50: float
    p99: float
    max: float
    source: str


@cache
def people() -> Mapping[str, Dimension]:
    """The table of people by the name of the dimension, men and women together, adults, mm."""
    text = Path(__file__).with_name("body_sizes.csv").read_text(encoding="utf-8")

    def number(cell: str) -> float:
        return float(cell) if cell else float("nan")

    return {
        row["dimension"]: Dimension(
            number(row["min"]), number(row["p1"]), number(row["p50"]), number(row["p99"]), number(row["max"]), row["source"]
        )
        for row in csv.DictReader(text.splitlines())
    }


def life_size(body: str, widen: float = 0.10) -> tuple[float, float]:
    """The least and the most a life-size part of this body reaches, mm, each widened by a share. Raises KeyError for "other".

    Widened, because the table holds fit adults only: never the 5th to 95th percentile as a bound (facts 3.2.4).
    """
    life, table = LIFE[body], people()
    return (1 - widen) * life.least_factor * table[life.least].min, (1 + widen) * life.most_factor * table[life.most].max


def plausible_units(body: str, extents_in_file_numbers: Sequence[float] | FloatArray, widen: float = 0.10) -> list[str]:
    """The units that would make the part life-size, the best fit first: to be suggested, never assumed.

    extents_in_file_numbers: the three sides of the box around the part (their diagonal is compared), or the one reach.
    "other", and any body nobody measured, gives an empty list.
    """
    if body not in LIFE:
        return []
    least, most = life_size(body, widen)
    reach = float(np.linalg.norm(np.asarray(extents_in_file_numbers, dtype=np.float64)))
    fitting = [u for u in SCAN_UNITS if least <= reach * MM_PER_UNIT[u] <= most]
    life, table = LIFE[body], people()
    bare = np.sqrt(life.least_factor * table[life.least].max * least)
    return sorted(fitting, key=lambda u: abs(float(np.log(reach * MM_PER_UNIT[u] / bare))))


@measure
def body_reach(skin: Skin, shells: Shells) -> Reach:
    """The reach of a part without its specks: sweeps from far points to farther ones until none is farther.

    Each sweep only grows the distance; starting pairs come from 128 directions spread evenly over the sphere, so the result
    does not hang on how the part is turned.
    """
    counted = shells.area >= SPECK * shells.area.max(initial=0.0)
    if counted.all():
        points = used_points(skin)
        return farthest(points if len(points) else skin.vertices[:1])
    real = shells.label >= 0
    faces: BoolArray = np.zeros(len(skin.faces), dtype=bool)
    faces[real] = counted[shells.label[real]]
    used = np.zeros(len(skin.vertices), dtype=bool)
    used[skin.faces[faces].reshape(-1)] = True
    points = skin.vertices[used] if used.any() else skin.vertices[:1]
    return farthest(points)


def farthest(points: FloatArray) -> Reach:
    """The two points of (n, 3) that lie farthest apart."""
    axes = np.ascontiguousarray(points.T)
    directions = _directions(128)
    groups = _Groups(axes) if len(points) > MANY else None
    number = np.arange(len(points)) if groups is None else groups.outermost(directions)
    some = axes if groups is None else np.take(axes, number, axis=1)
    far = number[np.unique(np.concatenate([_ends(some, few) for few in np.array_split(directions, 32)]))]
    candidates = points[far]
    apart = np.linalg.norm(candidates[:, None] - candidates[None], axis=2)
    best = Reach(0.0, points[0], points[0])
    for flat in np.argsort(apart, axis=None)[::-1][:8:2]:  # each pair comes twice
        start = candidates[flat // len(far)]
        length = 0.0
        while True:
            if groups is not None:
                number = groups.farthest(start)
                some = np.take(axes, number, axis=1)
            x, y, z = (some[k] - start[k] for k in range(3))
            squared = x * x + y * y + z * z
            index = int(squared.argmax())
            reached = float(np.sqrt(squared[index]))
            if reached <= length * (1 + 1e-12):
                break
            length, start, end = reached, points[number[index]], start
        if length > best.length:
            best = Reach(length, start.copy(), end.copy())
    return best


class _Groups:
    """Boxes round every few points that follow each other among points (3, n), to pass over what cannot lie farthest out."""

    def __init__(self, axes: FloatArray) -> None:
        self._count = axes.shape[1]
        whole = self._count // GROUP * GROUP
        low, high = (
            np.concatenate((end(axes[:, :whole].reshape(3, -1, GROUP), axis=2), end(axes[:, whole - 1 :], axis=1)[:, None]), axis=1)
            for end in (np.min, np.max)
        )
        self._middle, self._half = (low + high) / 2, (high - low) / 2
        self._hair = 1e-9 * float(np.abs(axes).max())  # more than rounding may take

    def outermost(self, directions: FloatArray) -> IntArray:
        """Numbers of points that may lie farthest along one of the directions (k, 3), either way."""
        keep = np.zeros(self._middle.shape[1], dtype=bool)
        for some in np.array_split(directions, 8):
            middle, half = some @ self._middle, np.abs(some) @ self._half
            least, most = middle - half, middle + half
            keep |= (most >= least.max(axis=1)[:, None] - self._hair).any(axis=0)
            keep |= (least <= most.min(axis=1)[:, None] + self._hair).any(axis=0)
        return self._points(keep)

    def farthest(self, start: FloatArray) -> IntArray:
        """Numbers of points that may lie farthest from a point (3,)."""
        off = np.abs(self._middle - start[:, None])
        most = np.linalg.norm(off + self._half, axis=0)
        least = np.linalg.norm(np.maximum(off - self._half, 0.0), axis=0)
        return self._points(most >= least.max() - self._hair)

    def _points(self, keep: BoolArray) -> IntArray:
        kept = np.flatnonzero(keep)
        number = (kept[:, None] * GROUP + np.arange(GROUP)).reshape(-1)
        return np.asarray(number[number < self._count], dtype=np.int64)


def _ends(axes: FloatArray, directions: FloatArray) -> IntArray:
    """The points (3, n) farthest along each direction, either way."""
    along = directions @ axes
    return np.concatenate((along.argmin(axis=1), along.argmax(axis=1)))


def _directions(count: int) -> FloatArray:
    """Directions spread evenly over half the sphere (golden-angle spiral), (count, 3)."""
    k = np.arange(count) + 0.5
    z = k / count
    turn = np.pi * (1 + 5**0.5) * k
    across = np.sqrt(1 - z * z)
    return np.stack((across * np.cos(turn), across * np.sin(turn), z), axis=1)
