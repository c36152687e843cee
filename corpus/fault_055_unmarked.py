"""One of two ears, nobody knows which."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box, cut, tube


def make() -> Specimen:
    """A block with a round socket but no mark in its base."""
    vertices, faces = tube(4.0, 0.0, 10.0, sides=48)
    solid = cut(box((60.0, 60.0, 30.0)), (vertices + np.array([15.0, 30.0, -5.0]), faces))
    return Specimen("a block without a mark", *solid, rule=55, expect=(Expect(55, "blank", 0.0, 0.0),))
