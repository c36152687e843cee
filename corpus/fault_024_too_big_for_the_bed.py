"""A tin king's sceptre too long for the bed even across its corners."""

from corpus import Expect, Specimen
from corpus.solids import box

TICKET = """[part]
units = "mm"

[print]
bed = [220.0, 220.0, 250.0]
"""


def make() -> Specimen:
    """A bar of 300 x 20 mm: turned by 45 degrees both sides take (300 + 20) / sqrt(2) mm."""
    return Specimen(
        "a bar longer than the bed is across", *box((300, 20, 30)), TICKET, 24, (Expect(24, "wide", 320 / 2**0.5, 1e-4),)
    )
