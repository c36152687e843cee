"""A heron's nostril, as deep as a thumb."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box, cut, tube


def make() -> Specimen:
    """A block with a hole of 4 mm radius, 20 mm deep, in its top: from its rim to the middle of its floor, over its width."""
    vertices, faces = tube(4.0, 0.0, 30.0, sides=64)
    vertices, faces = cut(box((60.0, 60.0, 60.0)), (vertices + np.array([30.0, 30.0, 40.0]), faces))
    ratio = float(np.hypot(20.0, 4.0)) / 8.0
    return Specimen("a block with a narrow hole", vertices, faces, rule=52, expect=(Expect(52, "deep", ratio, 0.01),))
