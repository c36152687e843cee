"""Drain: two holes into every sealed cavity, through the base wherever a way from there leads into it.

Two, because one lets the liquid out and the other the air in (facts 1.5.15); through the base, because a hole in the sculpted skin
shows (facts, section 7). Straight up where the cavity lies above the base; else at a slant or with bends, which a print does not mind;
through the low side or the underside only where no such way leads, or where liquid would stay under it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from lint.measure.hollows import Cavity
from lint.shape.drill import Bore, Shaft
from lint.shape.side_hole import SideHole
from lint.shape.ways_out import Hole, Opened, opened
from lint.terms import Declined, Fix, FloatArray, Job, NotYet, Promise, Shaped, Touch, Zone

fix = Fix(
    name="drain",
    touch=Touch.INSIDE,
    does="cuts two holes into every sealed hollow, through the base; through the low side of the skin only where no way from there does",
    on_demand=True,
    for_stop=True,
    follows=("hollow",),
)

BUBBLE = 10.0  # mm3: a cavity smaller than this holds no drop
LEAST_BASE = 25.0  # mm2: what a hole needs at the very least

CAUTIONS = {
    "resin": (
        "keep the base off the plate while printing: the plate would shut the drain holes, and the hollow would suck at the film",
        "uncured resin harms the skin: wash the inside through both holes with gloves made for the resin, cure the inside and let it dry; "
        "washing alcohol burns easily; follow the safety sheets and local rules",
    ),
    "extrusion": ("leave the holes open while the buck is dried or baked, so that warm air can get out",),
}  # fmt: skip

SHOWS = (
    "a drain hole shows in the skin, low down or underneath: plug it with wax or clay once the hollow is dry, before a mould is taken",
)


@fix.make
def make(job: Job) -> Shaped:
    """A new part with two holes into each sealed cavity. Raises Declined when there is no base, or a cavity that two do not reach."""
    part, survey = job.part, job.survey
    if part.units is None:
        raise Declined("the units are not known, so a hole has no width")
    cavities: list[Cavity] = [c for c in survey.get("hollows").cavities if c.volume > BUBBLE]
    if not cavities:
        raise Declined("there is no sealed hollow to drain")
    if survey.get("contact").area < LEAST_BASE:
        raise NotYet("there is no flat base to cut the holes through: seat it first")
    done = opened(part, survey, cavities, job.settings)
    left = [c for c in done.after.get("hollows").cavities if c.volume > BUBBLE]
    if left:
        raise Declined(f"a hollow of {left[0].volume:.0f} mm3 would still be shut")
    throats = any(isinstance(hole, Bore) and hole.throats for hole in done.holes)
    return Shaped(
        part=done.part,
        # where a slanting hole opens into the hollow its lip may hang a little, out of sight
        promise=Promise(volume="less", pieces="fewer", clears=(37,), may_raise=(32,) if throats else ()),
        did=told(done),
        zones=tuple(zone for hole in done.holes for zone in _zones(hole)),
        cautions=(*CAUTIONS[job.settings.process], *(SHOWS if any(isinstance(h, SideHole) for h in done.holes) else ())),
    )


def _zones(hole: Hole) -> list[Zone]:
    """Where a hole was cut: along its axis, and where it opens wider into its cavity."""
    if isinstance(hole, Shaft):
        way = np.array([[hole.x, hole.y, hole.bottom], [hole.x, hole.y, hole.top]])
        return [_chain("a drain hole through the base", hole.radius, way)]
    where = hole.where if isinstance(hole, SideHole) else "the base"
    way = hole.way
    if isinstance(hole, SideHole):  # the skin may lie at 45 degrees to it, so the rim of its mouth is farther out than the axis
        out = way[0] - way[1]
        way = np.vstack((way[0] + out * hole.radius / float(np.linalg.norm(out)), way))
    zones = [_chain(f"a drain hole through {where}", max(hole.radius, hole.peak), way)]
    for throat in hole.throats:
        pieces = [_about(throat, one, two) for one, two in pairwise(hole.way)]
        size, ends = min(pieces, key=lambda piece: piece[0])
        zones.append(_chain("a drain hole opens into the hollow", size, ends))
    return zones


def _about(throat: FloatArray, one: FloatArray, two: FloatArray) -> tuple[float, FloatArray]:
    """How far points (n, 3) lie from a straight piece of axis at most, mm, and the ends (2, 3) of that part of it which is nearest."""
    share = ((throat - one) @ (two - one) / float((two - one) @ (two - one))).clip(0, 1)
    foot = one + share[:, None] * (two - one)
    return float(np.linalg.norm(throat - foot, axis=1).max()), foot[[int(np.argmin(share)), int(np.argmax(share))]]


def _chain(why: str, size: float, way: FloatArray) -> Zone:
    return Zone("near", why, size + 0.05, tuple(_point(p) for p in way), chain=True)


def _point(p: FloatArray) -> tuple[float, float, float]:
    return float(p[0]), float(p[1]), float(p[2])


def told(done: Opened) -> str:
    """What was cut, in one sentence."""
    every = done.holes
    wide = " and ".join(f"{w:.1f}" for w in sorted({2 * h.radius for h in every}))
    apart = min(float(np.hypot(*np.subtract(_mouth(a), _mouth(b)))) for a, b in done.groups)
    into = "the hollow" if len(done.groups) == 1 else f"each of {len(done.groups)} hollows"
    shown = [h for h in every if isinstance(h, SideHole)]
    led = [h for h in every if isinstance(h, Bore) and not isinstance(h, SideHole) and h.leans]
    text = f"cut two holes {wide} mm wide {'' if shown else 'through the base '}into {into}, {apart:.0f} mm apart; "
    if led:
        longest = max(h.length for h in led)
        text += f"{_of(led, every)} up from the base at a slant or with bends, {longest:.0f} mm long: flush them through when you wash it; "
    if shown:
        where = " and ".join(sorted({h.where for h in shown}))
        high = max(h.height for h in shown)
        text += f"{_of(shown, every)} through {where}, up to {high:.0f} mm above the base, because no way from the base drains it; "
    if done.pool < 1:
        return text + "nothing pools on its floor"
    return text + f"{done.pool / 1000:.2f} ml pools on its floor: tilt it to empty it"


def _of(some: Sequence[Bore], every: Sequence[Hole]) -> str:
    if len(some) == len(every):
        return "both go" if len(some) == 2 else "all go"
    return "one goes" if len(some) == 1 else f"{len(some)} go"


def _mouth(hole: Hole) -> tuple[float, float]:
    return (hole.x, hole.y) if isinstance(hole, Shaft) else (float(hole.way[0, 0]), float(hole.way[0, 1]))
