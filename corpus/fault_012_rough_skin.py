"""A ball of 60 mm that is smooth below and rough above."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """Points above z = 5 mm stand off the true ball by 0.25 mm at random (standard deviation), seeded."""
    vertices, faces = solids.ball(30, level=5)
    off = np.random.default_rng(12).normal(scale=0.25, size=len(vertices)) * (vertices[:, 2] > 5)
    vertices = vertices * (1 + off / 30)[:, None]
    return Specimen("a ball with scan noise above", vertices, faces, rule=12, expect=(Expect(12, "rough", 0.25, 0.03),))
