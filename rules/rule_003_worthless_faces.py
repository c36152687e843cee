"""Worthless faces: faces of no area, faces put in twice, and faces folded flat on one another.

At the bench: they hold no material and show no detail, but they fill the file and upset whatever works on it later: a
    face put in twice makes edges where four faces meet, a needle turns a smooth place rough when the skin is thinned
    out.
How it is measured: a face is collapsed when two of its corners are one point, and a needle when its height over its
    longest side is next to nothing. Faces on the same three points are twins: copies run the same way round, folded
    pairs run opposite ways. Each kind is counted.
Limit: none is wanted. A needle is lower than two millionths of the part's diagonal or, where units are known, 0.0002
    mm, whichever is more: three times what rounding to 32 bits does a metre from the origin (IEEE 754). 3MF asks for
    distinct corners and advises against faces of no area (3MF Core 1.4.0, 4.1 and 4.1.4.1).
What mends it: tidy takes them out without opening an edge: a needle that holds two neighbours apart is turned into
    the face beside it.
When it is wrong: it is only a note; a part with a few needles prints like any other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.dross import Twins
from lint.measure.shells import around
from lint.measure.surface import Extent, Skin
from lint.terms import Finding, FloatArray, IntArray, Limit, Part, Rule, Weight

rule = Rule(
    number=3,
    name="worthless faces",
    weight=Weight.NOTE,
    unit="faces",
    cases={
        "collapsed": "faces with two corners on one point, which cover nothing: {measured:,.0f}",
        "needle": "needles, faces less than {limit:.1g} {length} wide, which cover nothing: {measured:,.0f}",
        "copy": "faces put in twice, on top of another: {measured:,.0f}",
        "folded": "faces folded flat, back to back with another, which hold no material: {measured:,.0f}",
    },
    limits={
        "height": Limit(2e-4, "mm", "three times the rounding of a 32-bit file a metre from the origin (facts 6.33)"),
        "share": Limit(2e-6, "of the diagonal", "common practice, no source: two millionths of a part show nowhere"),
    },
    fix="tidy",
)


@rule.find
def find(
    part: Part, skin: Skin, extent: Extent, worthless: IntArray, heights: FloatArray, twins: Twins, limits: Mapping[str, float]
) -> Iterator[Finding]:
    """One finding for each kind that is there."""
    if len(worthless):
        yield rule.finding("collapsed", len(worthless), place=around(skin, worthless))
    least = limits["share"] * extent.diagonal
    if part.units is not None:
        least = max(least, min(limits["height"], 10 * least))
    low = heights < least
    low[worthless] = False
    needles = np.flatnonzero(low)
    if len(needles):
        # Here the limit is a length, which tidy goes by, and what is measured a count.
        yield rule.finding("needle", len(needles), least, place=around(skin, needles), length=part.length_unit)
    if not len(twins.faces):
        return
    count = int(twins.group[-1]) + 1
    forward = np.bincount(twins.group, weights=twins.forward, minlength=count)
    backward = np.bincount(twins.group, minlength=count) - forward
    folded = (forward > 0) & (backward > 0)
    copies = int((np.maximum(forward - 1, 0) + np.maximum(backward - 1, 0)).sum())
    if copies:
        several = ((forward > 1) | (backward > 1))[twins.group]
        yield rule.finding("copy", copies, place=around(skin, twins.faces[several]))
    if folded.any():
        pairs = int(2 * np.minimum(forward, backward).sum())
        yield rule.finding("folded", pairs, place=around(skin, twins.faces[folded[twins.group]]))
