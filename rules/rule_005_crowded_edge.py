"""Crowded edge: three or more faces meet along one line.

At the bench: a skin has two sides, air and material. Where three sheets meet in one line there is no telling which
    side is which, and the printer guesses: a flap inside the solid, two lumps that touch along a line and will break
    apart there, or a face put in twice.
How it is measured: faces are counted at every edge, after points with exactly the same coordinates are taken as one;
    edges with more than two faces are joined where they share a point, and each such line is one finding with its
    length.
Limit: none is allowed; every edge is to be shared by exactly two faces (3MF Core 1.4.0, 4.1).
What mends it: tidy first takes out faces that are there twice; untangle then drops flaps that lead nowhere and parts
    the sheets that only touch, by a few thousandths of a millimetre.
When it is wrong: two blocks that are meant to touch along an edge are still not one solid: let them overlap, or keep
    them apart.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.crowds import Crowd
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Part, Rule, Weight

MOST = 100

rule = Rule(
    number=5,
    name="crowded edge",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "crowded": "up to {faces} faces meet along a line of {measured:.4g} {unit} (edges: {edges}): "
        "inside and outside cannot be told apart there",
        "many": "more short lines ({lines}) where three or more faces meet, {measured:.4g} {unit} together",
    },
    fix="untangle",
)


@rule.find
def find(part: Part, skin: Skin, crowds: tuple[Crowd, ...]) -> Iterator[Finding]:
    """One finding for each connected line of crowded edges, the longest first."""
    for crowd in crowds[:MOST]:
        place = around_points(skin.vertices[crowd.points], crowd.faces)
        yield rule.finding("crowded", crowd.length, place=place, unit=part.length_unit, faces=crowd.most, edges=crowd.edges)
    rest = crowds[MOST:]
    if rest:
        place = around_points(skin.vertices[np.concatenate([c.points for c in rest])], np.concatenate([c.faces for c in rest]))
        yield rule.finding("many", sum(c.length for c in rest), place=place, unit=part.length_unit, lines=len(rest))
