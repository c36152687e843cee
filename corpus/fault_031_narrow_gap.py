"""Two troll fingers with hardly a thread between them."""

from corpus import Expect, Specimen
from corpus.solids import box, cut


def make() -> Specimen:
    """A block with a slit 0.3 mm wide sawn 20 mm into it."""
    vertices, faces = cut(box((30, 20, 30)), box((0.3, 22, 20), low=(15, -1, 10)))
    return Specimen("a slit of 0.3 mm", vertices, faces, rule=31, expect=(Expect(31, "closes", 0.3, 0.003),))
