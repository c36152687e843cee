"""Where two holes go through the base into a cavity: each with room around it, as far apart as they go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.columns import Grid, crossings, grid_around
from lint.shape.drill import Shaft
from lint.shape.offset_field import Near
from lint.terms import BoolArray, Declined, FloatArray, IntArray

# Widths tried, mm: a 5 mm hole holds back 2.6 mm of resin by surface tension, a 3.5 mm hole 3.7 mm (facts 1.5.16); to let air out of an
# extrusion print 3 to 5 mm is wanted (facts 1.6.11).
WIDTHS = (5.0, 4.0, 3.5)
LINES = 600_000
FINEST = 0.4
CANDIDATES = 2000
SAME_FLOOR = 0.5  # mm: floor this near the lowest counts as the lowest


@dataclass(frozen=True)
class Plan:
    """The part seen from below on a grid of upright lines.

    over: [y, x] shell of the cavity that a line meets straight after the base, with nothing but material between; -1 elsewhere.
    floor: [y, x] height where it meets it, mm; sides: outer faces that are not the base, to which a hole keeps its distance.
    """

    grid: Grid
    over: IntArray
    floor: FloatArray
    sides: IntArray
    base: float


def plan_of(survey: Survey) -> Plan:
    """What each upright line meets first and second, coming from below."""
    skin, shells, contact, extent = (survey.get(n) for n in ("skin", "shells", "contact", "extent"))
    hidden: BoolArray = survey.get("hollows").hidden
    size = extent.high - extent.low
    step = max(float(np.sqrt(size[0] * size[1] / LINES)), FINEST)
    grid = grid_around(extent.low, extent.high, np.full(3, step), margin=1)
    met = crossings(skin.vertices, skin.faces, grid)
    order = np.lexsort((met.height, met.column))
    column, height, face = met.column[order], met.height[order], met.face[order]
    first = np.flatnonzero(np.diff(column, prepend=-1) != 0)
    first = first[first + 1 < len(column)]
    first = first[column[first + 1] == column[first]]
    base = np.zeros(len(skin.faces), dtype=bool)
    base[contact.faces] = True
    good = first[base[face[first]] & hidden[face[first + 1]]]
    over = np.full(grid.count[1] * grid.count[0], -1, dtype=np.int64)
    floor = np.full(len(over), np.inf)
    over[column[good]] = shells.label[face[good + 1]]
    floor[column[good]] = height[good + 1]
    shape = (grid.count[1], grid.count[0])
    return Plan(grid, over.reshape(shape), floor.reshape(shape), np.flatnonzero(~base & ~hidden), contact.lowest)


def holes_for(shell: int, plan: Plan, survey: Survey, wall: float) -> list[Shaft]:
    """Two shafts into the cavity bounded by `shell`, the first under the lowest of its floor, at least `wall` from the outer skin and
    from each other. The widest of WIDTHS that fits. Raises Declined when none does."""
    from scipy.ndimage import distance_transform_edt, grey_dilation

    skin = survey.get("skin")
    step = float(plan.grid.pitch[0])
    above: BoolArray = plan.over == shell
    if not above.any():
        raise Declined("a hollow does not lie straight above the base, so no hole reaches it from there")
    room = distance_transform_edt(above, sampling=step)
    for width in WIDTHS:
        radius = width / 2
        open_spots = np.argwhere(room > radius + step)
        if not len(open_spots):
            continue
        spots = open_spots[:: max(len(open_spots) // CANDIDATES, 1)]
        reach = int(np.ceil(radius / step)) + 1
        highest = grey_dilation(np.where(above, plan.floor, -np.inf), size=(2 * reach + 1, 2 * reach + 1))
        at = spots[:, ::-1] * step + plan.grid.low[:2]
        low, top = plan.floor[spots[:, 0], spots[:, 1]], highest[spots[:, 0], spots[:, 1]]
        clear = clear_of(skin.vertices, skin.faces[plan.sides], at, plan.base, top) >= radius + wall
        if not clear.any():
            continue
        at, low, top = at[clear], low[clear], top[clear]
        one, two = _far_apart(at, low)
        if float(np.linalg.norm(at[one] - at[two])) >= width + wall:
            return [Shaft(float(at[k, 0]), float(at[k, 1]), plan.base, float(top[k]) + 0.2, radius, radius) for k in (one, two)]
    raise Declined(f"two holes of {WIDTHS[-1]:.1f} mm do not fit through the base with {wall:.1f} mm of wall around them")


def clear_of(vertices: FloatArray, faces: IntArray, at: FloatArray, base: float, top: FloatArray) -> FloatArray:
    """Least distance from upright axes, from the base up to `top`, to some faces, mm, (k,). Looked at every 1.5 mm and at both ends."""
    if not len(faces):
        return np.full(len(at), np.inf)
    steps = max(int(np.ceil((float(top.max()) - base) / 1.5)), 1)
    nearest = np.full(len(at), np.inf)
    near = Near(vertices, faces)
    for share in np.linspace(0, 1, steps + 1):
        points = np.column_stack((at, base + share * (top - base)))
        np.minimum(nearest, near.nearest(points)[0], out=nearest)
    return nearest


def _far_apart(at: FloatArray, low: FloatArray) -> tuple[int, int]:
    """One spot where the floor is lowest and another as far off as can be; among equals the two that are farthest apart."""
    lowest = np.flatnonzero(low <= low.min() + SAME_FLOOR)
    one = int(lowest[0])
    two = one
    for _ in range(3):
        two = int(np.argmax(((at - at[one]) ** 2).sum(axis=1)))
        one = int(lowest[np.argmax(((at[lowest] - at[two]) ** 2).sum(axis=1))])
    return one, two
