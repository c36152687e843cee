"""A ball with one face missing."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A block of 50 mm in squares of 10 mm with one square missing: a rim of exactly 40 mm."""
    vertices, faces = solids.box((50, 50, 50), step=10)
    inside = (abs(vertices[faces] - [25, 25, 50]) <= [5.01, 5.01, 0.01]).all(axis=(1, 2))
    return Specimen("a hole of 10 x 10 mm", vertices, faces[~inside], rule=4, expect=(Expect(4, "open", 40, 1e-6),))
