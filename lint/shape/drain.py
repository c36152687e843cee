"""Drain: two holes through the base into every sealed cavity, as far apart as they go.

Two, because one lets the liquid out and the other the air in (facts 1.5.15); through the base, because a hole in the sculpted skin
shows (facts, section 7).
"""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.cups import dips
from lint.measure.hollows import Cavity
from lint.shape.drill import Shaft, drilled
from lint.shape.holes import holes_for, plan_of
from lint.shape.verify import sound
from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch, Zone

fix = Fix(
    name="drain",
    touch=Touch.INSIDE,
    does="cuts two holes through the base into every sealed hollow; the sculpted skin is not touched",
    on_demand=True,
    for_stop=True,
    follows=("hollow",),
)

BUBBLE = 10.0  # mm3: a cavity smaller than this holds no drop
LEAST_BASE = 25.0  # mm2: what a hole needs at the very least
POOL = 0.3  # mm: a dip of the floor shallower than this wets but does not hold

CAUTIONS = {
    "resin": (
        "keep the base off the plate while printing: the plate would shut the drain holes, and the hollow would suck at the film",
        "uncured resin harms the skin: wash the inside through both holes with gloves made for the resin, cure the inside and let it dry; "
        "washing alcohol burns easily; follow the safety sheets and local rules",
    ),
    "extrusion": ("leave the holes open while the buck is dried or baked, so that warm air can get out",),
}  # fmt: skip


@fix.make
def make(job: Job) -> Shaped:
    """A new part with two shafts into each sealed cavity. Raises Declined when there is no base, or no room for two holes."""
    part, survey = job.part, job.survey
    if part.units is None:
        raise Declined("the units are not known, so a hole has no width")
    cavities: list[Cavity] = [c for c in survey.get("hollows").cavities if c.volume > BUBBLE]
    if not cavities:
        raise Declined("there is no sealed hollow to drain")
    if survey.get("contact").area < LEAST_BASE:
        raise Declined("there is no flat base to cut the holes through: seat it first")
    plan = plan_of(survey)
    shafts = [s for cavity in cavities for s in holes_for(cavity.shell, plan, survey, float(job.settings.wall))]
    new = drilled(part, survey.get("skin"), shafts, plan.base)
    after = sound(new, "the drained part")
    left = [c for c in after.get("hollows").cavities if c.volume > BUBBLE]
    if left:
        raise Declined(f"a hollow of {left[0].volume:.0f} mm3 would still be shut")
    return Shaped(
        part=new,
        promise=Promise(volume="less", pieces="fewer", clears=(37,)),
        did=_told(shafts, len(cavities), pooled(survey, after)),
        zones=tuple(
            Zone("near", "a drain hole through the base", s.radius + 0.05, ((s.x, s.y, s.bottom), (s.x, s.y, s.top)), chain=True)
            for s in shafts
        ),
        cautions=CAUTIONS[job.settings.process],
    )


def pooled(before: Survey, after: Survey) -> float:
    """Liquid that stays in the drained hollows when the part stands on its base, mm3: dips of what was the skin of a sealed cavity."""
    was = before.get("skin")
    inside = {tuple(p) for p in was.vertices[np.unique(was.faces[before.get("hollows").hidden])].tolist()}
    return sum(c.volume for c in dips(after.get("skin"), after.get("edges"), POOL) if c.deepest in inside)


def _told(shafts: list[Shaft], cavities: int, pool: float) -> str:
    widths = sorted({2 * s.radius for s in shafts})
    wide = " and ".join(f"{w:.1f}" for w in widths)
    apart = min(float(np.hypot(a.x - b.x, a.y - b.y)) for a, b in zip(shafts[::2], shafts[1::2], strict=True))
    into = "the hollow" if cavities == 1 else f"each of {cavities} hollows"
    rest = "nothing pools on its floor" if pool < 1 else f"{pool / 1000:.2f} ml pools on its floor: tilt it to empty it"
    return f"cut two holes {wide} mm wide through the base into {into}, {apart:.0f} mm apart; {rest}"
