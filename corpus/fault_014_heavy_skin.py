"""A bead of 16 mm with 81,920 faces."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A ball of radius 8 mm from an icosahedron halved six times: edges of about 0.15 mm."""
    return Specimen("a heavy bead", *solids.ball(8, level=6), rule=14, expect=(Expect(14, "heavy", 0.148, 0.01),))
