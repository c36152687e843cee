"""Thin wall: less material between two skins than the machine can lay.

At the bench: a wall thinner than one line of filament is left out or prints as loose thread; one thinner than two lines is a single
strand that snaps under clay tools or when the mould comes off. In resin it warps, or tears on the way out of the vat.

How it is measured: from points all over the skin, no farther apart than the finding says, straight inward to the first skin that
faces back. Both sides of one wall are one finding. The value is the thickness that 2 % of the region lies below. The flanks of a
sharp edge, closing on each other by 15 degrees or more, are not a wall: every edge is thin at the very edge. Specks smaller than
the patch below are details and not walls.

Limit: stop, one nozzle width, under which lines are dropped (a university lab's test: walls drawn 0.1 to 0.3 mm came out 0.4 or
not at all); in resin 0.4 mm. Caution, two nozzle widths (three independent shop guides); in resin 1.0 mm (shop guides).
Patch, 1.3 mm2 over both sides: 0.8 mm square (common practice, no source).

What mends it: thicken: both sides of the wall move out by half of what is missing. It changes the skin, so it runs by itself only for
walls that would not print at all; ask for it and it brings the weak ones up too. Else scale the part, or print it with a smaller nozzle.

When it is wrong: hair, lashes and feather edges that you know will not print and will be sculpted anyway. Tune the limit in the shop file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.edges import Edges
from lint.measure.narrow import narrow_regions
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.measure.walls import Patches, Walls
from lint.settings import Settings
from lint.terms import Finding, Limit, Rule, Weight


def _stop(settings: Settings) -> float:
    return 0.4 if settings.process == "resin" else settings.nozzle


def _caution(settings: Settings) -> float:
    return 1.0 if settings.process == "resin" else 2 * settings.nozzle


rule = Rule(
    number=30,
    name="thin wall",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "dropped": "the wall is {measured:.2f} {unit}, less than the {limit:.2f} that prints at all, over {area:.0f} mm2 "
        "(measured every {spacing:.1f} mm)",
        "weak": "the wall is {measured:.2f} {unit} and needs {limit:.2f} to bear handling, over {area:.0f} mm2 "
        "(measured every {spacing:.1f} mm)",
    },
    limits={
        "stop": Limit(_stop, "mm", "one nozzle width (a university lab's test); resin 0.4 mm (two shop guides)"),
        "caution": Limit(_caution, "mm", "two nozzle widths (three independent shop guides); resin 1.0 mm (a shop guide)"),
        "patch": Limit(1.3, "mm2", "common practice, no source: 0.8 mm square, both sides"),
    },
    needs=("units",),
    after=(4, 5, 7, 8, 9, 10),
    fix="thicken",
)

# A wall made just as thick as the limit passes through rounding of the file unharmed.
_SLACK = 1e-3


@rule.find
def find(
    skin: Skin, edges: Edges, patches: Patches, walls: Walls, limits: Mapping[str, float]
) -> Iterator[Finding]:
    """One finding a thin region, both sides taken together."""
    regions = narrow_regions(
        patches, walls.thickness, walls.across, walls.taper, edges.neighbours, len(skin.faces), limits["caution"] - _SLACK, limits["patch"]
    )
    for region in regions:
        heavy = region.least < limits["stop"] - _SLACK
        yield rule.finding(
            "dropped" if heavy else "weak",
            region.least,
            limits["stop" if heavy else "caution"],
            weight=Weight.STOP if heavy else Weight.CAUTION,
            place=around_points(patches.point[region.patches], region.faces),
            sampled=True,
            area=region.area / 2,
            spacing=patches.spacing,
        )
