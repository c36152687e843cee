"""No true length: nothing in the ticket says how large the part really is.

At the bench: a scan knows shapes, not sizes. A phone may be three parts in a hundred out, and nobody sees it until the
sculpt does not fit the actor. One length measured with calipers on the real thing, and marked on the scan, settles it.

How it is measured: by counting the [[length]] entries of the ticket. When the file gives no unit and the ticket says which
body part it is, the units that would make it life-size are named; they are suggested, never assumed.

Limit: one reference length. Two are better: only then can a warped scan be told from a wrong scale (facts 3.6.4, common
practice, no source). That a scan made from photos has no scale without one is mathematics, not custom.

What mends it: lay a 40 mm gauge block or a 25 mm ball beside the model and scan it along, then
`buckwright size PATH --bar 40` or `--ball 25` finds it; or mark any two points whose distance you know:
`buckwright size PATH --from X,Y,Z --to-point X,Y,Z --true 40`.

When it is wrong: a part drawn from measurements, or already checked, needs no mark. Switch the rule off in the shop file and
give that as the reason.
"""

from collections.abc import Iterator, Mapping

from lint.measure.bodysize import Reach, plausible_units
from lint.measure.lengths import UNIT_WORDS, scale_of
from lint.terms import Finding, Limit, Part, Rule, Weight

rule = Rule(
    number=20,
    name="no true length",
    weight=Weight.CAUTION,
    unit="lengths",
    cases={
        "unmarked": "{measured:.0f} true lengths in the ticket, {limit:.0f} wanted: nothing proves the size of this part{hint}",
    },
    limits={"marks": Limit(1, "lengths", "one fixes the scale (mathematics); two would show a warped scan, facts 3.6.4")},
)


@rule.find
def find(part: Part, body_reach: Reach, limits: Mapping[str, float]) -> Iterator[Finding]:
    """Speaks when the ticket holds fewer reference lengths than wanted."""
    marks = len(part.ticket.length)
    if marks < limits["marks"]:
        yield rule.finding("unmarked", marks, limits["marks"], hint=_hint(part, body_reach))


def _hint(part: Part, reach: Reach) -> str:
    if part.units is not None or part.ticket.part.body is None:
        return ""
    fitting = plausible_units(part.ticket.part.body, (reach.length / scale_of(part),))
    if not fitting:
        return ""
    words = " or ".join(UNIT_WORDS[u] for u in fitting)
    return f" (were its numbers {words}, it would be life-size: if so, write units = \"{fitting[0]}\" under [part])"
