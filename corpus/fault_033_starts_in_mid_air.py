"""A lantern that hangs from the heron's beak."""

from corpus import Expect, Specimen
from corpus.solids import box, fused


def make() -> Specimen:
    """A post with an arm at 50 mm; from the arm a block hangs down to 25 mm above the bed."""
    arm = fused(box((30, 40, 10), low=(0, 0, 50)), box((8, 8, 30), low=(11, 25, 25)))
    vertices, faces = fused(box((30, 10, 60)), arm)
    return Specimen("a hanging lantern", vertices, faces, rule=33, expect=(Expect(33, "begins", 25.0, 1e-3),))
