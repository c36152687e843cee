"""Skin that neither hand nor mould reaches, because the board or the material is in the way."""

from __future__ import annotations

import numpy as np

from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.hollows import Hollows
from lint.measure.shells import Shells, regions
from lint.measure.surface import Skin
from lint.terms import BoolArray


@measure
def covered(skin: Skin, edges: Edges, contact: Contact, shells: Shells, hollows: Hollows) -> BoolArray:
    """(m,) faces on the board, of sealed hollows, and of what opens only downwards onto the board: drained hollows, drains, sockets, marks.

    Where the skin on the board is a ring, it parts the skin within the ring from the outside; only the outside reaches its shell's top.
    """
    found = hollows.hidden.copy()
    found[contact.faces] = True
    top = skin.vertices[skin.faces, 2].max(axis=1)
    real = shells.label >= 0
    summit = np.full(shells.count, -np.inf)
    np.maximum.at(summit, shells.label[real], top[real])
    for faces in regions(np.flatnonzero(~found & real), edges.neighbours, len(skin.faces)):
        found[faces] = float(top[faces].max()) < summit[shells.label[faces[0]]]
    return found
