"""A block with a patch turned over."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A block of 50 mm of which a patch of 20 x 30 mm on the top faces in."""
    vertices, faces = solids.box((50, 50, 50), step=10)
    patch = (abs(vertices[faces] - [25, 20, 50]) <= [15.01, 10.01, 0.01]).all(axis=(1, 2))
    faces[patch] = faces[patch][:, ::-1]
    return Specimen("a patch turned over", vertices, faces, rule=7, expect=(Expect(7, "turned over", 600, 1e-6),))
