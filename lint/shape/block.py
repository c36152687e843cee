"""A hollow part on a grid, as one who drills it sees it: where there is material, a cavity, and room for a drill of a given width."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lint.measure import Survey
from lint.measure.columns import Grid, crossings, grid_around, times_inside
from lint.shape.drill import Bore
from lint.shape.offset_field import Field, Near
from lint.terms import BoolArray, FloatArray, IntArray

# Grid points, and the finest step, mm.
CELLS = 1_200_000
FINEST = 0.6


@dataclass(frozen=True)
class Block:
    """A hollow part made ready to be drilled. Arrays are indexed [z, y, x].

    inside: within the outer skin, its cavities too; hollow: number of the cavity's shell, -1 elsewhere;
    aside: distance from the outer skin that is not the base, mm, exact from `least` to `most` and no more than a guess beyond;
    footing: [y, x] how far from the edge of the base a point of it is, mm, 0 off it; base: its height, mm.
    """

    grid: Grid
    inside: BoolArray
    hollow: NDArray[np.int32]
    aside: Field
    footing: Field
    base: float
    sides: IntArray
    survey: Survey

    @property
    def step(self) -> float:
        """From one grid point to the next, mm, along all three axes."""
        return float(self.grid.pitch[0])

    def points(self, cells: IntArray) -> FloatArray:
        """Coordinates (k, 3), mm, of cells (k, 3) given as z, y, x."""
        return np.asarray(cells)[:, ::-1] * self.grid.pitch + self.grid.low

    def near(self, shell: int) -> Near:
        """All skin that a hole into the cavity of `shell` keeps away from: the outer skin but the base, and other cavities."""
        skin, label, hidden = self.survey.get("skin"), self.survey.get("shells").label, self.survey.get("hollows").hidden
        others = np.flatnonzero(hidden & (label != shell))
        return Near(skin.vertices, skin.faces[np.concatenate((self.sides, others))])

    def room(self, shell: int, radius: float, wall: float, taken: list[Bore]) -> BoolArray:
        """Where the axis of a hole may be: `wall` is left to the outer skin but the base, to other cavities and to other holes."""
        from scipy.ndimage import distance_transform_edt

        free: BoolArray = self.inside & (self.aside >= radius + wall)
        others = (self.hollow >= 0) & (self.hollow != shell)
        if others.any():
            free &= distance_transform_edt(~others, sampling=self.step) >= radius + wall + self.step
        for bore in taken:
            cells = np.argwhere(free)
            free[tuple(cells[bore.off(self.points(cells)) < radius + wall].T)] = False
        return free


def block_of(survey: Survey, least: float, most: float) -> Block:
    """The part of a survey, whose sealed cavities are known. least, most: the distances from the skin that will be asked for, mm."""
    from scipy.ndimage import distance_transform_edt

    skin, shells, contact, extent = (survey.get(n) for n in ("skin", "shells", "contact", "extent"))
    hollows = survey.get("hollows")
    step = max(float(np.prod(extent.high - extent.low) / CELLS) ** (1 / 3), FINEST)
    grid = grid_around(extent.low, extent.high, np.full(3, step), margin=2)
    outer = np.flatnonzero(~hollows.hidden)
    inside: BoolArray = times_inside(skin.vertices, skin.faces[outer], grid) > 0
    hollow = np.full(grid.shape, -1, dtype=np.int32)
    for cavity in hollows.cavities:
        mine = skin.faces[shells.label == cavity.shell]
        hollow[times_inside(skin.vertices, mine[:, ::-1], grid) > 0] = cavity.shell
    rests = np.zeros(len(skin.faces), dtype=bool)
    rests[contact.faces] = True
    foot = _first_met(skin.vertices, skin.faces, rests, grid)
    sides = np.flatnonzero(~rests & ~hollows.hidden)
    # The base itself is no bound: what stands on it is drawn out below it before distances are taken.
    drawn = inside.copy()
    below = int(np.floor((contact.lowest - grid.low[2]) / step)) + 1
    drawn[:below] = foot
    if below < len(drawn):
        drawn[below] |= foot
    aside = distance_transform_edt(drawn, sampling=step).astype(np.float32)
    slack = step * 3**0.5
    unsure = np.flatnonzero(inside & (aside >= least - slack) & (aside <= most + slack))
    aside.reshape(-1)[unsure] = Near(skin.vertices, skin.faces[sides]).nearest(grid.points(unsure))[0]
    footing = distance_transform_edt(foot, sampling=step).astype(np.float32)
    return Block(grid, inside, hollow, aside, footing, contact.lowest, sides, survey)


def _first_met(vertices: FloatArray, faces: IntArray, these: BoolArray, grid: Grid) -> BoolArray:
    """[y, x]: whether an upright line of the grid meets one of `these` faces (m,) first, coming from below."""
    met = crossings(vertices, faces, grid)
    order = np.lexsort((met.height, met.column))
    column, face = met.column[order], met.face[order]
    first = np.flatnonzero(np.diff(column, prepend=-1) != 0)
    foot = np.zeros(grid.count[1] * grid.count[0], dtype=bool)
    foot[column[first[these[face[first]]]]] = True
    return foot.reshape(grid.count[1], grid.count[0])
