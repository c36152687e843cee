"""Key: three round sockets in the base, for pegs that hold the buck in its place on the board or in the mould."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.base_loops import BaseLoops
from lint.measure.columns import crossings, grid_around
from lint.shape.drill import Shaft, drilled
from lint.shape.holes import clear_of
from lint.shape.verify import sound
from lint.terms import BoolArray, Declined, Fix, FloatArray, Job, NotYet, Promise, Shaped, Touch, Zone

fix = Fix(
    name="key",
    touch=Touch.SKIN,
    does="cuts three round sockets into the base, not in a line, for pegs that put the buck back in its place; the sculpted skin stays",
    on_demand=True,
)

# Pegs tried, mm wide: a dowel as it is sold, and smaller. The socket is wider by the clearance that printed parts need to stay loose
# (facts 1.2.13) at its mouth and narrows inwards a little, so that it has no undercut (facts 2.2.8).
PEGS = (8.0, 6.0, 4.0)
CLEARANCE = 0.5
DEPTH = 0.8  # of the peg's width
LINES = 250_000
CANDIDATES = 1500
LEAST_BASE = 25.0
NOT_IN_LINE = 0.15  # of the distance between the two outer sockets, and a peg and a half at the least


@fix.make
def make(job: Job) -> Shaped:
    """A new part with three sockets. Raises Declined when there is no base, no room, or there are sockets already."""
    part, survey = job.part, job.survey
    if part.units is None:
        raise Declined("the units are not known, so a socket has no width")
    contact = survey.get("contact")
    if contact.area < LEAST_BASE:
        raise NotYet("there is no flat base to cut sockets into: seat it first")
    if _has_sockets(survey):
        raise Declined("there are three sockets or pegs already")
    sockets = _sockets(survey, float(job.settings.wall))
    new = drilled(part, survey.get("skin"), sockets, contact.lowest)
    sound(new, "the keyed part")
    width = 2 * sockets[0].radius
    deep = sockets[0].top - sockets[0].bottom
    return Shaped(
        part=new,
        promise=Promise(volume="less", clears=(54,)),
        did=f"cut three sockets {width:.1f} mm wide and {deep:.1f} mm deep into the base, for pegs of {width - CLEARANCE:.0f} mm",
        zones=tuple(
            Zone("near", "a socket in the base", s.radius + 0.05, ((s.x, s.y, s.bottom), (s.x, s.y, s.top)), chain=True) for s in sockets
        ),
    )


def _has_sockets(survey: Survey) -> bool:
    loops: BaseLoops = survey.get("base_loops")
    return sum(not k.outer and k.round > 0.9 and k.blind and k.width >= 3 and k.step >= 1 for k in (*loops.base, *loops.land)) >= 3


def _sockets(survey: Survey, wall: float) -> list[Shaft]:
    """Three sockets as far apart as they go, each with `wall` of material around and over it. Raises Declined when none fit."""
    from scipy.ndimage import distance_transform_edt

    skin, contact, extent = survey.get("skin"), survey.get("contact"), survey.get("extent")
    size = extent.high - extent.low
    step = max(float(np.sqrt(size[0] * size[1] / LINES)), 0.5)
    grid = grid_around(extent.low, extent.high, np.full(3, step), margin=1)
    met = crossings(skin.vertices, skin.faces, grid)
    order = np.lexsort((met.height, met.column))
    column, face = met.column[order], met.face[order]
    first = np.flatnonzero(np.diff(column, prepend=-1) != 0)
    base = np.zeros(len(skin.faces), dtype=bool)
    base[contact.faces] = True
    under: BoolArray = np.zeros(grid.count[1] * grid.count[0], dtype=bool)
    under[column[first[base[face[first]]]]] = True
    room = distance_transform_edt(under.reshape(grid.count[1], grid.count[0]), sampling=step)
    sides = np.flatnonzero(~base)
    for peg in PEGS:
        radius, deep = (peg + CLEARANCE) / 2, DEPTH * peg
        spots = np.argwhere(room > radius + step)
        spots = spots[:: max(len(spots) // CANDIDATES, 1)]
        if not len(spots):
            continue
        at = spots[:, ::-1] * step + grid.low[:2]
        top = np.full(len(at), contact.lowest + deep)
        clear = clear_of(skin.vertices, skin.faces[sides], at, contact.lowest, top) >= radius + wall
        chosen = _triangle(at[clear], peg)
        if chosen is not None:
            return [Shaft(float(x), float(y), contact.lowest, contact.lowest + deep, radius, radius - CLEARANCE / 4) for x, y in chosen]
    raise Declined(f"three sockets of {PEGS[-1] + CLEARANCE:.1f} mm do not fit into the base with {wall:.1f} mm of wall around them")


def _triangle(at: FloatArray, peg: float) -> FloatArray | None:
    """Three of some spots (k, 2): two far apart and the one farthest from the line through them. None when they lie in a line."""
    if len(at) < 3:
        return None
    one = 0
    for _ in range(3):
        two = int(np.argmax(((at - at[one]) ** 2).sum(axis=1)))
        one, two = two, one
    along = at[two] - at[one]
    length = float(np.hypot(*along))
    if length < 3 * peg:
        return None
    off = np.abs((at[:, 0] - at[one, 0]) * along[1] - (at[:, 1] - at[one, 1]) * along[0]) / length
    three = int(np.argmax(off))
    if off[three] < max(NOT_IN_LINE * length, 1.5 * peg):
        return None
    chosen: FloatArray = at[[one, two, three]]
    return chosen
