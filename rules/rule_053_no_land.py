"""No land: too little flat margin between the feature and the edge of its base.

At the bench: the sculpt's edge, the overflow of clay, the keys and the mould wall all stand on the flat around the feature. Without it
the clay edge hangs over nothing and the mould wall has nowhere to seal.
How it is measured: the largest level stretch facing up at one height in the lower half of the part; in plan, the least distance from the
edge of the base to the foot of what rises from that stretch. 0 when there is none.
Limit: the margin the ticket asks for, less half a millimetre for the facets of its edge. 25 to 50 mm is usual (facts 2.2.9, common
practice, no source); a cutting edge is 2 to 3 mm from the sculpt's edge (a working artist).
What mends it: seat, which gives the part a wider base.
When it is wrong: a buck that is moulded with its base let into a board has its land there: leave `margin` out of the ticket.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.land import Land
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=53,
    name="no land",
    weight=Weight.CAUTION,
    unit="mm",
    cases={"narrow": "the flat around the feature is {measured:.1f} mm wide at its narrowest and {limit:.1f} mm are asked for"},
    limits={"margin": Limit(lambda s: s.margin or 0.0, "mm", "the ticket's margin; facts 2.2.9, common practice: 25 to 50 mm")},
    needs=("units", "use.margin"),
    after=(4, 5, 7, 8, 34),
    fix="seat",
    upright=True,
)

_SLACK = 0.5


@rule.find
def find(land: Land, limits: Mapping[str, float]) -> Iterator[Finding]:
    """At most one finding, at the narrowest place."""
    if land.width < limits["margin"] - _SLACK:
        yield rule.finding("narrow", land.width, limits["margin"], place=land.narrowest)
