"""A heron's beak printed mouth up in resin."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import turned


def make() -> Specimen:
    """A beaker of 25 mm inner radius, 35 mm deep, of 96 sides."""
    vertices, faces = turned([(0.0, 0.0), (30.0, 0.0), (30.0, 40.0), (25.0, 40.0), (25.0, 5.0), (0.0, 5.0)], 96)
    area = 96 / 2 * 25.0**2 * float(np.sin(2 * np.pi / 96))
    return Specimen(
        "a beaker standing mouth up, for resin",
        vertices,
        faces,
        ticket='[part]\nunits = "mm"\n[print]\nprocess = "resin"\n',
        rule=38,
        expect=(Expect(38, "sucks", area, 0.1),),
    )
