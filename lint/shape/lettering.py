"""Letters made of single strokes: an alphabet of our own on a grid, drawn as a round tool of one width would cut it.

Every groove is as wide as every other, whatever the letter's size, so one choice of width decides whether all of them print. The outlines
of a text face have hairlines and thick stems: set small enough for a base, their hairlines are narrower than a nozzle.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from lint.terms import FloatArray

Line = tuple[tuple[float, float], ...]

# Capitals and figures are TALL units high, drawn along the middle of the stroke; width is where the next letter's room begins.
TALL = 6.0
ROUND = 24  # sides of the round end of a stroke
LAND = 1.0  # mm between the grooves of two letters at the least: two beads of a common nozzle and some (facts 1.2.2)


def _of(text: str) -> tuple[Line, ...]:
    """Strokes from text: corners "x,y" apart by blanks, strokes apart by "/"."""
    return tuple(tuple((float(x), float(y)) for x, y in (c.split(",") for c in stroke.split())) for stroke in text.split("/"))


ALPHABET: Mapping[str, tuple[float, tuple[Line, ...]]] = {
    "A": (4.0, _of("0,0 2,6 4,0/0.7,2 3.3,2")),
    "B": (4.0, _of("0,0 0,6 2.8,6 3.8,5.1 3.8,4 2.8,3.1 0,3.1/2.8,3.1 4,2.2 4,0.9 3,0 0,0")),
    "C": (4.0, _of("4,4.9 2.9,6 1.2,6 0,4.8 0,1.2 1.2,0 2.9,0 4,1.1")),
    "D": (4.0, _of("0,0 0,6 2.4,6 4,4.4 4,1.6 2.4,0 0,0")),
    "E": (3.7, _of("3.7,6 0,6 0,0 3.7,0/0,3.1 3,3.1")),
    "F": (3.6, _of("3.6,6 0,6 0,0/0,3.1 2.9,3.1")),
    "G": (4.0, _of("4,4.9 2.9,6 1.2,6 0,4.8 0,1.2 1.2,0 2.8,0 4,1.2 4,2.8 2.4,2.8")),
    "H": (4.0, _of("0,0 0,6/4,0 4,6/0,3.1 4,3.1")),
    "I": (2.0, _of("0,6 2,6/1,6 1,0/0,0 2,0")),
    "J": (3.4, _of("3.4,6 3.4,1.2 2.2,0 1.2,0 0,1.2 0,1.7")),
    "K": (4.0, _of("0,0 0,6/3.9,6 0,2.3/1.4,3.6 4,0")),
    "L": (3.5, _of("0,6 0,0 3.5,0")),
    "M": (5.0, _of("0,0 0,6 2.5,1.6 5,6 5,0")),
    "N": (4.0, _of("0,0 0,6 4,0 4,6")),
    "O": (4.4, _of("1.4,0 0,1.4 0,4.6 1.4,6 3,6 4.4,4.6 4.4,1.4 3,0 1.4,0")),
    "P": (3.9, _of("0,0 0,6 2.8,6 3.9,5 3.9,3.7 2.8,2.7 0,2.7")),
    "Q": (4.5, _of("1.4,0 0,1.4 0,4.6 1.4,6 3,6 4.4,4.6 4.4,1.4 3,0 1.4,0/2.6,1.9 4.5,-0.3")),
    "R": (4.0, _of("0,0 0,6 2.8,6 3.9,5 3.9,3.7 2.8,2.7 0,2.7/2,2.7 4,0")),
    "S": (4.0, _of("3.9,5 2.8,6 1.2,6 0.1,5 0.1,4 1.1,3.2 2.9,2.9 4,2 4,1 2.9,0 1.1,0 0,1")),
    "T": (4.0, _of("0,6 4,6/2,6 2,0")),
    "U": (4.0, _of("0,6 0,1.3 1.3,0 2.7,0 4,1.3 4,6")),
    "V": (4.0, _of("0,6 2,0 4,6")),
    "W": (6.0, _of("0,6 1.4,0 3,4.8 4.6,0 6,6")),
    "X": (4.0, _of("0,0 4,6/0,6 4,0")),
    "Y": (4.0, _of("0,6 2,2.9 4,6/2,2.9 2,0")),
    "Z": (4.0, _of("0,6 4,6 0,0 4,0")),
    "0": (3.4, _of("1,0 0,1.2 0,4.8 1,6 2.4,6 3.4,4.8 3.4,1.2 2.4,0 1,0")),
    "1": (1.5, _of("0,4.6 1.5,6 1.5,0")),
    "2": (3.9, _of("0,4.9 1.1,6 2.8,6 3.9,4.9 3.9,3.8 0,0 3.9,0")),
    "3": (3.9, _of("0,5.1 1,6 2.8,6 3.8,5.1 3.8,4 2.8,3.1 1.5,3.1/2.8,3.1 3.9,2.2 3.9,1 2.8,0 1.1,0 0,0.9")),
    "4": (4.0, _of("3,0 3,6 0,1.9 4,1.9")),
    "5": (3.9, _of("3.6,6 0.4,6 0.2,3.3 1.2,3.7 2.7,3.7 3.9,2.6 3.9,1.2 2.7,0 1.1,0 0,0.8")),
    "6": (3.9, _of("3.5,5.3 2.7,6 1.4,6 0,4.4 0,1.1 1.1,0 2.8,0 3.9,1.1 3.9,2.4 2.8,3.5 1.1,3.5 0,2.5")),
    "7": (3.8, _of("0,6 3.8,6 1.3,0")),
    "8": (3.9, _of("1.1,3.1 0.1,4 0.1,5.1 1.1,6 2.8,6 3.8,5.1 3.8,4 2.8,3.1 1.1,3.1 0,2.2 0,1 1.1,0 2.8,0 3.9,1 3.9,2.2 2.8,3.1")),
    "9": (3.9, _of("0.4,0.7 1.2,0 2.5,0 3.9,1.6 3.9,4.9 2.8,6 1.1,6 0,4.9 0,3.6 1.1,2.5 2.8,2.5 3.9,3.5")),
    ".": (0.0, _of("0,0 0,0.6")),
    "-": (2.2, _of("0,2.9 2.2,2.9")),
    " ": (1.6, ()),
}  # fmt: skip

# Letters of other Latin alphabets that are no letter with an accent.
_STAND_INS = {"Ø": "O", "Ł": "L", "Đ": "D", "Æ": "AE", "Œ": "OE", "Þ": "TH", "Ð": "D", "_": "-", ",": ".", "–": "-", "/": "-", "İ": "I"}


def spelt(text: str) -> tuple[str, str]:
    """A text in the letters there are (accents dropped, blanks single), and the signs that had to be left out, each once."""
    kept, lost = "", ""
    for sign in text.upper():
        plain = _STAND_INS.get(sign) or "".join(c for c in unicodedata.normalize("NFKD", sign) if not unicodedata.combining(c)).upper()
        plain = "".join(_STAND_INS.get(c, c) for c in plain)
        if plain and all(c in ALPHABET for c in plain):
            kept += plain
        elif sign.isspace():
            kept += " "
        elif sign not in lost:
            lost += sign
    return " ".join(kept.split()), lost


def size(lines: Sequence[str], height: float, stroke: float) -> tuple[float, float]:
    """Width and height in mm of a block of lines, grooves included. height: of a capital, groove included."""
    unit = (height - stroke) / TALL
    wide = max(_wide(line, unit, stroke) for line in lines) + stroke
    return wide, len(lines) * height + (len(lines) - 1) * _leading(height)


def drawn(lines: Sequence[str], height: float, stroke: float) -> Any:
    """The grooves of a block of lines as a flat shape (manifold3d CrossSection), read from the left, its middle at the origin."""
    from manifold3d import CrossSection, OpType

    unit = (height - stroke) / TALL
    _, tall = size(lines, height, stroke)
    swept: list[Any] = []
    for row, line in enumerate(lines):
        x = -_wide(line, unit, stroke) / 2
        y = tall / 2 - height + stroke / 2 - row * (height + _leading(height))
        for sign in line:
            wide, strokes = ALPHABET[sign]
            for corners in strokes:
                swept += _swept(np.asarray(corners) * unit + (x, y), stroke)
            x += wide * unit + _between(unit, stroke)
    return CrossSection.batch_boolean(swept, OpType.Add).simplify(0.01 * stroke) if swept else CrossSection()


def _swept(corners: FloatArray, stroke: float) -> list[Any]:
    """A round tool drawn along straight stretches: each a hull of the circles at its ends."""
    from manifold3d import CrossSection

    tool = CrossSection.circle(stroke / 2, ROUND)
    at = [tool.translate((float(x), float(y))) for x, y in corners]
    return [CrossSection.batch_hull([a, b]) for a, b in pairwise(at)]


def _wide(line: str, unit: float, stroke: float) -> float:
    return sum(ALPHABET[s][0] * unit for s in line) + max(len(line) - 1, 0) * _between(unit, stroke)


def _between(unit: float, stroke: float) -> float:
    """From the middle of one letter's last stroke to the middle of the next one's first."""
    return max(2.0 * unit, stroke + LAND)


def _leading(height: float) -> float:
    return max(0.5 * height, 2 * LAND)
