"""A block for the tin king's throne, stood on its long edge."""

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box


def make() -> Specimen:
    """A 40 mm gauge block turned 45 degrees about x: it touches the bed along one edge only."""
    vertices, faces = box((40, 40, 40), step=10)
    a = np.radians(45.0)
    turn = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    vertices = vertices @ turn.T
    vertices[:, 2] -= vertices[:, 2].min()
    return Specimen("a block standing on its edge", vertices, faces, rule=34, expect=(Expect(34, "nothing flat", 0.0, 1e-6),))
