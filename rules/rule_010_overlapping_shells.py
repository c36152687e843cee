"""Overlapping shells: closed shells that share volume, lie buried in one another, or touch without being joined.

At the bench: the part is several solids pushed into each other, such as eyes in a head or horns on a mask. Printing programs differ: one
    prints their sum, another leaves the shared part hollow or draws walls through the middle, which makes a weak seam and wastes material.
    Solids that only touch come off the bed as separate pieces or break apart there.
How it is measured: closed shells whose skins cross or lie on each other, and shells that lie within the solid of another by winding
    number. What they share is the sum of their volumes less the volume of the union, worked out exactly on these shells. A true cavity
    (a shell that faces in, within a solid) overlaps nothing. Shells with open rims have no volume and are left to rules 4 and 9.
    All shells that hang together by overlaps are one finding.
Limit: none is allowed; skins closer than 0.001 mm (without units: 5 millionths of the diagonal) count as touching.
    3MF Core 1.4.0, 4.1: producers should not write overlapping skins, and 3.4.3.1: overlapping items are to be united.
What mends it: unite makes them one solid and keeps the skin that is seen to the last bit. Where one of the shells is itself broken,
    rewrap lays a new skin over the outside.
When it is wrong: parts that are meant to stay loose in each other, such as a ball rattling in a hollow, do not overlap and are not told
    of; pieces meant to be printed separately belong in separate files.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.overlap import Overlap
from lint.measure.shells import around_points
from lint.terms import Finding, Part, Rule, Weight

rule = Rule(
    number=10,
    name="overlapping shells",
    weight=Weight.STOP,
    unit="mm3",
    cases={
        "share": "{shells} shells overlap and share {measured:.4g} {unit}: they print as one piece only by luck",
        "buried": "{shells} shells, of which {inner} lie buried in the solid of another, {measured:.4g} {unit} counted twice",
        "touch": "{shells} shells touch over {measured:.4g} {unit} without being joined: the print comes apart there",
        "broken": "{shells} shells cross each other along {measured:.4g} {unit}, and at least one of them is broken itself",
    },
    fix="unite",
)


@rule.find
def find(part: Part, overlaps: tuple[Overlap, ...]) -> Iterator[Finding]:
    """One finding for each group of shells that hang together by overlapping, the largest volume first."""
    length, area, room = ("mm", "mm2", "mm3") if part.units is not None else ("file units", "square file units", "cubic file units")
    for group in overlaps:
        place = around_points(group.spots, group.faces)
        count = len(group.shells)
        if not np.isfinite(group.volume) and group.how != "buried":
            yield rule.finding("broken", group.seam, place=place, unit=length, fix="rewrap", shells=count)
        elif group.how == "touch":
            yield rule.finding("touch", group.contact, place=place, unit=area, shells=count)
        elif group.how == "buried":
            fix = "unite" if np.isfinite(group.volume) else "rewrap"
            yield rule.finding("buried", group.buried, place=place, unit=room, fix=fix, shells=count, inner=group.inner)
        else:
            yield rule.finding("share", abs(group.volume), place=place, unit=room, shells=count)
