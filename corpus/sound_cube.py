"""A block on the bed."""

from __future__ import annotations

from corpus import Specimen, solids

# Nothing says what it is for: no length, no key, no mark, no ticket; and it would save material hollow.
MAY = (20, 39, 54, 55, 70)


def make() -> Specimen:
    """A block of 40 mm in squares of 5 mm, its low corner at the origin."""
    return Specimen("a block", *solids.box((40, 40, 40), step=5), may=MAY)
