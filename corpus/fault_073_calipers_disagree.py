"""A block whose print reads 5 % small across and right along."""

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A 60 mm block with two caliper readings, one of them 3 mm short."""
    vertices, faces = solids.box((60, 60, 30), step=10)
    ticket = (
        '[part]\nunits = "mm"\n'
        "[[caliper]]\nfrom = [0.0, 30.0, 15.0]\nto = [60.0, 30.0, 15.0]\nread = 56.8\n"
        "[[caliper]]\nfrom = [30.0, 0.0, 15.0]\nto = [30.0, 60.0, 15.0]\nread = 60.2\n"
    )
    return Specimen("a block printed short one way", vertices, faces, ticket, rule=73, expect=(Expect(73, "off", 3.2, 0.01),))
