"""The brim of the tin king's hat."""

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import turned


def make() -> Specimen:
    """A stem of radius 8 under a disc of radius 20: a level ring, pi (400 - 64) mm2, that reaches 12 mm out."""
    vertices, faces = turned([(0, 0), (8, 0), (8, 20), (20, 20), (20, 30), (0, 30)])
    area = 64 * float(np.sin(2 * np.pi / 128)) * (20**2 - 8**2)
    return Specimen("a hat on a stem", vertices, faces, rule=32, expect=(Expect(32, "steep", area, 0.5),))
