"""A ball of 25 mm drawn with 320 flats."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A ball of radius 25 mm from an icosahedron halved twice: its flats lie 0.36 to 0.44 mm under the true ball."""
    return Specimen("a coarse ball", *solids.ball(25, level=2), rule=13, expect=(Expect(13, "coarse", 0.43, 0.05),))
