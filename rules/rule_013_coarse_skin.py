"""Coarse skin: the facets are so large that they show on the print.

At the bench: where the skin should be round it comes out in flats and ridges that print through the clay or have to
    be sanded away, and a cast keeps every one of them. It comes from thinning out too far, or from exporting with a
    rough setting.
How it is measured: for each flat facet of a curve, how far the true round would stand off its middle (its sag), from
    the angle to the facets beside it and its width: L^2 / (8 r) for a chord L of a circle of radius r. A single edge
    between flats is an edge and not a curve: the skin must bend three times in a row in the same sense, by 1 to 40
    degrees each, between facets of like width.
Limit: a quarter of the nozzle. A nozzle rounds whatever is finer (facts 6.12 for the sag; the quarter is common
    practice, no source).
What mends it: nothing here: what is not in the file cannot be put back. Export or scan again with finer facets.
When it is wrong: a faceted piece that is meant to be faceted, with many like flats in a row, reads as a coarse round.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.edges import Edges
from lint.measure.shells import around, regions
from lint.measure.surface import Faces, Skin
from lint.terms import Finding, FloatArray, Limit, Rule, Weight

MOST = 20
FEWEST = 12  # fewer facets than this are no curve to speak of

rule = Rule(
    number=13,
    name="coarse skin",
    weight=Weight.NOTE,
    unit="mm",
    cases={
        "coarse": "facets stand {measured:.2f} {unit} off the round they stand for, over {area:.0f} mm2: flats will show "
        "(the nozzle hides {limit:.2f})",
        "many": "more small places ({places}) where facets stand about {measured:.2f} {unit} off the round (the nozzle hides {limit:.2f})",
    },
    limits={"sag": Limit(lambda s: s.nozzle / 4, "mm", "a quarter of the nozzle: common practice, no source; sag by facts 6.12")},
    needs=("units",),
)


@rule.find
def find(skin: Skin, edges: Edges, facets: Faces, sags: FloatArray, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding for each region of coarse facets, told by the sag that half of its faces exceed."""
    coarse = np.flatnonzero(sags > limits["sag"])
    marked = np.zeros(len(skin.faces), dtype=bool)
    marked[coarse] = True
    beside = edges.neighbours[marked[edges.neighbours].any(axis=1)]
    near = np.unique(np.concatenate((coarse, beside.reshape(-1))))  # coarse faces one face apart lie in one region
    groups = [g[marked[g]] for g in regions(near, edges.neighbours, len(skin.faces))]
    groups = [g for g in groups if len(g) >= FEWEST]
    groups.sort(key=lambda g: -float(facets.area[g].sum()))
    for group in groups[:MOST]:
        sag = float(np.median(sags[group]))
        yield rule.finding("coarse", sag, limits["sag"], place=around(skin, group), area=float(facets.area[group].sum()))
    if len(groups) > MOST:
        rest = np.concatenate(groups[MOST:])
        yield rule.finding("many", float(np.median(sags[rest])), limits["sag"], place=around(skin, rest), places=len(groups) - MOST)
