"""A nose set on a base with hardly any flat around it."""

from __future__ import annotations

from corpus import Expect, Specimen
from corpus.solids import turned


def make() -> Specimen:
    """A cone of 20 mm foot radius on a disc of 30 mm radius and 10 mm height, where 25 mm of land are asked for."""
    vertices, faces = turned([(0.0, 0.0), (30.0, 0.0), (30.0, 10.0), (20.0, 10.0), (5.0, 40.0), (0.0, 40.0)], 96)
    return Specimen(
        "a cone on a narrow disc",
        vertices,
        faces,
        ticket='[part]\nunits = "mm"\n[use]\nmargin = 25.0\n',
        rule=53,
        expect=(Expect(53, "narrow", 10.0, 0.06),),
    )
