"""Narrow gap: two skins face each other across less air than the machine can keep open.

At the bench: a slit between lips, fingers or an ear and the head closes up while printing. What should be two edges for the clay comes
out as one smeared seam, or as a crack that holds dirt, release agent and plaster.

How it is measured: from points all over the skin, no farther apart than the finding says, straight outward to the first skin that
faces back. Both sides of one gap are one finding. The value is the width that 2 % of the region lies below. A crease whose sides
close on each other by 15 degrees or more is no gap: every crease is narrow at its bottom.

Limit: width, 0.5 mm (shop guides give 0.4 to 0.5 for parts that must stay apart; resin 0.5). Patch, 4 mm2 over both sides (common
practice, no source).

What mends it: nothing here. Open the gap before scanning, with a thread or a card between the fingers, or close it on purpose with clay
on the print.

When it is wrong: a seam that may as well close, such as between lips that will be under clay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.edges import Edges
from lint.measure.narrow import narrow_regions
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.measure.walls import Gaps, Patches
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=31,
    name="narrow gap",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "closes": "the gap is {measured:.2f} {unit} and needs {limit:.2f} to stay open, over {area:.0f} mm2 "
        "(measured every {spacing:.1f} mm)",
    },
    limits={
        "width": Limit(0.5, "mm", "two shop guides for parts that must stay apart (0.4 to 0.5); resin 0.5 (a shop guide)"),
        "patch": Limit(4.0, "mm2", "common practice, no source: both sides"),
    },
    needs=("units",),
    after=(4, 5, 7, 8, 9, 10),
)

# A gap made just as wide as the limit passes through rounding of the file unharmed.
_SLACK = 1e-3


@rule.find
def find(skin: Skin, edges: Edges, patches: Patches, gaps: Gaps, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a gap, both sides taken together."""
    regions = narrow_regions(
        patches, gaps.width, gaps.across, gaps.taper, edges.neighbours, len(skin.faces), limits["width"] - _SLACK, limits["patch"]
    )
    for region in regions:
        yield rule.finding(
            "closes",
            region.least,
            limits["width"],
            place=around_points(patches.point[region.patches], region.faces),
            sampled=True,
            area=region.area / 2,
            spacing=patches.spacing,
        )
