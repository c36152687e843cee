"""Where on a flat face a block of letters fits largest: every way of breaking the lines, several turns, by bisection over the size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lint.shape.lettering import size
from lint.terms import BoolArray, FloatArray, IntArray

TALLEST = 10.0  # mm: read at arm's length without stooping (common practice, no source)
THICK = 9.0  # a capital is at most this many grooves high, so that a large one does not look like a scratch
ROUNDS = 12
TURNS = (0.0, 90.0, 45.0, -45.0, 22.5, -67.5, 67.5, -22.5)


@dataclass(frozen=True)
class Placed:
    """lines: as they are broken; height: of a capital, mm; stroke: width of the groove, mm; at: (2,) the middle of the block, mm;
    turn: of the line of writing, degrees."""

    lines: tuple[str, ...]
    height: float
    stroke: float
    at: FloatArray
    turn: float


def stroke_for(height: float, least: float) -> float:
    """Width of the grooves of letters of a height: the narrowest that prints, and wider for large letters."""
    return max(least, height / THICK)


def broken(words: Sequence[str]) -> list[tuple[str, ...]]:
    """Every way to break words into lines, the fewest lines first."""
    ways: list[tuple[str, ...]] = []
    for bits in range(2 ** max(len(words) - 1, 0)):
        lines = [words[0]]
        for k, word in enumerate(words[1:]):
            if bits >> k & 1:
                lines.append(word)
            else:
                lines[-1] += " " + word
        ways.append(tuple(lines))
    return sorted(ways, key=len)


def placed(
    free: BoolArray, low: FloatArray, step: float, words: Sequence[str], least: float, stroke: float, first_turn: float
) -> Placed | None:
    """The words as large as they fit, between capitals of `least` mm and TALLEST; None when they do not.

    free: [y, x] where a groove's neighbourhood may be, at low + step * (x, y). first_turn: degrees, the way along the face; other turns
    are tried only while the letters are not TALLEST. Of equal places the one nearest the middle of what is free.
    """
    if not free.any():
        return None
    rows, columns = np.nonzero(free)
    middle = np.array([columns.mean(), rows.mean()])
    best: Placed | None = None
    for turn in TURNS:
        angle = np.radians(turn + first_turn)
        field, centre, back = _turned(free, middle, angle)
        total = np.zeros((field.shape[0] + 1, field.shape[1] + 1), dtype=np.int64)
        total[1:, 1:] = field.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
        for lines in broken(words):
            floor = least if best is None else best.height * 1.02
            found = _largest(total, lines, floor, stroke, step)
            if found is None:
                continue
            height, starts, (wide, tall) = found
            spots = starts + np.array([wide, tall]) / 2 - 0.5
            near = int(np.argmin(((spots - centre) ** 2).sum(axis=1)))
            at = middle + back @ (spots[near] - centre)
            best = Placed(lines, height, stroke_for(height, stroke), low + step * at, _upright(turn + first_turn))
        if best is not None and best.height >= TALLEST:
            break
    return best


def _largest(
    total: IntArray, lines: tuple[str, ...], least: float, stroke: float, step: float
) -> tuple[float, IntArray, tuple[int, int]] | None:
    """The largest height of a capital at which the block fits, all its places (k, 2) as x, y of a corner, and its cells across and up."""

    def places(height: float) -> tuple[IntArray, tuple[int, int]]:
        across, up = size(lines, height, stroke_for(height, stroke))
        wide, tall = int(np.ceil(across / step)) + 1, int(np.ceil(up / step)) + 1
        if tall >= total.shape[0] or wide >= total.shape[1]:
            return np.zeros((0, 2), dtype=np.int64), (wide, tall)
        inside = total[tall:, wide:] - total[:-tall, wide:] - total[tall:, :-wide] + total[:-tall, :-wide]
        return np.argwhere(inside == wide * tall)[:, ::-1], (wide, tall)

    low, high = least, TALLEST
    spots, cells = places(high)
    if len(spots):
        return high, spots, cells
    spots, cells = places(low)
    if not len(spots):
        return None
    for _ in range(ROUNDS):
        try_height = (low + high) / 2
        more, more_cells = places(try_height)
        if len(more):
            low, spots, cells = try_height, more, more_cells
        else:
            high = try_height
    return low, spots, cells


def _turned(free: BoolArray, middle: FloatArray, angle: float) -> tuple[BoolArray, FloatArray, FloatArray]:
    """The field seen along a direction, its own middle (x, y) there, and the matrix that takes steps in it back to the field."""
    c, s = float(np.cos(angle)), float(np.sin(angle))
    back = np.array([[c, -s], [s, c]])
    reach = int(np.ceil(np.hypot(*free.shape))) // 2 + 1
    offset = np.arange(-reach, reach + 1)
    u, v = np.meshgrid(offset, offset)
    x = np.round(middle[0] + c * u - s * v).astype(np.int64)
    y = np.round(middle[1] + s * u + c * v).astype(np.int64)
    good = (x >= 0) & (y >= 0) & (x < free.shape[1]) & (y < free.shape[0])
    field = np.zeros(u.shape, dtype=bool)
    field[good] = free[y[good], x[good]]
    return field, np.array([reach, reach], dtype=np.float64), back


def _upright(turn: float) -> float:
    """The same line of writing with its turn between -90 and 90 degrees."""
    return (turn + 90.0) % 180.0 - 90.0
