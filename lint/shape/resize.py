"""Resize: scale the whole part by one factor, so that its marked lengths come true, or by the one unit that makes it life-size.

Scaled about the origin of the part. The placement takes the ticket's marks along, so they can be measured again afterwards.
"""

from __future__ import annotations

import numpy as np

from lint.measure.bodysize import Reach, plausible_units
from lint.measure.lengths import UNIT_WORDS, Lengths, best_scale, scale_of, spread, times
from lint.terms import MM_PER_UNIT, Declined, Fix, Job, Promise, Shaped, Touch

# More than hand-set marks on 25 mm gauges err between them (0.5 mm each, root of squares: 2.8 %); beyond it, one factor
# would make every length wrong, which is worse than leaving one of them right.
DISAGREE = 0.03

# A factor nearer to one than this changes 300 mm by less than the last digit of a 32-bit file.
SAME = 1e-7

fix = Fix(
    name="resize",
    touch=Touch.SKIN,
    does="scale the whole part by one factor, from the marked lengths, or from the one unit that makes it life-size",
)


@fix.make
def make(job: Job) -> Shaped:
    """Raises Declined when there is nothing to go by, when the lengths disagree, or when the size is right already."""
    part = job.part
    if part.ticket.length:
        factor, why, units, units_from = _by_lengths(job)
    else:
        factor, why, units, units_from = _by_unit(job)
    matrix = np.diag([factor, factor, factor, 1.0])
    vertices = part.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    return Shaped(
        part=part.with_mesh(vertices, part.faces, moved=matrix, units=units, units_from=units_from),
        promise=Promise(
            skin_max=0.0,
            skin_p99=0.0,
            volume="same",
            pieces="same",
            clears=tuple(sorted({f.rule for f in job.findings})),
            may_raise=_every_rule(),
        ),
        did=f"scaled the whole part {times(factor)}, {why}",
        moved=matrix,
    )


def _by_lengths(job: Job) -> tuple[float, str, str | None, str | None]:
    lengths: Lengths = job.survey.get("lengths")
    apart = spread(lengths.measured, lengths.true)
    if apart > DISAGREE:
        raise Declined(f"the marked lengths disagree by {100 * apart:.1f} %: no one scale makes them true; measure and mark them again")
    factor = best_scale(lengths.measured, lengths.true)
    unknown = job.part.units is None
    if abs(factor - 1) <= SAME and not unknown:
        raise Declined("the marked lengths are true already")
    left = float(np.abs(factor * lengths.measured - lengths.true).max())
    by = f"by {lengths.names[0]}" if len(lengths.true) == 1 else f"by {len(lengths.true)} marked lengths, now within {left:.2f} mm of true"
    return factor, by, "mm" if unknown else None, "a marked length" if unknown else None


def _by_unit(job: Job) -> tuple[float, str, str | None, str | None]:
    part = job.part
    body = part.ticket.part.body
    if body is None or body == "other":
        raise Declined("there is no marked length to go by, and the ticket names no body part to compare with; "
                       "mark one: buckwright size PATH --from X,Y,Z --to-point X,Y,Z --true MM")
    reach: Reach = job.survey.get("body_reach")
    scale = scale_of(part)
    units = plausible_units(body, (reach.length / scale,))
    if part.units is None:
        hint = " or ".join(UNIT_WORDS[u] for u in units)
        told = f"; as {hint} it would be life-size: write the units under [part]" if hint else ""
        raise Declined(f"the units are unknown and no length is marked{told}")
    now = plausible_units(body, (reach.length,))
    if "mm" in now:
        raise Declined("it is life-size as it is, and no length is marked")
    if len(units) != 1:
        options = " and ".join(UNIT_WORDS[u] for u in units) or "none"
        raise Declined(f"not exactly one unit makes it life-size ({options}): write the right one under [part], or mark a length")
    why = f"taking its numbers for {UNIT_WORDS[units[0]]}, the one unit that makes this {body} life-size"
    return MM_PER_UNIT[units[0]] / scale, why, None, None


def _every_rule() -> tuple[int, ...]:
    """The size is every rule's business: at the true size all walls, beds and depths are judged for the first time."""
    from lint.rooms import all_rules

    return tuple(all_rules())
