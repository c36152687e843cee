"""A heron's nostril, as deep as a thumb."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box, cut, tube


def make() -> Specimen:
    """A block with a hole of 4 mm radius, 20 mm deep, in its top: over its width."""
    vertices, faces = tube(4.0, 0.0, 30.0, sides=64)
    vertices, faces = cut(box((60.0, 60.0, 60.0)), (vertices + np.array([30.0, 30.0, 40.0]), faces))
    ratio = 20.0 / (8.0 * float(np.cos(np.pi / 64)))
    return Specimen("a block with a narrow hole", vertices, faces, rule=52, expect=(Expect(52, "deep", ratio, 0.01),))
