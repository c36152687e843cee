"""A plinth whose upper half was set on the lower half 0.006 mm too high and never joined."""

from __future__ import annotations

from corpus import Expect, Specimen, solids


def make() -> Specimen:
    """A cylinder of 30 mm and 80 mm high, cracked round its middle: every point of the seam is there twice."""
    vertices, faces = solids.tube(30, 0, 80, sides=48, rings=4)
    upper = vertices[faces].mean(axis=1)[:, 2] > 40
    points = vertices.copy()
    points[points[:, 2] > 39, 2] += 0.006
    mesh = solids.joined((vertices, faces[~upper]), (points, faces[upper]))
    return Specimen("a crack round the middle", *mesh, rule=2, expect=(Expect(2, "crack", 0.006, 1e-6),))
