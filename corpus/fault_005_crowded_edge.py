"""Two blocks that touch along one edge."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """Two blocks of 40 mm that share an upright edge: four faces meet along 40 mm."""
    one, other = solids.box((40, 40, 40), step=10), solids.box((40, 40, 40), (40, 40, 0), step=10)
    return Specimen("two blocks on one edge", *solids.joined(one, other), rule=5, expect=(Expect(5, "crowded", 40, 1e-6),))
