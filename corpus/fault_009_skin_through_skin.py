"""The tin king's footstool, with a dent so deep that it comes out at the bottom."""

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import box


def make() -> Specimen:
    """A 40 mm gauge block whose middle top point is pulled 10 mm out through the bottom: a spike of six sides pierces the base.

    The six neighbours of that point are 50 mm above the tip and the base is 10 mm above it, so the hole is a fifth of their ring.
    """
    vertices, faces = box((40, 40, 40), step=10)
    vertices = vertices.copy()
    middle = int(np.flatnonzero((vertices == (20, 20, 40)).all(axis=1))[0])
    ring = vertices[np.setdiff1d(faces[(faces == middle).any(axis=1)], middle)]
    ring = ring[np.argsort(np.arctan2(ring[:, 1] - 20, ring[:, 0] - 20))]
    hole = float(np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1).sum()) / 5
    vertices[middle] = (21.3, 19.6, -10)
    return Specimen("a block with a dent through its bottom", vertices, faces, rule=9, expect=(Expect(9, "through itself", hole, 2e-3),))
