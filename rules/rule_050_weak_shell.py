"""Weak shell: the wall of a hollow buck is thinner than work in clay needs.

At the bench: clay is pressed on with the thumbs and combed off with a rake. A flat stretch of a thin shell gives under the thumb, the
clay over it cracks, and a hard push goes through; plaster poured over it presses harder still.
How it is measured: only on hollow parts, which are those with sealed cavities, with hollows behind drain holes, or open below like a
bell. From points all over the skin straight in to the first skin that faces back, where the one looks outside and the other into the
hollow; the value is the thickness that 2 % of the region lies below. Sharp edges are no walls.
Limit: four nozzle widths for extrusion, 2.0 mm for resin (facts 1.7.5, common practice); and the wall the ticket or the shop file
asks for, where one does. For a flat stretch 80 mm wide a wall of 1.6 mm gives 1.2 mm under a thumb, 3 mm gives 0.2 (facts 1.7.3,
derived; curved walls are far stiffer).
What mends it: fill in makes a sealed hollow solid again where the wall is weaker than bears work at all. A hollow that is open is left.
Then hollow the solid part again with a thicker wall (`wall` under [use] in the ticket).
When it is wrong: a shell that will be filled with plaster or foam before it is worked on. Tune the limit in the shop file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.edges import Edges
from lint.measure.inner import Inner
from lint.measure.narrow import narrow_regions
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.measure.walls import Patches, Walls
from lint.settings import Settings
from lint.terms import Finding, Limit, Rule, Weight


def _least(settings: Settings) -> float:
    return 2.0 if settings.process == "resin" else 4 * settings.nozzle


def _asked(settings: Settings) -> float:
    said = settings.set_by.get("wall", "edition")
    return max(settings.wall, _least(settings)) if not said.startswith("edition") else _least(settings)


rule = Rule(
    number=50,
    name="weak shell",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "gives": "the shell is {measured:.2f} mm thick over {area:.0f} mm2 and needs {limit:.2f} mm to bear clay work",
        "under": "the shell is {measured:.2f} mm thick over {area:.0f} mm2, under the {limit:.2f} mm asked for",
    },
    limits={
        "least": Limit(_least, "mm", "facts 1.7.5, common practice: four nozzle widths, or 2.0 mm of resin"),
        "asked": Limit(_asked, "mm", "the wall the ticket or the shop file gives; else as the least"),
        "patch": Limit(20.0, "mm2", "common practice, no source: a finger tip's press, both sides counted"),
    },
    fix="fill in",
    needs=("units",),
    after=(4, 5, 7, 8, 9, 10),
    upright=True,
)

# A wall made to the limit passes through the rounding of a file and a sampled measurement unharmed.
_SLACK = 0.01


@rule.find
def find(
    skin: Skin, edges: Edges, patches: Patches, walls: Walls, inner: Inner, limits: Mapping[str, float]
) -> Iterator[Finding]:
    """One finding a thin region between the outside and the hollow, both sides taken together."""
    if not inner.hollow:
        return
    between = (walls.across >= 0) & (inner.faces[patches.face] | inner.faces[walls.across])
    thickness = np.where(between, walls.thickness, np.inf)
    limit = max(limits["asked"], limits["least"])
    for region in narrow_regions(
        patches, thickness, walls.across, walls.taper, edges.neighbours, len(skin.faces), limit - _SLACK, limits["patch"]
    ):
        weak = region.least < limits["least"] - _SLACK
        yield rule.finding(
            "gives" if weak else "under",
            region.least,
            limits["least"] if weak else limits["asked"],
            weight=Weight.STOP if weak else Weight.CAUTION,
            place=around_points(patches.point[region.patches], region.faces),
            sampled=True,
            area=region.area / 2,
        )
