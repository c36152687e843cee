"""Trapped hollow: a cavity inside the part with no way out.

At the bench: liquid resin shut in a hollow never cures. It weeps out weeks later through a crack, ruins clay, silicone and the
finish, and harms the skin of whoever sands or cuts the buck. A hollow extrusion print holds no liquid, but the air in it swells
when the buck is dried in an oven and can split it.
How it is measured: closed shells that face in, lying in the material of another shell; the volume of each in mm3, less what loose
crumbs inside it take up. Exact.
Limit: none is allowed but bubbles of less than 10 mm3, a few layers of a bead (common practice, no source).
What mends it: drain, which cuts two holes through the base, at a slant or with bends where the hollow does not lie above it, and
through the low side or the underside only where the skin may be cut and no way from the base drains it.
When it is wrong: a hollow that opens only through a crack or a hole too fine to print is open in the file and shut in the print; this
rule does not see it. A cavity meant to stay shut, such as a float, is right to keep: accept it in the ledger.
Caution: liquid resin left in a hollow stays uncured, can leak or crack the part later and touches the skin when the buck is sanded or
cut; acrylate allergy is lasting, and thin gloves alone are not enough. Drain it, wash the inside, cure the inside and let it dry;
follow the resin's safety sheet and local rules.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.hollows import Hollows
from lint.settings import Settings
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=37,
    name="trapped hollow",
    weight=Weight.STOP,
    unit="mm3",
    cases={
        "resin": "a hollow of {measured:.0f} mm3 has no way out: liquid resin stays in it, uncured, and weeps out later",
        "air": "a hollow of {measured:.0f} mm3 has no way out: the air in it swells when the buck is warmed and can split it",
    },
    limits={"bubble": Limit(10.0, "mm3", "common practice, no source: a bubble a few layers high holds no drop")},
    needs=("units",),
    after=(4, 5, 7),
    fix="drain",
)


@rule.find
def find(hollows: Hollows, settings: Settings, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding for each sealed cavity."""
    resin = settings.process == "resin"
    for cavity in hollows.cavities:
        if cavity.volume > limits["bubble"]:
            yield rule.finding(
                "resin" if resin else "air", cavity.volume, limits["bubble"], place=cavity.place,
                weight=Weight.STOP if resin else Weight.CAUTION,
            )  # fmt: skip
