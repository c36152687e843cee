"""A heron's foot without any marked length."""

from corpus import Expect, Specimen
from corpus.solids import box


def make() -> Specimen:
    """A sound block; only its ticket is lacking."""
    return Specimen("a heron's foot without any marked length", *box((60, 40, 20)), rule=20, expect=(Expect(20, "unmarked", 0, 0),))
