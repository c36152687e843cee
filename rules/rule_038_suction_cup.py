"""Suction cup: a hollow that opens only towards the film of a resin machine.

At the bench: most resin machines print upside down: every layer is pressed against a film and peeled off it. A hollow that opens only
towards the film and is shut everywhere else makes a sucker: it holds the print back, tears it off the plate or bursts its thinnest wall.
How it is measured: dips of the skin as the part stands, base on the plate: the widest level opening of each between its floor and the
level where it spills. Exact. Sealed hollows are rule 37.
Limit: 100 mm2 and 5 mm deep. At most one atmosphere acts on the opening, 10 N a square centimetre (facts 1.5.17, derived); the depth is
common practice, no source: the film gives way into a shallow dip and lets go.
What mends it: stand the part another way, so that the hollow opens sideways or to the plate; or a vent hole through its back, where it
does not show. A hole in a dip of the sculpted skin is for the sculptor to decide.
When it is wrong: a machine that lowers the part into the vat and cures from above has no film: switch the rule off in the shop file with
that reason. The part is taken to be held off the plate by its supports, so that holes in its base are open.
Caution: liquid resin stands in such a hollow when the print comes out: tip it out over the vat, with gloves made for the resin.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.cups import Cup
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=38,
    name="suction cup",
    weight=Weight.CAUTION,
    unit="mm2",
    cases={
        "sucks": "a hollow {depth:.0f} mm deep opens only upwards, {measured:.0f} mm2 wide: printed upside down it sucks at the film "
        "with up to {force:.0f} N",
    },
    limits={
        "opening": Limit(100.0, "mm2", "facts 1.5.17, derived: one atmosphere on 100 mm2 is 10 N"),
        "depth": Limit(5.0, "mm", "common practice, no source: the film gives way into a shallow dip"),
    },
    needs=("units", "process=resin"),
    after=(4, 5, 7, 8),
    upright=True,
)

_ATMOSPHERE = 0.1013  # N/mm2


@rule.find
def find(cups: tuple[Cup, ...], limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a cup."""
    for cup in cups:
        if cup.depth >= limits["depth"] and cup.area >= limits["opening"]:
            yield rule.finding(
                "sucks", cup.area, limits["opening"], place=cup.place, depth=cup.depth, force=cup.area * _ATMOSPHERE
            )
