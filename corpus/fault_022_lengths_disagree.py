"""A heron's foot longer one way than its marks say, and right the other way."""

from corpus import Expect, Specimen
from corpus.solids import box

TICKET = """[part]
units = "mm"

[[length]]
from = [0.0, 0.0, 0.0]
to = [104.0, 0.0, 0.0]
true = 100.0
name = "along"

[[length]]
from = [0.0, 0.0, 0.0]
to = [0.0, 80.0, 0.0]
true = 80.0
name = "across"
"""


def make() -> Specimen:
    """One mark asks for 100/104 of the size, the other for 1."""
    return Specimen("a warped scan", *box((104, 80, 20)), TICKET, 22, (Expect(22, "warped", 4.0, 1e-3),))
