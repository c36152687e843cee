"""Ticket trouble: the ticket says something that cannot be true of this part.

At the bench: a point typed with two digits swapped, a length marked on an older scan, a pull of no direction. What is built on a
wrong fact comes out wrong, and nobody sees it until the cast.

How it is measured: a ticket that cannot be read at all (an unknown key, a wrong type, a number out of its range) stops the run before
any rule, with file, key and what is wanted. This rule judges what can be read: a caliper point must lie on or near the part, the end of
a reference length somewhere about it (the gauge block may have been cut away), two ends of a length must differ, a direction must
point somewhere, and a crop box must have its low corner under its high one.

Limit: far, 10 % of the part's diagonal between a caliper point and the skin; far_length, 300 % for a reference length (both common
practice, no source: a finger's breadth on a hand; and farther off than anybody lays a gauge block).

What mends it: open the ticket and correct the key named.

When it is wrong: the part was cut down to a small piece of what was scanned. Mark the points again on what is left, or widen the limit
in the shop file, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.surface import Extent
from lint.measure.ticket_points import TicketPoints
from lint.terms import Finding, Limit, Part, Place, Rule, Weight

rule = Rule(
    number=71,
    name="ticket trouble",
    weight=Weight.STOP,
    unit="%",
    cases={
        "far off": "{key} lies {measured:.0f} {unit} of the part's size away from its skin, and {limit:.0f} {unit} is far: "
        "it was marked on something else",
        "no length": "{key}: both ends are the same point, {measured:.0f} {unit} apart",
        "no direction": "{key} has a length of {measured:.0f} and points nowhere: write a direction such as [0, 0, 1]",
        "empty box": "{key}: the low corner is not under the high one on {measured:.0f} of 3 axes, so nothing would be left",
    },
    limits={
        "far": Limit(10.0, "%", "common practice, no source: share of the diagonal that a caliper point may lie off the skin"),
        "far_length": Limit(300.0, "%", "common practice, no source: the gauge stood about the part, and may have been cut away"),
    },
)


@rule.find
def find(part: Part, ticket_points: TicketPoints, extent: Extent, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a key."""
    size = max(extent.diagonal, 1e-12)
    for key, point, off in zip(ticket_points.key, ticket_points.points, ticket_points.off, strict=True):
        far = limits["far_length" if key.startswith("[[length]]") else "far"]
        if off > far / 100 * size:
            place = Place((float(point[0]), float(point[1]), float(point[2])), 0.0)
            yield rule.finding("far off", 100 * off / size, far, place=place, key=key)
    for start in range(0, len(ticket_points.points), 2):
        if np.array_equal(ticket_points.points[start], ticket_points.points[start + 1]):
            yield rule.finding("no length", 0.0, unit="mm", key=ticket_points.key[start].removesuffix(" from"))
    for key, direction in (("[part] face", part.ticket.part.face), ("[use] pull", part.ticket.use.pull)):
        if direction is not None and not np.any(direction):
            yield rule.finding("no direction", 0.0, unit="", key=key)
    for number, crop in enumerate(part.ticket.fix.crop, start=1):
        if crop.low is not None and crop.high is not None:
            wrong = int(np.count_nonzero(np.asarray(crop.low) >= np.asarray(crop.high)))
            if wrong:
                yield rule.finding("empty box", wrong, unit="", key=f"[[fix.crop]] {number}")
        if crop.away is not None and not np.any(crop.away):
            yield rule.finding("no direction", 0.0, unit="", key=f"[[fix.crop]] {number} away")
