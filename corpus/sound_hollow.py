"""A hollow dome on a flat base, its roof steep enough to hold itself, with two drain holes through the base."""

from __future__ import annotations

import numpy as np

from corpus import Specimen, solids

MAY = (20, 54, 55, 70)


def make() -> Specimen:
    """A dome of 35 mm radius and 47 mm high; 6 mm of floor, a roof at 40 degrees from the upright, holes of 6 mm through the floor."""
    angle = np.linspace(np.arcsin(-12 / 35), np.pi / 2, 24)
    dome = [(35 * float(np.cos(a)), 12 + 35 * float(np.sin(a))) for a in angle[:-1]]
    outer = solids.turned([(0.0, 0.0), *dome, (0.0, 47.0)], 96)
    roof = 28 / float(np.tan(np.radians(40)))
    inner = solids.turned([(0.0, 6.0), (28.0, 6.0), (28.0, 7.0), (0.0, 7.0 + roof)], 96)
    solid = solids.cut(outer, inner)
    for x in (0.0, 20.0):
        hole = solids.tube(3, 0, 20, sides=48)
        hole[0][:, :] += (x, 0, -8)
        solid = solids.cut(solid, hole)
    return Specimen("a hollow dome with drains", *solid, may=MAY)
