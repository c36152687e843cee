"""Unmarked: nothing on the base says which part, side or size this is.

At the bench: a left ear and a right ear lie alike in a drawer, and a buck at 98 % looks like one at 100 %. A mark cut into the base stays
with the print when the label has fallen off.
How it is measured: outlines in the base that are not round, or that have an island in them: letters, figures or an arrow cut 0.2 to 5 mm
deep. Round sockets and drain holes do not count.
Limit: one outline at least. Strokes narrower than about half a millimetre do not print (two shop guides).
What mends it: mark, asked for by the maker, cuts side, part and size into the base. Else write them there.
When it is wrong: a mark on the side of the base, or on a label cast in, is not seen by this rule.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.base_loops import BaseLoops
from lint.measure.contact import Contact
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=55,
    name="unmarked",
    weight=Weight.NOTE,
    unit="marks",
    cases={"blank": "{measured:.0f} {unit} on the base: nothing says which part, side or size it is"},
    limits={"marks": Limit(1.0, "marks", "common practice, no source")},
    needs=("units",),
    after=(4, 5, 7, 8, 34),
    fix="mark",
    upright=True,
)


@rule.find
def find(skin: Skin, contact: Contact, base_loops: BaseLoops, limits: Mapping[str, float]) -> Iterator[Finding]:
    """At most one finding, for the base."""
    count = base_loops.letters
    if count < limits["marks"]:
        place = around_points(skin.vertices[np.unique(skin.faces[contact.faces])], contact.faces)
        yield rule.finding("blank", count, limits["marks"], place=place)
