"""Two blocks of the troll's chair pushed into each other and never joined."""

from corpus import Expect, Specimen
from corpus.solids import box, joined


def make() -> Specimen:
    """Two blocks of 20 mm that share a corner of 8 x 9 x 11 mm."""
    vertices, faces = joined(box((20, 20, 20), step=5), box((20, 20, 20), (12, 11, 9), step=4))
    return Specimen("two blocks sharing a corner", vertices, faces, rule=10, expect=(Expect(10, "share", 8 * 9 * 11, 0.1),))
