"""Deep recess: a nostril, an ear canal or a slit that runs deeper into the buck than it is wide.

At the bench: clay does not reach into it, plaster and silicone do: a rigid mould locks there, a flexible one tears off a plug that stays
in the buck. Scans leave such places ragged, because no camera sees into them.
How it is measured: skin with less than 12 mm of air straight over it, where the skin opposite runs beside it; the depth from the mouth of
the region, spanned flat, to the farthest skin in it, over the width of the air in the middle of its skin. Sampled. What opens in the
base is left out.
Limit: as deep as wide, and 4 mm deep at least (common practice, no source; that such places are filled or plugged on the core is in
two makers' accounts).
What mends it: plug, when asked for, closes its mouth with skin that goes on from the skin round it, and all behind it becomes solid;
where something stands in the mouth or it is too wide, only the depths. Or fill it with clay or wax on the printed buck before moulding.
When it is wrong: a recess that the sculpt needs and a flexible mould can follow. It is a note: leave it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.recess import Recess
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=52,
    name="deep recess",
    weight=Weight.NOTE,
    unit="times",
    cases={"deep": "a recess {depth:.1f} mm deep and {width:.1f} mm wide runs {measured:.1f} {unit} as deep as it is wide"},
    limits={
        "ratio": Limit(1.0, "times", "common practice, no source: clay and tools do not reach deeper than it is wide"),
        "depth": Limit(4.0, "mm", "common practice, no source: less is a wrinkle"),
    },
    needs=("units",),
    after=(4, 5, 7, 8),
    upright=True,
    fix="plug",
)


@rule.find
def find(recesses: tuple[Recess, ...], limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a recess, the deepest for its width first."""
    for recess in recesses:
        if recess.depth >= limits["depth"] and recess.ratio > limits["ratio"]:
            yield rule.finding(
                "deep", recess.ratio, limits["ratio"], place=recess.place, sampled=True, depth=recess.depth, width=recess.width
            )
