"""A gauge block that hangs above the bed."""

from corpus import Expect, Specimen
from corpus.solids import box


def make() -> Specimen:
    """A 40 mm block whose lowest point is 3 mm above z = 0."""
    vertices, faces = box((40, 40, 40), low=(0, 0, 3))
    return Specimen("a block 3 mm in the air", vertices, faces, rule=35, expect=(Expect(35, "hovers", 3.0, 1e-4),))
