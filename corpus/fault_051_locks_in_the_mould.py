"""A tin king's crown knob under a plaster mould."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import turned


def make() -> Specimen:
    """A stem of 10 mm radius under a cap of 20 mm radius, of 96 sides, tapering upwards by more than 3 degrees; pulled straight up."""
    vertices, faces = turned([(0.0, 0.0), (10.0, 0.0), (10.0, 30.0), (20.0, 30.0), (15.0, 42.0), (0.0, 42.0)], 96)
    return Specimen(
        "a knob with a cap wider than its stem",
        vertices,
        faces,
        ticket='[part]\nunits = "mm"\n[use]\nmould = "rigid"\npull = [0, 0, 1]\n',
        rule=51,
        expect=(Expect(51, "locks", 20.0 * float(np.cos(np.pi / 96)) - 10.0, 0.02),),
    )
