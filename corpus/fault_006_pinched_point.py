"""An hourglass with no neck."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """Two cones that stand tip on tip and meet in one point."""
    mesh = solids.turned([(0, 0), (25, 0), (0, 40), (25, 80), (0, 80)], 48)
    return Specimen("two cones tip on tip", *mesh, rule=6, expect=(Expect(6, "pinched", 1, 0),))
