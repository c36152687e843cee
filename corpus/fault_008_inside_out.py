"""A hollow block with a true cavity, and beside it a block that is inside out."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """The cavity faces in and is right; the block of 20 mm beside it faces in and is wrong."""
    cavity = solids.flipped(solids.box((40, 40, 40), (10, 10, 10)))
    wrong = solids.flipped(solids.box((20, 20, 20), (80, 0, 0)))
    whole = solids.joined(solids.box((60, 60, 60)), cavity, wrong)
    return Specimen("a block inside out beside a true cavity", *whole, rule=8, expect=(Expect(8, "inside out", 8000, 1e-3),))
