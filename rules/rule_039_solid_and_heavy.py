"""Solid and heavy: material deep inside that a hollow would save.

At the bench: a life-size head printed solid takes days and kilograms, and a full block of resin warps and cracks as it cures. A shell
a few millimetres thick bears clay just as well: plaster positives are cast as shells too.
How it is measured: the depth under the skin at the points of a coarse, even grid; the volume deeper than the wall that the ticket asks
for, less what the skin curves away. Sampled; a roof that must hold itself up costs some of it, so "up to".
Limit: from 20 cm3 on and from 30 % of the material on (common practice, no source): less is not worth two drain holes. Small parts save
nothing: where two walls fill 60 % of the least size a cavity is not worth having (common practice, no source).
What mends it: hollow, asked for by the maker, and drain after it. Weight by 1.24 g/cm3 for PLA and 1.15 for cured resin (data sheets,
from memory), for extrusion between a fifth filled and full; hours by the bead's width and height at 40 to 120 mm/s.
When it is wrong: a buck that will be clamped, carved into or filled with plaster anyway is better solid: note it and go on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.depths import Depths
from lint.measure.hollows import Hollows
from lint.measure.inner import Inner
from lint.measure.shells import around_points
from lint.measure.surface import Extent, Skin, used_points
from lint.settings import Settings
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=39,
    name="solid and heavy",
    weight=Weight.NOTE,
    unit="cm3",
    cases={
        "extrusion": "hollowed at a wall of {wall:.1f} mm it would need up to {measured:.0f} cm3 less: {light:.0f} to {heavy:.0f} g and "
        "{quick:.0f} to {slow:.0f} hours of printing, by how full and how fast it is printed",
        "resin": "hollowed at a wall of {wall:.1f} mm it would need up to {measured:.0f} cm3 less resin, about {heavy:.0f} g",
    },
    limits={
        "saving": Limit(20.0, "cm3", "common practice, no source: less is not worth two drain holes"),
        "share": Limit(30.0, "%", "common practice, no source"),
        "least": Limit(60.0, "%", "facts 1.7.6, common practice: two walls of the least size"),
    },
    needs=("units",),
    after=(4, 5, 7, 8, 10),
    fix="hollow",
)

_DENSITY = {"extrusion": 1.24, "resin": 1.15}
_SPARSE = 0.2
_SPEEDS = (40.0, 120.0)


@rule.find
def find(
    skin: Skin, extent: Extent, depths: Depths, hollows: Hollows, inner: Inner, settings: Settings, limits: Mapping[str, float]
) -> Iterator[Finding]:
    """At most one finding, for the whole part."""
    least = float((extent.high - extent.low).min())
    if inner.hollow or hollows.cavities or 200 * settings.wall > limits["least"] * least:
        return
    for deeper in (depths.deeper_at_most, depths.deeper):  # most parts are too small for it to matter how much exactly
        saved = deeper(settings.wall) / 1000
        if saved < limits["saving"] or 100 * saved < limits["share"] * depths.whole / 1000:
            return
    grams = saved * _DENSITY[settings.process]
    bead = 1.1 * settings.nozzle * settings.layer * 3.6  # cm3/h at 1 mm/s
    yield rule.finding(
        settings.process,
        saved,
        limits["saving"],
        place=around_points(used_points(skin)),
        sampled=True,
        wall=settings.wall,
        light=grams * _SPARSE,
        heavy=grams,
        quick=saved * _SPARSE / (bead * _SPEEDS[1]),
        slow=saved / (bead * _SPEEDS[0]),
    )
