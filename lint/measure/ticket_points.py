"""Where the points that a ticket names lie on the part, and the distances between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.nearest import distances
from lint.measure.surface import Skin
from lint.terms import FloatArray, IntArray, Part


@dataclass(frozen=True)
class TicketPoints:
    """Every point of [[length]] and [[caliper]], carried to the part's own coordinates.

    points: (k, 3); off: (k,) distance of each from the skin; key: the place in the ticket of each, such as "[[length]] 1 from";
    caliper: (c, 2) rows of `points` that hold the two ends of each caliper reading.
    """

    points: FloatArray
    off: FloatArray
    key: tuple[str, ...]
    caliper: IntArray


@measure
def ticket_points(part: Part, skin: Skin, longest: FloatArray, tree: loops.Tree | None) -> TicketPoints:
    """Each point's distance from the nearest face."""
    lengths = [(entry.from_, entry.to) for entry in part.ticket.length]
    readings = [(entry.from_, entry.to) for entry in part.ticket.caliper]
    raw = [point for pair in (*lengths, *readings) for point in pair]
    key = [f"[[{table}]] {n} {end}" for table, pairs in (("length", lengths), ("caliper", readings))
           for n in range(1, len(pairs) + 1) for end in ("from", "to")]  # fmt: skip
    ends = 2 * len(lengths) + np.arange(2 * len(readings), dtype=np.int64).reshape(-1, 2)
    if not raw:
        return TicketPoints(np.zeros((0, 3)), np.zeros(0), (), np.zeros((0, 2), dtype=np.int64))
    points = part.place_points(raw)
    off = distances(points, skin, longest, tree)
    return TicketPoints(points, off, tuple(key), ends)
