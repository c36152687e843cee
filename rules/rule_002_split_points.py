"""Split points: the skin is cracked, because points that should be one were written as two.

At the bench: a crack too fine to see still opens the skin, and what was solid becomes a loose sheet to the printer.
    It comes from rounding in an export, from a seam of a photo texture, or from patches that were set edge to edge
    and never joined.
How it is measured: an open edge whose two ends lie close to the ends of another open edge that runs the other way is
    one side of a crack. Cracks that hang together are one finding, with the widest gap. Points that agree exactly are
    one already and are not counted.
Limit: a gap of at most a ten-thousandth of the part's diagonal and, where units are known, 0.05 mm is a crack; a
    wider one is left to rule 4. No nozzle shows 0.05 mm (a laid line is never narrower than about 0.3 mm, facts
    1.2.5); the share is common practice, no source. A gap must also be less than half of the edges beside it. Numbers
    in a 32-bit file are rounded to 0.00006 mm a metre from the origin (IEEE 754).
What mends it: weld draws both points to their middle. No face is lost.
When it is wrong: a slit that fine, meant to be there, would be taken for a crack. No printer could show it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.cracks import Cracks, crack_regions
from lint.measure.shells import around_points
from lint.measure.surface import Extent, Skin
from lint.terms import Finding, IntArray, Limit, Part, Place, Rule, Weight

MOST = 100

rule = Rule(
    number=2,
    name="split points",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "crack": "a crack {length:.3g} {unit} long, up to {measured:.2g} {unit} wide, opens the skin: its two sides were never joined",
        "many": "more cracks ({cracks}), {length:.3g} {unit} together, up to {measured:.2g} {unit} wide",
    },
    limits={
        "gap": Limit(0.05, "mm", "an eighth of a common nozzle, far below the narrowest line it lays (facts 1.2.5)"),
        "share": Limit(1e-4, "of the diagonal", "common practice, no source; 0.03 mm on a head, well above 32-bit rounding (facts 6.33)"),
    },
    fix="weld",
)


@rule.find
def find(part: Part, skin: Skin, extent: Extent, cracks: Cracks, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a crack, the longest first."""
    tolerance = limits["share"] * extent.diagonal
    if part.units is not None:
        tolerance = min(tolerance, limits["gap"])

    def place(pairs: IntArray) -> Place:
        points = np.concatenate((cracks.one[pairs].ravel(), cracks.other[pairs].ravel()))
        return around_points(skin.vertices[points], np.unique(cracks.faces[pairs]))

    groups = crack_regions(cracks, tolerance, len(skin.vertices))
    for pairs in groups[:MOST]:
        gap, length = float(cracks.gap[pairs].max()), float(cracks.length[pairs].sum())
        yield rule.finding("crack", gap, tolerance, place=place(pairs), unit=part.length_unit, length=length)
    if len(groups) > MOST:
        pairs = np.concatenate(groups[MOST:])
        gap, length = float(cracks.gap[pairs].max()), float(cracks.length[pairs].sum())
        many = len(groups) - MOST
        yield rule.finding("many", gap, tolerance, place=place(pairs), unit=part.length_unit, length=length, cracks=many)
