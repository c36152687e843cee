"""A heron's leg stood on end."""

from corpus import Expect, Specimen
from corpus.solids import tube


def make() -> Specimen:
    """A rod of radius 8 and height 100: it goes over at atan(8 / 50) = 9.09 degrees."""
    vertices, faces = tube(8, 0, 100)
    return Specimen("a thin rod standing on end", vertices, faces, rule=36, expect=(Expect(36, "leans", 9.09, 0.1),))
