"""Hollows: sealed cavities, which are closed shells that face in, inside the material of a part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.nesting import Nesting
from lint.measure.shells import Shells, around
from lint.measure.surface import Skin
from lint.terms import BoolArray, Place


@dataclass(frozen=True)
class Cavity:
    """A sealed cavity: the shell that bounds it (number in `shells`), its volume mm3, its place."""

    shell: int
    volume: float
    place: Place


@dataclass(frozen=True)
class Hollows:
    """cavities: the largest first; hidden: (m,) the faces that bound one or lie in one, so that nobody sees them from outside."""

    cavities: tuple[Cavity, ...]
    hidden: BoolArray


@measure
def hollows(skin: Skin, shells: Shells, nesting: Nesting) -> Hollows:
    """Sealed cavities and the volume of air in each: what loose crumbs inside take up is taken off."""
    hidden = np.zeros(len(skin.faces), dtype=bool)
    found: list[Cavity] = []
    for shell in np.flatnonzero(nesting.cavity):
        within = nesting.inner[nesting.outer == shell]
        crumbs = within[(nesting.depth[within] == nesting.depth[shell] + 1) & ~nesting.cavity[within]]
        mine = shells.label == shell
        hidden |= mine
        hidden |= np.isin(shells.label, within)
        air = abs(float(shells.volume[shell])) - float(np.abs(shells.volume[crumbs]).sum())
        found.append(Cavity(int(shell), air, around(skin, np.flatnonzero(mine))))
    return Hollows(tuple(sorted(found, key=lambda c: -c.volume)), hidden)
