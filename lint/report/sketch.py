"""A sketch of a part in the letters of a colour terminal: each letter is two pixels, an upper and a lower half."""

from __future__ import annotations

import numpy as np

from lint.report.card import chosen
from lint.report.ink import CHALK, PAPER
from lint.report.plain import shown
from lint.report.still import View, draw
from lint.terms import Finding, Part

COLUMNS = 56
_FROM: View = (-0.55, -1.0, 0.75)
_ROOM = 12  # pixels drawn for one of the terminal's each way


def sketch(part: Part, findings: tuple[Finding, ...] = (), columns: int = COLUMNS) -> str:
    """The part from above and a little to the left, `columns` letters wide, with findings numbered and named below, in lines.

    For terminals of 256 colours only: it holds colour codes and nothing else that steers, whatever the part says.
    """
    found = chosen(findings)
    rows = columns * 2 // 5
    drawn = draw(part, found, view=_FROM, size=(columns * _ROOM, rows * 2 * _ROOM), bare=True)
    pixels = drawn.sheet.pixels.reshape(rows * 2, _ROOM, columns, _ROOM, 3).mean(axis=(1, 3))
    colour = _nearest(pixels)
    pins = {(int(y // (2 * _ROOM)), int(x // _ROOM)): number for number, (x, y) in reversed(drawn.pins.items())}
    lines = []
    for row in range(rows):
        line = ""
        for column in range(columns):
            upper, lower = colour[2 * row, column], colour[2 * row + 1, column]
            if (row, column) in pins:
                line += f"\x1b[48;5;{_nearest(np.array(CHALK))};38;5;{_nearest(np.array(PAPER))};1m{_digit(pins[row, column])}\x1b[0m"
            else:
                line += f"\x1b[38;5;{upper};48;5;{lower}m\u2580\x1b[0m"
        lines.append(line)
    for number in sorted(drawn.pins):
        finding = found[number - 1]
        lines.append(f"  {_digit(number)}  {finding.weight.word}: {shown(finding.name)} (rule {finding.rule})")
    if len(drawn.pins) < len(found):
        lines.append("  the others lie on another side, inside, or nowhere in particular")
    return "\n".join(lines) + "\n"


def _digit(number: int) -> str:
    """One sign a pin: there is room for no more."""
    return "123456789abcdefghijklmnopqrstuvwxyz"[number - 1]


def _nearest(colour: np.ndarray) -> np.ndarray:
    """The numbers of the nearest of the 240 fixed colours of such a terminal, (...,) for colours (..., 3) from 0 to 1."""
    levels = np.array([0, 95, 135, 175, 215, 255])
    cube = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), axis=-1).reshape(-1, 3)
    greys = np.repeat(np.arange(8, 248, 10), 3).reshape(-1, 3)
    palette = np.vstack((cube, greys)) / 255
    away = ((colour[..., None, :] - palette) ** 2).sum(axis=-1)
    nearest: np.ndarray = away.argmin(axis=-1) + 16
    return nearest
