"""A heron's foot with a 100 mm mark that measures 97 mm: three parts in a hundred too small."""

from corpus import Expect, Specimen
from corpus.solids import box

TICKET = """[part]
units = "mm"

[[length]]
from = [0.0, 0.0, 0.0]
to = [97.0, 0.0, 0.0]
true = 100.0
"""


def make() -> Specimen:
    """A block of 97 mm, marked at its ends as 100 mm."""
    return Specimen("a part three in a hundred too small", *box((97, 40, 20)), TICKET, 21, (Expect(21, "scale", -3.0, 1e-3),))
