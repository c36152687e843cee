"""Units that are counted: one of them is said in the singular."""

from __future__ import annotations

COUNTED = frozenset({"faces", "points", "pieces", "keys", "lengths", "marks", "tickets"})


def unit_of(value: float, unit: str) -> str:
    """The unit as it is said after a number: "1 key", "2 keys", "1 mm"."""
    return unit.removesuffix("s") if value == 1 and unit in COUNTED else unit
