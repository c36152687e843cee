"""Off the bed: the lowest point of the part is not at height zero.

At the bench: some machines begin to print in the air or cut the foot of the part off when the file does not stand on height
zero; others set it down by themselves. It costs nothing to have it right in the file.

How it is measured: the height of the lowest point that any skin uses.

Limit: off, 0.01 mm either way: far under any layer, far over the rounding of a file (derived). The 3MF standard takes z = 0 as the
bed (3MF Core 1.4.0, sections 3.2 and 3.3).

What mends it: settle, which moves the whole part straight up or down.

When it is wrong: a part kept in the coordinates of a larger assembly. Settle moves only what is written out, never your file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lint.measure.contact import Contact
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=35,
    name="off the bed",
    weight=Weight.NOTE,
    unit="mm",
    cases={
        "hovers": "its lowest point is {measured:.2f} {unit} above the bed",
        "sunk": "its lowest point is {depth:.2f} {unit} below the bed",
    },
    limits={"off": Limit(0.01, "mm", "far under a layer, far over the rounding of a file (derived)")},
    needs=("units",),
    fix="settle",
    upright=True,
)


@rule.find
def find(skin: Skin, contact: Contact, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding when the lowest point is off z = 0."""
    if abs(contact.lowest) > limits["off"]:
        place = around_points(skin.vertices[contact.points])
        case = "hovers" if contact.lowest > 0 else "sunk"
        yield rule.finding(case, contact.lowest, 0.0, place=place, depth=-contact.lowest)
