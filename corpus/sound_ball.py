"""A ball set a little into its flat base."""

from __future__ import annotations

from corpus import Specimen, solids

MAY = (20, 32, 39, 54, 55, 70)  # its underside overhangs, as a ball's must


def make() -> Specimen:
    """A ball of radius 30 mm cut flat 15 mm below its middle, the cut on the bed."""
    ball = solids.ball(30, (0, 0, 15), level=4)
    return Specimen("a ball with a flat", *solids.cut(ball, solids.box((100, 100, 40), (-50, -50, -40))), may=MAY)
