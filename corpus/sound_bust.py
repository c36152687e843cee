"""A turned bust on a plinth, as a puppet's head is roughed out."""

from __future__ import annotations

import numpy as np

from corpus import Specimen, solids

MAY = (20, 32, 39, 54, 55, 70)


def make() -> Specimen:
    """A plinth of 35 mm radius, a neck and a head of 28 mm radius, 110 mm high, all round about the upright axis."""
    angle = np.linspace(-0.9, np.pi / 2, 24)
    head = [(28 * float(np.cos(a)), 82 + 28 * float(np.sin(a))) for a in angle[:-1]]
    neck = [(35.0, 0.0), (35.0, 12.0), (17.4, 30.0)]
    return Specimen("a turned bust", *solids.turned([(0.0, 0.0), *neck, *head, (0.0, 110.0)], 96), may=MAY)
