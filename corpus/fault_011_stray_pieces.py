"""A ball on a plinth with scan dust, a strand of hair, a piece of table, a hanging crumb and a flaw of a hollow."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A pipe-shaped bust of 120 mm and five strays: closed speck, open hair, table, crumb, void."""
    part = solids.turned([(0, 0), (40, 0), (40, 10), (20, 30), (20, 60), (35, 90), (0, 120)], 64)
    tip = part[0][np.argmax(part[0][:, 2])]
    speck = solids.box((2, 2, 2), (60, 0, 50))
    hair = (np.array([[50.0, 0, 80], [50, 0.4, 80], [70, 0, 110]]), np.array([[0, 1, 2]]))
    corner, cells = solids.box((100, 100, 10), (60, -50, -13), step=20)
    table = (corner, cells[(corner[cells][:, :, 2] > -4).all(axis=1)])
    crumb = (tip + np.array([[0.0, 0, 0], [1, 0, 2], [0, 1, 2]]), np.array([[0, 1, 2]]))
    void = solids.flipped(solids.box((0.2, 0.2, 0.2), (5, 5, 5)))
    expect = (
        Expect(11, "loose", 3**0.5 * 2, 1e-4),
        Expect(11, "loose", float(np.linalg.norm([20, 0.4, 30])), 1e-4),
        Expect(11, "table", 2**0.5 * 100, 1e-3),
        Expect(11, "crumb", 5**0.5, 1e-4),
        Expect(11, "void", 0.008, 1e-5),
    )
    return Specimen("a bust and five strays", *solids.joined(part, speck, hair, table, crumb, void), rule=11, expect=expect)
