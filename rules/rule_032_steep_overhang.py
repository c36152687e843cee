"""Steep overhang: skin that faces down with too little beneath it to be printed on.

At the bench: each layer is laid on the one before. Where the skin leans out too far the strands hang in the air, droop and leave a
rough underside, just where a chin, a nostril or the lobe of an ear should be clean. Supports help and leave scars that have to be filed.

How it is measured: the angle of each face from the vertical, 0 for a wall and 90 for a ceiling, by regions of steep skin that hang
together. Skin within 0.1 mm of the bed lies on it and does not count; nor does an underside within 1 mm of it that was meant as
the base. The area is taken along the skin; the reach is how far any of the region is, measured level, from the edge where the skin
goes on downward or from the bed. A level ceiling held on both sides is a bridge and is judged by its span.

Limit: angle, 45 degrees from the vertical (several shop guides; a published test passed up to 45); it is the angle at which half of
a line lies on the one below when the layer is half as high as the line is wide. For other settings atan(0.5 width / layer) may be
used: write it in the shop file. In resin 71 (19 from level, a shop guide). Ledge, 1 mm: the same test passed free ledges of 0.5 to
1.5 mm; in resin 1.0. Patch, 10 mm2 (common practice, no source). Bridge: note over 5 mm, caution over 25 (shop guides); in resin 21.

What mends it: lay, where another way up is clearly better, turns the part; it runs when you ask for it. Else print with supports and
keep them off the sculpted skin, or seat the part so that the steep side is cut away.

When it is wrong: a machine with strong cooling prints 55 to 60 degrees. Say so in the shop file, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np

from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.overhang import Steep, steep_regions
from lint.measure.poses import better_pose, poses
from lint.measure.shells import around_points
from lint.measure.surface import Faces, Skin
from lint.measure.walls import Patches
from lint.settings import Settings
from lint.terms import Finding, FloatArray, Limit, Rule, Weight


def _by_process(extrusion: float, resin: float) -> Callable[[Settings], float]:
    def limit(settings: Settings) -> float:
        return resin if settings.process == "resin" else extrusion

    return limit


rule = Rule(
    number=32,
    name="steep overhang",
    weight=Weight.CAUTION,
    unit="mm2",
    cases={
        "steep": "{measured:.0f} {unit} of skin overhangs past {past:.0f} degrees and reaches {reach:.1f} mm from what holds it up",
        "hanging": "{measured:.0f} {unit} of skin overhangs past {past:.0f} degrees, {reach:.1f} mm across, and nothing holds it up",
        "bridge": "a level ceiling spans {measured:.1f} {unit}; {limit:.0f} is bridged {how}",
    },
    limits={
        "angle": Limit(_by_process(45.0, 71.0), "degrees", "several shop guides and a published test; resin, a shop guide"),
        "ledge": Limit(1.0, "mm", "a published test passed free ledges of 0.5 to 1.5 mm; resin 1.0 (a shop guide)"),
        "patch": Limit(10.0, "mm2", "common practice, no source: 3 mm square"),
        "bridge": Limit(_by_process(5.0, 21.0), "mm", "two shop guides; resin, a shop guide"),
        "longest bridge": Limit(_by_process(25.0, 21.0), "mm", "three shop guides; resin, a shop guide"),
    },
    needs=("units",),
    after=(4, 7, 8, 10),
    fix="lay",
    upright=True,
)


# A base that fills this share of the shadow is kept down when another way up is looked for (see the rule about the base).
_BASE = 0.05


@rule.find
def find(
    skin: Skin, facets: Faces, edges: Edges, patches: Patches, contact: Contact, down: FloatArray, limits: Mapping[str, float]
) -> Iterator[Finding]:
    """One finding a region that matters, ceilings that can be bridged told apart."""
    found = steep_regions(skin, facets, edges, patches, contact, down, limits["angle"])
    steep = [r for r in found if not np.isfinite(r.span) and r.area >= limits["patch"] and r.reach > limits["ledge"]]
    fix = "lay" if steep and better_pose(poses(skin, facets, limits["angle"]), _BASE) is not None else None
    for region in steep:
        yield rule.finding(
            "steep" if region.held else "hanging",
            region.area,
            limits["patch"],
            place=around_points(region.points, region.faces),
            past=limits["angle"],
            reach=region.reach,
            fix=fix,
        )
    for region in found:
        if region.span > limits["bridge"] and region.area >= limits["patch"]:
            yield _bridge(region, limits)


def _bridge(region: Steep, limits: Mapping[str, float]) -> Finding:
    long = region.span > limits["longest bridge"]
    return rule.finding(
        "bridge",
        region.span,
        limits["longest bridge" if long else "bridge"],
        unit="mm",
        weight=Weight.CAUTION if long else Weight.NOTE,
        place=around_points(region.points, region.faces),
        how="with luck" if long else "without sagging",
        fix=None,
    )
