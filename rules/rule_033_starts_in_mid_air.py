"""Starts in mid-air: a layer begins with nothing under it.

At the bench: the first strands of a chin, a fingertip or the lobe of an ear that hangs lower than what it hangs from are laid into the
air. They fall, are dragged about by the nozzle and come back as a knot on the sculpted side; in resin they stay on the film of the vat.

How it is measured: going up through the part, every low point of the skin that has material above it and does not lie on the bed, and
how far up it stands alone before it joins what was begun lower down. Floors of pits and hollows are not meant: they have material
under them.

Limit: drop, 0.5 mm or two layers, whichever is more (common practice, no source): what is shallower is caught by the strands round it.

What mends it: nothing by itself. Print with a support under just this place, or turn the part (lay, on demand) so that it grows out of
what is already there.

When it is wrong: supports are printed anyway, and the place is under clay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.layers import Basins, mid_air_starts
from lint.measure.shells import around_points
from lint.measure.surface import Extent, Skin
from lint.settings import Settings
from lint.terms import Finding, Limit, Rule, Weight


def _drop(settings: Settings) -> float:
    return max(0.5, 2 * settings.layer)


rule = Rule(
    number=33,
    name="starts in mid-air",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "begins": "a layer begins {up:.1f} mm up with nothing under it and stands alone for {measured:.1f} {unit} before it joins the rest",
        "never joins": "a piece {measured:.1f} {unit} high begins {up:.1f} mm up with nothing under it and never joins the rest",
    },
    limits={"drop": Limit(_drop, "mm", "common practice, no source: half a mm or two layers")},
    needs=("units",),
    after=(4, 5, 7, 8, 10),
    upright=True,
)


@rule.find
def find(skin: Skin, basins: Basins, extent: Extent, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a place."""
    for start in mid_air_starts(skin, basins, extent, limits["drop"]):
        case = "begins" if start.joins else "never joins"
        up = start.z - float(extent.low[2])
        yield rule.finding(case, start.depth, limits["drop"], place=around_points(start.points), up=up)
