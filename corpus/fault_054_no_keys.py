"""A troll's ear that turns on its board."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box, cut, tube


def make() -> Specimen:
    """A block with two sockets in its base, where it takes three."""
    solid = box((60.0, 60.0, 30.0))
    for x in (15.0, 45.0):
        vertices, faces = tube(4.0, 0.0, 10.0, sides=48)
        solid = cut(solid, (vertices + np.array([x, 30.0, -5.0]), faces))
    return Specimen("a block with two sockets", *solid, rule=54, expect=(Expect(54, "few", 2.0, 0.0),))
