"""Skin that neither hand nor mould reaches, because the board or the material is in the way."""

from __future__ import annotations

import numpy as np

from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.hollows import Hollows
from lint.measure.shells import Shells, joined
from lint.measure.surface import Skin
from lint.terms import BoolArray


@measure
def covered(skin: Skin, edges: Edges, contact: Contact, shells: Shells, hollows: Hollows) -> BoolArray:
    """(m,) faces on the board, of sealed hollows, and of what opens only downwards onto the board: drained hollows, drains, sockets, marks.

    Where the skin on the board is a ring, it parts the skin within the ring from the outside; only the outside reaches its shell's top.
    """
    found = hollows.hidden.copy()
    found[contact.faces] = True
    real = shells.label >= 0
    top = np.maximum.reduce([np.take(np.ascontiguousarray(skin.vertices[:, 2]), np.ascontiguousarray(skin.faces[:, i])) for i in range(3)])
    summit = np.full(shells.count, -np.inf)
    np.maximum.at(summit, shells.label[real], top[real])
    free = np.flatnonzero(~found & real)
    label, count = joined(free, edges.neighbours, len(skin.faces))
    reached = np.full(count, -np.inf)
    np.maximum.at(reached, label, top[free])
    found[free] = reached[label] < summit[shells.label[free]]
    return found
