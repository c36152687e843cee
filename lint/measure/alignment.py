"""Two skins laid on each other as well as they will go, and how far apart they then are.

First turns to try: those between the principal directions, the turns of the axes of the file, and a net of turns where the
principal directions are ill-defined. The best few are refined point to plane (Y. Chen and G. Medioni, Object modelling by
registration of multiple range images, 1992), the last against the very faces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import permutations, product
from typing import Any

import numpy as np

from lint.measure.displacement import sample
from lint.measure.moments import moments_of
from lint.measure.nearest import Closest
from lint.terms import BoolArray, FloatArray, IntArray

_SAMPLES = 20_000  # points to measure by
_GUIDES = 1_500  # points to align by
_ROUGH = 400  # points to align by at first
_SCOUTS = 200  # points to tell a good first turn by
_KEPT = 6  # first turns worth refining
_HAIR = 30  # what a hair of turn adds to the distance at most, in tolerances
_UNCLEAR = 0.05  # principal directions are ill-defined when their shares are nearer together than this


Nearest = Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]


class Surface:
    """A skin made ready to be laid on another: vertices (n, 3), faces (m, 3). Raises NotRun when there is no skin to speak of.

    Inside, it lies with its middle at the origin, so that coordinates far away cost no precision.
    """

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        self.moments = moments_of(vertices, faces)
        self.vertices = np.ascontiguousarray(vertices - self.moments.middle)
        self.faces = np.ascontiguousarray(faces)
        points, normals, _ = sample(self.vertices, self.faces, _SAMPLES, 1)
        self.points, self.normals = points[:_SAMPLES], normals[:_SAMPLES]

    @cached_property
    def _closest(self) -> Closest:
        return Closest(self.vertices, self.faces)

    @cached_property
    def _cloud(self) -> Any:
        from scipy.spatial import cKDTree

        return cKDTree(self.points)

    @cached_property
    def corners(self) -> FloatArray:
        """The corners of the skin (k, 3), or a seeded choice of them when there are more than are measured anyway."""
        used = np.zeros(len(self.vertices), dtype=bool)
        used[self.faces.reshape(-1)] = True
        number = np.flatnonzero(used)
        if len(number) > _SAMPLES:
            number = np.random.default_rng(2).choice(number, _SAMPLES, replace=False)
        return self.vertices[number]

    def nearest(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Distance (k,), nearest point (k, 3) and normal there (k, 3) on the very faces."""
        far, face, at = self._closest(points)
        a, b, c = (self.vertices[self.faces[face, i]] for i in range(3))
        normal = np.cross(b - a, c - a)
        normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
        return far, at, normal

    def about(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """As `nearest`, but on the plane through the nearest sampled point: fast and nearly right."""
        _, index = self._cloud.query(points)
        off = np.einsum("ij,ij->i", points - self.points[index], self.normals[index])
        return np.abs(off), points - off[:, None] * self.normals[index], self.normals[index]

    def far(self, points: FloatArray) -> FloatArray:
        """Mean squared distance of groups of points (g, k, 3) from the nearest sampled points, (g,)."""
        distance, _ = self._cloud.query(points.reshape(-1, 3))
        square: FloatArray = (np.asarray(distance).reshape(points.shape[:2]) ** 2).mean(axis=1)
        return square


@dataclass(frozen=True)
class Fit:
    """How `one` was laid on `other`, and what is left between them.

    matrix: (4, 4) takes the points of `one` to those of `other`. points: (k, 3) measured points of both, in the coordinates of
    `other`; off: (k,) distance of each from the skin it is not of; there: how many of them are of `one`; those come first.
    """

    matrix: FloatArray
    points: FloatArray
    off: FloatArray
    there: int

    @property
    def most(self) -> float:
        """The largest distance, either way."""
        return float(self.off.max())

    @property
    def p99(self) -> float:
        """The distance that 99 of 100 points do not pass, of the two ways the larger: a part of the other is not its match."""
        return max(float(np.quantile(self.off[: self.there], 0.99)), float(np.quantile(self.off[self.there :], 0.99)))


def laid_on(one: Surface, other: Surface, *, mirrored: bool = False, factor: float = 1.0) -> Fit:
    """The skin `one`, scaled by `factor` and mirrored if so asked, laid on `other` as well as it goes. Measured evenly by area."""
    turn, shift = _refined(one, other, mirrored, factor)
    return _measured(one, other, turn, shift, factor, corners=False)


def same_as(one: Surface, other: Surface, *, within: float, factor: float = 1.0) -> Fit | None:
    """How `one`, scaled by `factor`, lies on `other` with no measured point or corner further off than `within`; None if it cannot.

    Of all ways that fit, the plainest: as it lies, turned from axis to axis, turned freely, mirrored last.
    """
    for mirrored in (False, True):
        for turn, shift in _ways(one, other, mirrored, factor, within):
            if _scouted(one, other, turn[None], shift, factor)[0] <= within:
                fit = _measured(one, other, turn, shift, factor, corners=True)
                if fit.most <= within:
                    return fit
    return None


def _ways(one: Surface, other: Surface, mirrored: bool, factor: float, within: float) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Turns and shifts by which the one may be the other again, the plainest first.

    Clear principal directions of one skin, written twice, agree to a hair: what does not nearly fit between them is another skin.
    """
    still = np.zeros(3)
    if not _unclear(one, other).any():
        turns = _between(one, other, mirrored)
        for turn in turns[_scouted(one, other, turns, still, factor) <= _HAIR * within]:
            yield _stepped(factor * one.points[:_GUIDES], turn, still, other.nearest, 20, 1e-9)
        return
    turns = _axis_turns(mirrored)
    yield from ((turn, still) for turn in turns[_scouted(one, other, turns, still, factor) <= within])
    yield _refined(one, other, mirrored, factor)


def _scouted(one: Surface, other: Surface, turns: FloatArray, shift: FloatArray, factor: float) -> FloatArray:
    """The farthest that a few points of the one lie off the other after each of the turns (g, 3, 3), (g,)."""
    points = np.einsum("gij,kj->gki", turns, factor * one.points[:_SCOUTS]) + shift
    off: FloatArray = other.nearest(points.reshape(-1, 3))[0].reshape(len(turns), -1).max(axis=1)
    return off


def _measured(one: Surface, other: Surface, turn: FloatArray, shift: FloatArray, factor: float, *, corners: bool) -> Fit:
    there = one.points if not corners else np.vstack((one.points, one.corners))
    back = other.points if not corners else np.vstack((other.points, other.corners))
    there = factor * there @ turn.T + shift
    off = np.concatenate((other.nearest(there)[0], factor * one.nearest((back - shift) @ turn / factor)[0]))
    matrix = np.eye(4)
    matrix[:3, :3] = factor * turn
    matrix[:3, 3] = other.moments.middle + shift - factor * turn @ one.moments.middle
    return Fit(matrix, np.vstack((there, back)) + other.moments.middle, off, len(there))


def _refined(one: Surface, other: Surface, mirrored: bool, factor: float) -> tuple[FloatArray, FloatArray]:
    """The best turn (3, 3) and shift (3,) found, from middle to middle."""
    turns = _first_turns(one, other, mirrored)
    guides = factor * one.points[:_GUIDES]
    score = other.far(np.einsum("gij,kj->gki", turns, guides[:_SCOUTS]))
    best: tuple[float, FloatArray, FloatArray] | None = None
    for index in _apart(turns, np.argsort(score, kind="stable")):
        turn, shift = _stepped(guides[:_ROUGH], turns[index], np.zeros(3), other.about, 12, 1e-4)
        off = float(other.far((guides @ turn.T + shift)[None])[0])
        if best is None or off < best[0]:
            best = (off, turn, shift)
    assert best is not None
    return _stepped(guides, best[1], best[2], other.nearest, 20, 1e-9)


def _apart(turns: FloatArray, order: IntArray) -> list[int]:
    """The first few in this order that are not within about 15 degrees of one taken already."""
    kept: list[int] = []
    for index in order:
        trace = np.einsum("gij,ij->g", turns[kept], turns[index]) if kept else np.zeros(0)
        if (trace < 2.93).all():
            kept.append(int(index))
        if len(kept) == _KEPT:
            break
    return kept


def _stepped(
    guides: FloatArray, turn: FloatArray, shift: FloatArray, nearest: Nearest, steps: int, still: float
) -> tuple[FloatArray, FloatArray]:
    """Moves that bring the points onto the planes they are nearest to, by linear least squares, until they hardly move.

    still: the share of their size that is no longer a move.

    Directions in which the skin slides along itself (a ball turned, a pipe pushed along) are left as they are.
    """
    size = float(np.sqrt((guides**2).sum(axis=1).mean()))
    for _ in range(steps):
        points = guides @ turn.T + shift
        _, at, normal = nearest(points)
        rows = np.column_stack((np.cross(points, normal) / size, normal))
        wanted = np.einsum("ij,ij->i", at - points, normal)
        answer = np.linalg.lstsq(rows, wanted, rcond=1e-6)[0]
        small = _turn_by(answer[:3] / size)
        turn, shift = small @ turn, small @ shift + answer[3:]
        if np.abs(answer).max() < still * size:
            break
    return turn, shift


def _turn_by(angle: FloatArray) -> FloatArray:
    """The turn (3, 3) about a direction by its length in radians (Rodrigues' formula)."""
    length = float(np.linalg.norm(angle))
    if length < 1e-15:
        return np.eye(3)
    x, y, z = angle / length
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    turn: FloatArray = np.eye(3) + np.sin(length) * cross + (1 - np.cos(length)) * cross @ cross
    return turn


def _axis_turns(mirrored: bool) -> FloatArray:
    """The 24 turns that take axes to axes (or the 24 that mirror as well), the plainest first: (24, 3, 3)."""
    every = [np.eye(3)[list(order)] * signs for order in permutations(range(3)) for signs in product((1.0, -1.0), repeat=3)]
    return _plainest(np.array(every), mirrored)


def _between(one: Surface, other: Surface, mirrored: bool) -> FloatArray:
    """The four turns between principal directions, of which each has two signs, the plainest first: (4, 3, 3)."""
    every = [other.moments.axes.T @ np.diag(signs) @ one.moments.axes for signs in product((1.0, -1.0), repeat=3)]
    return _plainest(np.array(every), mirrored)


def _plainest(turns: FloatArray, mirrored: bool) -> FloatArray:
    """Those that mirror, or those that do not, the ones that turn least first."""
    kept = turns[np.linalg.det(turns) * (-1.0 if mirrored else 1.0) > 0]
    plain: FloatArray = kept[np.argsort(-np.trace(kept, axis1=1, axis2=2).round(6), kind="stable")]
    return plain


def _unclear(one: Surface, other: Surface) -> BoolArray:
    """Whether the first and the second, and the second and the third principal direction are ill-defined, (2,)."""
    gap = np.minimum(-np.diff(one.moments.spread), -np.diff(other.moments.spread))
    unclear: BoolArray = gap < _UNCLEAR
    return unclear


def _first_turns(one: Surface, other: Surface, mirrored: bool) -> FloatArray:
    """(g, 3, 3) turns to try: between principal directions, from axis to axis, and, where two or three principal values nearly
    agree, so that any turn among them may be the right one, a net of turns."""
    between = _between(one, other, mirrored)
    net = [between, _axis_turns(mirrored)]
    unclear = _unclear(one, other)
    if unclear.all():
        flip = np.diag([-1.0, 1.0, 1.0]) if mirrored else np.eye(3)
        net.append(_all_turns(1_000) @ flip)
    elif unclear.any():
        axis = other.moments.axes[2 if unclear[0] else 0]
        net += [_turn_by(angle * axis)[None] @ between for angle in np.radians(np.arange(7.5, 180, 7.5))]
        net += [_turn_by(-angle * axis)[None] @ between for angle in np.radians(np.arange(7.5, 180, 7.5))]
    return np.concatenate(net)


def _all_turns(count: int) -> FloatArray:
    """Turns spread evenly over all there are, (count, 3, 3), by super-Fibonacci spirals (M. Alexa, 2022; constants from memory)."""
    s = np.arange(count) + 0.5
    near, far = np.sqrt(s / count), np.sqrt(1 - s / count)
    a, b = 2 * np.pi * s / 2**0.5, 2 * np.pi * s / 1.533751168755204288118041
    x, y, z, w = near * np.sin(a), near * np.cos(a), far * np.sin(b), far * np.cos(b)
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), 2, 0)
