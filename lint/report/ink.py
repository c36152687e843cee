"""Paper, and what is drawn on it by hand: lines, discs, hatching, and words in the strokes of our own letters.

Colours are three numbers from 0 to 1. What a drawing says is said by line, pattern and number; colour only helps.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lint.shape.lettering import ALPHABET, TALL, Line, spelt
from lint.terms import BoolArray, FloatArray

Ink = tuple[float, float, float]
Pixels = NDArray[np.float32]

PAPER: Ink = (0.969, 0.957, 0.925)
GRAPHITE: Ink = (0.18, 0.18, 0.20)
SOFT: Ink = (0.47, 0.46, 0.45)  # for what stands back: bed, scale, small print; 4.5 to 1 and more against the paper
CHALK: Ink = (0.60, 0.17, 0.08)  # red chalk, for findings


def _sign(wide: float, *strokes: Line) -> tuple[float, tuple[Line, ...]]:
    return wide, strokes


# Signs that a caption needs and a groove in a base does not, on the grid of the letters.
_SIGNS = {
    ",": _sign(0.6, ((0.6, 0.5), (0.0, -1.2))),
    ";": _sign(0.6, ((0.6, 0.5), (0.0, -1.2)), ((0.6, 3.0), (0.6, 3.5))),
    "_": _sign(3.4, ((0.0, -0.6), (3.4, -0.6))),
    ":": _sign(0.0, ((0.0, 0.0), (0.0, 0.5)), ((0.0, 3.0), (0.0, 3.5))),
    "/": _sign(2.6, ((0.0, -0.6), (2.6, 6.6))),
    "(": _sign(1.2, ((1.2, 6.8), (0.0, 4.8), (0.0, 1.2), (1.2, -0.8))),
    ")": _sign(1.2, ((0.0, 6.8), (1.2, 4.8), (1.2, 1.2), (0.0, -0.8))),
    "+": _sign(2.6, ((0.0, 2.9), (2.6, 2.9)), ((1.3, 1.6), (1.3, 4.2))),
    "=": _sign(2.6, ((0.0, 2.1), (2.6, 2.1)), ((0.0, 3.8), (2.6, 3.8))),
    "'": _sign(0.0, ((0.0, 6.0), (0.0, 4.7))),
    "?": _sign(2.8, ((0.0, 5.0), (0.9, 6.0), (2.1, 6.0), (2.8, 5.0), (2.8, 4.1), (1.4, 3.0), (1.4, 2.0)), ((1.4, 0.0), (1.4, 0.4))),
    "%": _sign(4.4, ((0.0, 0.0), (4.4, 6.0)), ((0.7, 4.3), (0.0, 5.1), (0.7, 5.9), (1.4, 5.1), (0.7, 4.3)),
               ((3.7, 0.1), (3.0, 0.9), (3.7, 1.7), (4.4, 0.9), (3.7, 0.1))),
}  # fmt: skip
LETTERS = {**ALPHABET, **_SIGNS}
_GAP = 1.7  # between two letters, in units of the grid


def written(text: str) -> str:
    """A text in the signs there are: capitals, accents dropped, blanks single, and "?" for whatever cannot be drawn."""
    signs = []
    for sign in text.upper():
        if sign in LETTERS:
            signs.append(sign)
        else:
            signs.append(" " if sign.isspace() else spelt(sign)[0] or "?")
    return " ".join("".join(signs).split())


def length_of(text: str, height: float, weight: float = 1.3) -> float:
    """Pixels that a text is wide, with capitals `height` pixels tall drawn `weight` pixels thick."""
    unit = (height - weight) / TALL
    text = written(text)
    return sum(LETTERS[s][0] for s in text) * unit + max(len(text) - 1, 0) * _GAP * unit + weight


def shortened(text: str, height: float, room: float) -> str:
    """The text, cut with three dots where it is longer than `room` pixels."""
    if length_of(text, height) <= room:
        return text
    kept = written(text)
    while kept and length_of(kept + "...", height) > room:
        kept = kept[:-1]
    return kept.rstrip() + "..."


def lines_of(text: str, height: float, room: float, most: int) -> list[str]:
    """The text broken between words into at most so many lines of `room` pixels; what is too much is cut with three dots."""
    lines: list[str] = []
    words = written(text).split(" ")
    while words and len(lines) < most - 1:
        line = words.pop(0)
        while words and length_of(f"{line} {words[0]}", height) <= room:
            line += f" {words.pop(0)}"
        lines.append(shortened(line, height, room))
    return [*lines, shortened(" ".join(words), height, room)] if words else lines


class Sheet:
    """A sheet of paper, `pixels` (h, w, 3) float32. Points are (x, y) in pixels from the left upper corner."""

    def __init__(self, width: int, height: int) -> None:
        self.pixels: Pixels = np.broadcast_to(np.array(PAPER, dtype=np.float32), (height, width, 3)).copy()

    def bytes(self) -> NDArray[np.uint8]:
        """The sheet as (h, w, 3) bytes."""
        return (self.pixels.clip(0, 1) * 255 + 0.5).astype(np.uint8)

    def lay(self, mask: FloatArray, x: int, y: int, ink: Ink) -> None:
        """Ink through a mask (h, w) of shares from 0 to 1, its corner at (x, y); what falls off the sheet is lost."""
        height, width = self.pixels.shape[:2]
        x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + mask.shape[1], width), min(y + mask.shape[0], height)
        if x0 >= x1 or y0 >= y1:
            return
        share = mask[y0 - y : y1 - y, x0 - x : x1 - x, None].astype(np.float32)
        spot = self.pixels[y0:y1, x0:x1]
        spot += share * (np.array(ink, dtype=np.float32) - spot)

    def line(self, points: Sequence[tuple[float, float]], ink: Ink = GRAPHITE, weight: float = 1.3, dash: float = 0.0) -> None:
        """A line through the points with round ends, `weight` pixels thick; dash: length of dash and of gap in pixels, 0 for none."""
        for (x0, y0), (x1, y1) in pairwise(points):
            for a, b in _dashes((x0, y0), (x1, y1), dash):
                self._stretch(a, b, ink, weight)

    def _stretch(self, a: tuple[float, float], b: tuple[float, float], ink: Ink, weight: float) -> None:
        reach = weight / 2 + 1
        height, width = self.pixels.shape[:2]
        x, y = math.floor(max(min(a[0], b[0]) - reach, 0)), math.floor(max(min(a[1], b[1]) - reach, 0))
        x1, y1 = math.ceil(min(max(a[0], b[0]) + reach, width)), math.ceil(min(max(a[1], b[1]) + reach, height))
        if x1 > x and y1 > y:
            self.lay(_nib([(a[0] - x, a[1] - y), (b[0] - x, b[1] - y)], x1 - x, y1 - y, weight), x, y, ink)

    def disc(self, centre: tuple[float, float], radius: float, ink: Ink) -> None:
        """A filled disc."""
        self._stretch(centre, centre, ink, 2 * radius)

    def box(self, x0: float, y0: float, x1: float, y1: float, ink: Ink = GRAPHITE, weight: float = 1.3, dash: float = 0.0) -> None:
        """The outline of an upright box."""
        self.line([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], ink, weight, dash)

    def halo(self, x: float, y: float, text: str, height: float) -> None:
        """Bare paper behind a text that will be written at (x, y)."""
        self.line([(x, y - height / 2), (x + length_of(text, height), y - height / 2)], PAPER, height + 5)

    def write(self, text: str, x: float, y: float, height: float, ink: Ink = GRAPHITE, weight: float = 1.3, at: float = 0.0) -> float:
        """A text whose capitals stand on the line y, `height` pixels tall. at: share of its length left of x. Its length is returned."""
        unit = (height - weight) / TALL
        wide = length_of(text, height, weight)
        pen = x - at * wide + weight / 2
        for sign in written(text):
            if LETTERS[sign][1]:
                mask, left, above = _letter(sign, unit, weight)
                self.lay(mask, round(pen) - left, round(y) - above, ink)
            pen += (LETTERS[sign][0] + _GAP) * unit
        return wide


def _dashes(a: tuple[float, float], b: tuple[float, float], dash: float) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    whole = math.dist(a, b)
    if dash <= 0 or whole <= dash:
        return [(a, b)]
    count = max(round((whole / dash + 1) / 2), 1)
    share = 1 / (2 * count - 1)

    def between(t: float) -> tuple[float, float]:
        return a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t

    return [(between(2 * i * share), between((2 * i + 1) * share)) for i in range(count)]


def _nib(points: Sequence[tuple[float, float]], width: int, height: int, weight: float) -> FloatArray:
    """How much of each pixel a round pen covers that goes through the points, (height, width) from 0 to 1."""
    y, x = np.mgrid[0:height, 0:width] + 0.5
    nearest = np.full((height, width), np.inf)
    for (ax, ay), (bx, by) in pairwise(points):
        long = (bx - ax) ** 2 + (by - ay) ** 2
        along = np.clip(((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / long, 0, 1) if long > 0 else np.zeros_like(x)
        nearest = np.minimum(nearest, np.hypot(x - ax - along * (bx - ax), y - ay - along * (by - ay)))
    return np.clip(weight / 2 + 0.5 - nearest, 0, 1)


@functools.lru_cache(maxsize=2048)
def _letter(sign: str, unit: float, weight: float) -> tuple[FloatArray, int, int]:
    """The mask of a letter, and where in it the pen starts: pixels from its left edge and from its top."""
    wide, strokes = LETTERS[sign]
    edge = math.ceil(weight / 2 + 1)
    left, above = edge, math.ceil(7 * unit + weight) + 1
    width, height = math.ceil(wide * unit) + 2 * edge + 1, above + math.ceil(1.5 * unit) + edge
    mask = np.zeros((height, width))
    for stroke in strokes:
        corners = [(left + x * unit, above - y * unit - weight / 2) for x, y in stroke]
        mask = np.maximum(mask, _nib(corners, width, height, weight))
    return mask, left, above


def pattern(kind: str, number: int, width: int, height: int, coarse: int = 1) -> BoolArray:
    """Hatching over a whole sheet, (height, width): "crossed", "lined" or "dotted", turned and shifted by its number.

    coarse: how many pixels of this sheet go on one of the finished picture.
    """
    y, x = np.ogrid[0:height, 0:width]
    step = 9 * coarse
    x, y = x + 3 * coarse * number, y + 5 * coarse * number
    thick = max(round(1.4 * coarse), 1)
    one = (x + y) % step < thick if number % 2 else (x - y) % step < thick
    if kind == "crossed":
        return one | ((x - y) % step < thick if number % 2 else (x + y) % step < thick)
    if kind == "lined":
        return one
    if kind == "dotted":
        row = y // (6 * coarse)
        across, down = (x + 3 * coarse * (row % 2)) % (6 * coarse), y % (6 * coarse)
        dots: BoolArray = (across < 2 * coarse) & (down < 2 * coarse)
        return dots
    raise ValueError(f"no such pattern: {kind!r}")
