"""A point cloud saved as a mesh: 642 points, no face."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """The points of a ball, and not one face."""
    vertices, _ = solids.ball(40, level=3)
    return Specimen("points without skin", vertices, np.zeros((0, 3), dtype=np.int64), rule=1, expect=(Expect(1, "empty", 0, 0),))
