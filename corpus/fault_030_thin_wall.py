"""A heron's wing plate with a pocket that leaves too little behind it."""

from corpus import Expect, Specimen
from corpus.solids import box, cut


def make() -> Specimen:
    """A plate 4 mm thick with a pocket that leaves 0.3 mm of floor."""
    vertices, faces = cut(box((40, 30, 4)), box((12, 10, 4), low=(14, 10, 0.3)))
    return Specimen("a pocket with 0.3 mm under it", vertices, faces, rule=30, expect=(Expect(30, "dropped", 0.3, 0.003),))
