"""No flat base: the part does not lie flat on the bed.

At the bench: a buck that touches the bed with a point or a few square millimetres comes loose while it prints, and on the
board it rocks under the thumb. A flat base is also what the mould wall and the clay edge are built up from.

How it is measured: skin within 0.1 mm of the lowest point and level to 10 degrees counts as lying on the bed. Its area is
compared with the part's whole shadow on the bed, drawn taut round the outside. When there is a broad underside within 1 mm of
the bed but most of it does not touch, the finding says how uneven it is instead. Open sheets are judged too: a sheet standing
on its rim rests on nothing.

Limit: share, 5 % of the shadow (common practice, no source: enough for the first layer to hold and the part not to rock).
Flat, 0.1 mm: half of a 0.2 mm first layer, which is evened out when it is pressed down (derived from a usual first layer).

What mends it: seat, which carries an open sheet down to a flat base, or cuts or fills a closed part flat.

When it is wrong: a part printed on feet that are meant to be cut off, or stuck to the bed with a printed brim or supports. Say so
in the shop file, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.contact import Contact
from lint.measure.shells import around, around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=34,
    name="no flat base",
    weight=Weight.STOP,
    unit="mm2",
    cases={
        "nothing flat": "it rests on {measured:.1f} {unit} of flat skin and needs {limit:.0f}: it comes off the bed and rocks on the board",
        "uneven": "the underside is uneven by {measured:.2f} {unit}, where {limit:.2f} is flat: only {share:.0f} % of it touches the bed",
    },
    limits={
        "share": Limit(5.0, "%", "common practice, no source: part of the shadow that must lie on the bed"),
        "flat": Limit(0.1, "mm", "half of a 0.2 mm first layer (derived)"),
    },
    needs=("units",),
    after=(7,),
    fix="seat",
    upright=True,
)


@rule.find
def find(skin: Skin, contact: Contact, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding for the part: too little lies on the bed, or what was meant to is uneven."""
    needed = limits["share"] / 100 * contact.footprint
    resting = contact.area >= needed and contact.area > 0
    if contact.meant and contact.unevenness > limits["flat"] and contact.area < contact.base_area / 2:
        yield rule.finding(
            "uneven", contact.unevenness, limits["flat"], unit="mm", place=around(skin, contact.base),
            weight=Weight.CAUTION if resting else Weight.STOP, share=100 * contact.area / contact.base_area,
        )  # fmt: skip
    elif not resting:
        place = around_points(skin.vertices[contact.points], contact.faces)
        yield rule.finding("nothing flat", contact.area, needed, place=place)
