"""Calipers disagree: the print, measured, is not the size of the model.

At the bench: the mould is made on the print, not on the file. A print that came off the bed 2 % small makes an ear that is 2 % small,
and two halves from different days that do not meet.

How it is measured: each [[caliper]] reading of the ticket against the straight distance between its two points on the model. When two or
more readings agree on one scale, the finding says by what factor the printer is off, which is what its size correction wants; when they
do not, the print is warped and no single factor mends it.

Limit: caution past 1 mm or 1 %, whichever is more; stop past 3 mm or 3 %. Derived: 1 mm is the largest error ISO 20685-1 allows a scan
of a hand or a bare head (read second-hand, in a textbook), 3 mm is where phone and studio scans of one face agree 95 times in 100 (a
2024 review). Desktop printing itself holds 0.5 % or 0.5 mm (a trade handbook), so a sound print passes.

What mends it: print again with the size correction that the finding states, or correct the reading. Let the print cool first: jaws
on a warm print, and on clay or skin, read about 1 mm off (common practice, no source).

When it is wrong: the points were marked on another spot than the jaws touched. Measure again between two features that a jaw can find.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.shells import around_points
from lint.measure.ticket_points import TicketPoints
from lint.terms import Finding, Limit, Part, Rule, Weight

_ISO = "derived from ISO 20685-1 (1 mm for hand and head) and the agreement of phone scans (3 mm)"
rule = Rule(
    number=73,
    name="calipers disagree",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "off": "{what} reads {read:.2f} {unit} and the model has {model:.2f}: off by {measured:.2f} {unit}, "
        "where {limit:.2f} is allowed; {advice}",
    },
    limits={
        "caution_mm": Limit(1.0, "mm", _ISO),
        "caution_share": Limit(1.0, "%", _ISO),
        "stop_mm": Limit(3.0, "mm", _ISO),
        "stop_share": Limit(3.0, "%", _ISO),
    },
    needs=("units", "caliper"),
)

# Readings whose scales lie this close together (as a share) tell of one wrong scale and not of a warped print.
_AGREE = 0.01


@rule.find
def find(part: Part, ticket_points: TicketPoints, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding a reading, with the scale correction that all readings together ask for."""
    ends = ticket_points.points[ticket_points.caliper]
    model = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    read = np.array([c.read for c in part.ticket.caliper])
    for number, (is_read, has, pair) in enumerate(zip(read, model, ends, strict=True)):
        off = abs(is_read - has)
        caution = max(limits["caution_mm"], limits["caution_share"] / 100 * has)
        stop = max(limits["stop_mm"], limits["stop_share"] / 100 * has)
        if off <= caution:
            continue
        entry = part.ticket.caliper[number]
        yield rule.finding(
            "off",
            off,
            stop if off > stop else caution,
            weight=Weight.STOP if off > stop else Weight.CAUTION,
            place=around_points(pair),
            what=entry.name or f"caliper reading {number + 1}",
            read=is_read,
            model=has,
            advice=_advice(read, model),
        )


def _advice(read: np.ndarray, model: np.ndarray) -> str:
    good = model > 0
    if not good.any():
        return "the two points of the reading are one and the same"
    scale = read[good] / model[good]
    if np.ptp(scale) > _AGREE * scale.mean():
        return "the readings ask for different scales, so the print is warped or a point is marked wrong"
    # Least squares through the origin: the one factor that brings all readings nearest to the model.
    factor = float((model[good] @ model[good]) / (model[good] @ read[good]))
    return f"set the printer's size correction to {100 * factor:.2f} %"
