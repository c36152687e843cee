"""A ring cut in half along its plane, lying on the cut."""

from __future__ import annotations

from corpus import Specimen, solids

MAY = (20, 39, 54, 55, 70)


def make() -> Specimen:
    """The upper half of a ring of 40 mm with a tube of 12 mm radius."""
    ring = solids.torus(40, 12, sides=96, rings=48)
    return Specimen("half a ring", *solids.cut(ring, solids.box((120, 120, 30), (-60, -60, -30))), may=MAY)
