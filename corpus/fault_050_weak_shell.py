"""The tin king's cheek, hollowed too thin."""

from __future__ import annotations

from corpus import Expect, Specimen
from corpus.solids import box, flipped, joined


def make() -> Specimen:
    """A box of 60 mm with walls of 5 mm but for the top, which is 1.2 mm thick."""
    vertices, faces = joined(box((60.0, 60.0, 60.0)), flipped(box((50.0, 50.0, 53.8), (5.0, 5.0, 5.0))))
    return Specimen("a sealed box with a thin lid", vertices, faces, rule=50, expect=(Expect(50, "gives", 1.2, 1e-3),))
