"""A hand in inches, read as millimetres."""

from corpus import Expect, Specimen
from corpus.solids import box

TICKET = """[part]
units = "mm"
body = "hand"
"""


def make() -> Specimen:
    """A block of the median hand (189.5 x 85 x 28 mm) over 25.4; its reach is its long diagonal."""
    size = [189.5 / 25.4, 85.0 / 25.4, 28.0 / 25.4]
    reach = sum(s * s for s in size) ** 0.5
    return Specimen("a hand in inches", *box(size), TICKET, 23, (Expect(23, "slip", reach, 1e-6),))
