"""Pinched point: two pieces of skin meet in one single point.

At the bench: the part hangs together there by nothing at all. The print breaks at the point, and tools that follow
    the skin from face to face lose their way. It comes from cutting, from thinning out, and from holes that touch.
How it is measured: the faces round a point are followed from one to the next across shared edges; where that does not
    take in all of them, the point is pinched. Points on a line where three or more faces meet are left to rule 5.
    Pinched points that are neighbours are one finding.
Limit: none is wanted. 3MF asks only for sound edges (3MF Core 1.4.0, 4.1), so this is a caution and not a stop.
What mends it: untangle gives each side a point of its own and draws them apart by a few thousandths of a millimetre.
When it is wrong: two rims that touch in a point, as the holes of a ragged scan do, are pinched as well; closing them
    mends it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.shells import around, around_points, regions
from lint.measure.surface import Skin
from lint.terms import Finding, IntArray, Rule, Weight

MOST = 100

rule = Rule(
    number=6,
    name="pinched point",
    weight=Weight.CAUTION,
    unit="points",
    cases={
        "pinched": "the skin hangs together by points with nothing beside them ({measured:.0f}): it will break there",
        "many": "more points ({measured:.0f}) that hold the skin together with nothing beside them",
    },
    fix="untangle",
)


@rule.find
def find(skin: Skin, pinched: IntArray) -> Iterator[Finding]:
    """One finding for each group of pinched points that stand on common faces."""
    if not len(pinched):
        return
    marked = np.zeros(len(skin.vertices), dtype=bool)
    marked[pinched] = True
    touched = np.flatnonzero(marked[skin.faces].any(axis=1))
    ends = np.sort(np.vstack([skin.faces[touched][:, [i, j]] for i, j in ((0, 1), (1, 2), (2, 0))]), axis=1)
    both = ends[marked[ends].all(axis=1)]
    groups = regions(pinched, both, len(skin.vertices))
    for points in groups[:MOST]:
        near = touched[np.isin(skin.faces[touched], points).any(axis=1)] if len(groups) <= MOST else touched
        place = around_points(skin.vertices[points], near)
        yield rule.finding("pinched", len(points), place=place)
    if len(groups) > MOST:
        yield rule.finding("many", sum(len(g) for g in groups[MOST:]), place=around(skin, touched))
