"""A troll's fist printed solid."""

from __future__ import annotations

from corpus import Expect, Specimen
from corpus.solids import ball


def make() -> Specimen:
    """A ball of 40 mm radius, solid: a hollow of 37 mm radius would save its volume, 212.2 cm3."""
    vertices, faces = ball(40.0, (0.0, 0.0, 40.0))
    return Specimen("a solid ball", vertices, faces, rule=39, expect=(Expect(39, "extrusion", 211.4, 0.6),))
