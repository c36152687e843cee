"""A pipe standing on end."""

from __future__ import annotations

from corpus import Specimen, solids

MAY = (20, 39, 54, 55, 70)


def make() -> Specimen:
    """A pipe of 60 mm outside, 40 mm inside and 50 mm high."""
    return Specimen("a pipe", *solids.tube(30, 20, 50, sides=128, rings=4), may=MAY)
