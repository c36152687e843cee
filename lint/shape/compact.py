"""A part without some of its faces, and the zones where they were."""

from __future__ import annotations

import numpy as np

from lint.measure.joining import components
from lint.measure.surface import Skin
from lint.shape.triangles import spots_on, thinned
from lint.terms import BoolArray, IntArray, Part, Zone

# What is dropped and reaches farther than this share of the part's diagonal is followed by its skin, and not by one ball.
SPECK = 0.05


def without(part: Part, gone: BoolArray) -> Part:
    """A new part that lacks the faces marked in gone (m,). What stays keeps its order and its exact coordinates."""
    faces = part.faces[~gone]
    used = np.zeros(len(part.vertices), dtype=bool)
    used[faces.reshape(-1)] = True
    return part.with_mesh(part.vertices[used], (np.cumsum(used) - 1)[faces])


def covers(skin: Skin, faces: IntArray, why: str) -> tuple[Zone, ...]:
    """Zones close about faces that are dropped: a ball for each speck that hangs together, many small ones all over a larger piece.

    Balls of like size share a zone.
    """
    rows = skin.faces[faces]
    piece = np.unique(hung_together(rows), return_inverse=True)[1]
    corners = skin.vertices[rows]
    count = int(piece.max(initial=-1)) + 1
    least, most = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(least, piece, corners.min(axis=1))
    np.maximum.at(most, piece, corners.max(axis=1))
    length = np.linalg.norm(most - least, axis=1)
    large = length > SPECK * np.linalg.norm(np.ptp(skin.vertices, axis=0))
    centre, reach = ((least + most) / 2)[~large], length[~large] / 2 * (1 + 1e-9)
    step = np.ceil(np.log2(np.maximum(reach, 1e-12)))
    zones = [Zone.near(why, float(reach[step == level].max()), centre[step == level]) for level in np.unique(step)]
    if large.any():
        spots, spacing = spots_on(skin.vertices, rows[large[piece]], 400)
        zones.append(Zone.near(why, 2 * spacing, thinned(spots, spacing / 2)))  # one of those in a cell stands for all of them
    return tuple(zones)


def hung_together(rows: IntArray) -> IntArray:
    """(m,) which faces (m, 3) hang together, be it by a point."""
    used, at = np.unique(rows, return_inverse=True)
    at = at.reshape(-1, 3)
    one, two = np.concatenate((at[:, 0], at[:, 1])), np.concatenate((at[:, 1], at[:, 2]))
    return components(len(used), one, two)[0][at[:, 0]]
