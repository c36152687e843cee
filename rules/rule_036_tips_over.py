"""Tips over: the part stands, but a push or the weight of the clay brings it down.

At the bench: clay work leans on the buck, and wet plaster pulls at it. A tall part on a small foot goes over on the bed, where it
costs a print, or on the board, where it costs a sculpt.

How it is measured: the centre of mass of the solid, and the outline drawn taut round the skin that lies on the bed. The tip angle is
how far the part may be leant before its centre passes over the nearest side of that outline: the arc tangent of the distance over
the height (statics). The part is taken as solid throughout; a light fill leaves more of the weight in the skin, which changes the
height of the centre little. A centre outside the outline gives a negative angle: it falls over by itself.

Limit: caution under 15 degrees, stop under 10 (common practice for a bench object that gets pushed, no trade source).

What mends it: seat, with a wider margin: a base that reaches farther out.

When it is wrong: a part that will be screwed or clayed to a board before anyone leans on it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.shells import around_points
from lint.measure.stance import Stance
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=36,
    name="tips over",
    weight=Weight.STOP,
    unit="degrees",
    cases={
        "leans": "it goes over when leant {measured:.1f} {unit}, wanted {limit:.0f}: the weight is {height:.0f} mm up and "
        "{margin:.1f} mm inside its foot",
        "falls": "it falls over by itself ({measured:.1f} {unit}, wanted {limit:.0f}): the weight is {outside:.1f} mm outside its foot",
    },
    limits={
        "stop": Limit(10.0, "degrees", "common practice for a bench object that gets pushed, no trade source"),
        "caution": Limit(15.0, "degrees", "common practice for a bench object that gets pushed, no trade source"),
    },
    needs=("units",),
    after=(4, 5, 7, 8, 34),
    fix="seat",
    upright=True,
)

# The angle is good to about a hundredth of a degree; a part made to stand at the limit itself is let pass.
_SLACK = 0.01


@rule.find
def find(stance: Stance, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding, for the side it goes over."""
    if stance.angle >= limits["caution"] - _SLACK:
        return
    heavy = stance.angle < limits["stop"] - _SLACK
    yield rule.finding(
        "falls" if stance.margin < 0 else "leans",
        stance.angle,
        limits["stop" if heavy else "caution"],
        weight=Weight.STOP if heavy else Weight.CAUTION,
        place=around_points(stance.edge),
        height=stance.height,
        margin=stance.margin,
        outside=-stance.margin,
    )
