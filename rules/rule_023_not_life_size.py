"""Not life-size: no grown person has a part like this.

At the bench: a hand seven millimetres long is a hand in inches that somebody read as millimetres. Bodies differ, so this
finds only gross slips: an ear 10 % too small is still an ear, and only a marked length can tell.

How it is measured: the reach of the part, which is the largest distance between two of its points (specks left out), against the
room for the body part named in the ticket. The room begins at the smallest adult's dimension (for a hand the palm, since it may be
a fist) and ends at the largest adult's with what bucks of that kind carry: skin round an ear, shoulders under a head, a forearm
behind a hand. If the part is far outside, other units are tried (mm, cm, m, inches) and those that bring it into the room are named.

Limit: the room, widened by a tenth at both ends (facts 7 and 3.2.4; the table is ANSUR II, 2012, NATICK/TR-15/007, men and women
together; noses from a band round published means, facts 3.3.9). How much more than the bare dimension a buck may reach is common
practice, no source. A unit is suggested only outside twice the room (facts 7): nearer than that a child or a giant is likelier.

What mends it: resize, only when exactly one unit fits and no length is marked. Where two fit, say which: write units = "..." under
[part]. A marked length always decides before this table.

When it is wrong: children are smaller (a newborn's head is 315 to 374 mm round, WHO), and theatre has giants. Mark a length, and
call the body "other", or switch the rule off for that shelf with the reason. Table and block scanned along also make a part reach
farther: crop them away.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from lint.measure.bodysize import LIFE, Reach, life_size, plausible_units
from lint.measure.lengths import UNIT_WORDS, scale_of, times, unit_near
from lint.measure.shells import around_points
from lint.terms import MM_PER_UNIT, Finding, Limit, NotRun, Part, Rule, Weight

rule = Rule(
    number=23,
    name="not life-size",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "slip": "this {body} reaches {measured:.4g} mm, and a grown person's {least:.0f} to {most:.0f} mm: were its numbers {unit} and not "
        "{read} ({times}), it would reach {would:.0f} mm",
        "slips": "this {body} reaches {measured:.4g} mm, and a grown person's {least:.0f} to {most:.0f} mm: its numbers may be {options}; "
        "write the right units under [part]",
        "odd": "this {body} reaches {measured:.4g} mm, and a grown person's {least:.0f} to {most:.0f} mm: no mistaken unit explains it",
        "near": "this {body} reaches {measured:.4g} mm, and a grown person's {least:.0f} to {most:.0f} mm: a child's, a giant's, or not "
        "to size; only a marked length can tell",
    },
    limits={
        "widen": Limit(0.10, "share", "the table holds fit adults only, facts 3.2.4 and 7 (derived)"),
        "far": Limit(2.0, "times", "outside twice the room a mistaken unit is likelier than a small or large person, facts 7 (derived)"),
    },
    needs=("units", "part.body"),
    fix="resize",
)


@rule.find
def find(part: Part, body_reach: Reach, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Compares the reach with the room for the body part; names the units that would explain a gross slip."""
    body = part.ticket.part.body
    if body is None or body not in LIFE:
        raise NotRun("nobody has measured the body part that the ticket names")
    least, most = life_size(body, limits["widen"])
    reach = body_reach.length
    if least <= reach <= most:
        return
    limit = least if reach < least else most
    place = around_points(np.stack((body_reach.start, body_reach.end)))
    words: dict[str, Any] = {"body": body, "least": least, "most": most}
    if least / limits["far"] <= reach <= most * limits["far"]:
        yield rule.finding("near", reach, limit, place=place, fix=None, **words)
        return
    scale = scale_of(part)
    units = plausible_units(body, (reach / scale,), limits["widen"])
    if not units:
        yield rule.finding("odd", reach, limit, place=place, fix=None, **words)
    elif len(units) > 1:
        would = {u: reach / scale * MM_PER_UNIT[u] for u in units}
        options = " or ".join(f"{UNIT_WORDS[u]} ({times(MM_PER_UNIT[u] / scale)}, reach {would[u]:.0f} mm)" for u in units)
        yield rule.finding("slips", reach, limit, place=place, fix=None, options=options, **words)
    else:
        factor = MM_PER_UNIT[units[0]] / scale
        now = unit_near(scale)
        yield rule.finding(
            "slip", reach, limit, place=place, fix=None if part.ticket.length else "", unit=UNIT_WORDS[units[0]],
            read=UNIT_WORDS[now] if now else str(part.units), times=times(factor), would=reach * factor, **words,
        )  # fmt: skip
