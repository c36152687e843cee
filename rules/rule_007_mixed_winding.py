"""Mixed winding: neighbouring faces disagree about which side is out.

At the bench: every face says by the order of its corners which side is air. Where neighbours disagree, part of the
    skin is turned over: the printer may take it for a hole, fill the air beside it, or carve away the solid behind
    it.
How it is measured: the two faces at an edge must run along it in opposite directions. Each connected skin is sorted
    into the faces that agree with one another; the smaller side, by area, is what is turned over. Each patch of it is
    one finding. A skin that comes back on its other side when followed (a twisted band) has only one side and is told
    apart.
Limit: none is allowed (3MF Core 1.4.0, 4.1: neighbours pass along their shared edge in opposite order).
What mends it: turn reverses the smaller side. Nothing moves. A one-sided skin cannot be turned right; it has to be
    cut or rewrapped.
When it is wrong: when more than half of the skin is turned over, the patch named is the good part; turn then sets the
    closed shell facing out all the same, and rule 8 speaks where it cannot.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.edges import Edges
from lint.measure.shells import around, around_points, regions
from lint.measure.surface import Faces, Skin
from lint.measure.winding import Winding
from lint.terms import Finding, Part, Rule, Weight

MOST = 100

rule = Rule(
    number=7,
    name="mixed winding",
    weight=Weight.STOP,
    unit="mm2",
    cases={
        "turned over": "a patch of {measured:.4g} {unit} (faces: {faces}) faces the other way than the skin around it",
        "one-sided": "the skin has no outside: followed round it comes back on its other side; "
        "its faces disagree along {measured:.4g} {unit}",
        "many": "more small patches ({patches}) that face the other way than the skin around them, {measured:.4g} {unit} together",
    },
    fix="turn",
)


@rule.find
def find(part: Part, skin: Skin, edges: Edges, facets: Faces, winding: Winding) -> Iterator[Finding]:
    """One finding for each patch that is turned over, the largest first, and one for each skin that has no outside."""
    area_unit = "mm2" if part.units is not None else "square file units"
    groups = regions(np.flatnonzero(winding.against), edges.neighbours, len(skin.faces))
    groups.sort(key=lambda g: -float(facets.area[g].sum()))
    for group in groups[:MOST]:
        yield rule.finding("turned over", float(facets.area[group].sum()), place=around(skin, group), unit=area_unit, faces=len(group))
    if len(groups) > MOST:
        rest = np.concatenate(groups[MOST:])
        yield rule.finding("many", float(facets.area[rest].sum()), place=around(skin, rest), unit=area_unit, patches=len(groups) - MOST)
    for group in regions(np.flatnonzero(winding.one_sided), edges.neighbours, len(skin.faces)):
        inside = np.zeros(len(skin.faces), dtype=bool)
        inside[group] = True
        seam = edges.neighbour_edge[~edges.agree & inside[edges.neighbours[:, 0]]]
        a, b = (skin.vertices[edges.ends[seam, k]] for k in (0, 1))
        length = float(np.linalg.norm(a - b, axis=1).sum())
        yield rule.finding("one-sided", length, place=around_points(np.vstack((a, b)), group), unit=part.length_unit, fix="rewrap")
