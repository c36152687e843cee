"""A block with every kind of worthless face: collapsed, needle, copy and folded pair."""

from __future__ import annotations

import numpy as np

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A block of 60 mm; two collapsed faces, a needle along a split edge, three copies, and a pair folded flat in the air."""
    vertices, faces = solids.box((60, 60, 60), step=10)
    on_top = np.flatnonzero((vertices[faces][:, :, 2] > 59).all(axis=1))
    face = faces[on_top[0]]
    a, b, c = face
    middle = (vertices[a] + vertices[b]) / 2
    m = len(vertices)
    pair = np.array([[100.0, 0, 0], [110, 0, 0], [100, 10, 0]])
    vertices = np.vstack((vertices, middle, pair))
    rest = np.delete(faces, on_top[0], axis=0)
    split = np.array([[a, m, c], [m, b, c], [a, b, m]])
    collapsed = np.array([[a, a, b], [b, c, c]])
    copies = faces[on_top[5:8]]
    folded = np.array([[m + 1, m + 2, m + 3], [m + 3, m + 2, m + 1]])
    expect = (Expect(3, "collapsed", 2, 0), Expect(3, "needle", 1, 0), Expect(3, "copy", 3, 0), Expect(3, "folded", 2, 0))
    return Specimen("one of each", vertices, np.vstack((rest, split, collapsed, copies, folded)), rule=3, expect=expect)
