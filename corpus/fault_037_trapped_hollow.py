"""A tin king's head left hollow with no drain."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen
from corpus.solids import ball, box, flipped, joined


def make() -> Specimen:
    """A 60 mm block with a ball of 20 mm radius left empty inside, for resin."""
    inner = ball(20.0, (30.0, 30.0, 32.0))
    vertices, faces = joined(box((60.0, 60.0, 60.0)), flipped(inner))
    a, b, c = (inner[0][inner[1][:, k]] - (30.0, 30.0, 32.0) for k in range(3))
    volume = float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6
    return Specimen(
        "a block with a sealed ball of air inside",
        vertices,
        faces,
        ticket='[part]\nunits = "mm"\n[print]\nprocess = "resin"\n',
        rule=37,
        expect=(Expect(37, "resin", volume, 1e-3),),
    )
