"""Where the points that a ticket names lie on the part, and the distances between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.surface import Skin
from lint.terms import FloatArray, IntArray, Part
from lint.ticket import Caliper, Length


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
def ticket_points(part: Part, skin: Skin) -> TicketPoints:
    """Distance by libigl's point-to-mesh query, which is exact to rounding."""
    raw: list[tuple[float, float, float]] = []
    key: list[str] = []
    ends: list[tuple[int, int]] = []
    tables: tuple[tuple[str, list[Length] | list[Caliper]], ...] = (("length", part.ticket.length), ("caliper", part.ticket.caliper))
    for table, entries in tables:
        entry: Length | Caliper  # the two have the same ends, which the checker cannot tell from their common base
        for number, entry in enumerate(entries, start=1):
            if table == "caliper":
                ends.append((len(raw), len(raw) + 1))
            raw += [entry.from_, entry.to]
            key += [f"[[{table}]] {number} from", f"[[{table}]] {number} to"]
    if not raw:
        return TicketPoints(np.zeros((0, 3)), np.zeros(0), (), np.zeros((0, 2), dtype=np.int64))
    import igl

    points = part.place_points(raw)
    squared, *_ = igl.point_mesh_squared_distance(points, np.ascontiguousarray(skin.vertices), np.ascontiguousarray(skin.faces))
    off = np.sqrt(np.maximum(np.asarray(squared, dtype=np.float64).reshape(-1), 0.0))
    return TicketPoints(points, off, tuple(key), np.asarray(ends, dtype=np.int64).reshape(-1, 2))
