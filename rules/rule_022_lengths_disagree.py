"""Lengths disagree: two marked lengths ask for different scales.

At the bench: no scaling makes such a part true. Either a mark is wrong, or the scan is warped: longer one way than another, as
happens when the model moved, or the phone lost its way round a corner. The buck would fit at one end and not at the other.

How it is measured: each marked length asks for a scale, its true length over what it measures. The two that differ most, against
what their marks may err, are reported with their difference as a share.

Limit: 1 % (facts 3.6.12, derived: where calipers begin to disagree), or what two marks set by hand err together where that is more:
0.5 mm each length (facts 3.6.5, derived), added as independent errors are, by the root of the squares. That references should be
compared at all is common practice, no source (facts 3.6.4); good bars agree within 0.1 mm (facts 3.6.3, practitioners).

What mends it: nothing that could be trusted without you. Measure and mark both again; if they still disagree, scan again
with the reference in every view.

When it is wrong: with short lengths marked by hand, or one measured on soft skin, which gives by about 1 mm under caliper jaws.
"""

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.lengths import Lengths
from lint.measure.shells import around_points
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=22,
    name="lengths disagree",
    weight=Weight.CAUTION,
    unit="%",
    cases={
        "warped": "{one} asks for {scale_one:.4g} times this size and {other} for {scale_other:.4g} times: they differ by {measured:.1f} % "
        "(limit {limit:.1f} %), so a mark is wrong or the scan is warped",
    },
    limits={
        "share": Limit(1.0, "%", "where calipers on the print begin to disagree, facts 3.6.12 (derived)"),
        "mark": Limit(0.5, "mm", "what the two marks of one length err together, facts 3.6.5 (derived)"),
    },
    needs=("lengths",),
)


@rule.find
def find(lengths: Lengths, limits: Mapping[str, float]) -> Iterator[Finding]:
    """The pair of lengths that differs most against what it may."""
    scale = lengths.true / lengths.measured
    apart = np.maximum(scale[:, None], scale[None]) / np.minimum(scale[:, None], scale[None]) - 1
    slip = limits["mark"] / lengths.true
    allowed = np.maximum(np.hypot(slip[:, None], slip[None]), limits["share"] / 100)
    one, other = (int(k) for k in np.unravel_index(np.argmax(apart / allowed), apart.shape))
    if apart[one, other] <= allowed[one, other]:
        return
    points = np.stack((lengths.start[one], lengths.end[one], lengths.start[other], lengths.end[other]))
    yield rule.finding(
        "warped",
        100 * float(apart[one, other]),
        100 * float(allowed[one, other]),
        place=around_points(points),
        one=lengths.names[one],
        other=lengths.names[other],
        scale_one=float(scale[one]),
        scale_other=float(scale[other]),
        related=tuple((lengths.names[k], around_points(np.stack((lengths.start[k], lengths.end[k])))) for k in (one, other)),
    )
