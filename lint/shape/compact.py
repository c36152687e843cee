"""A part without some of its faces, and the zones where they were."""

from __future__ import annotations

import numpy as np

from lint.measure.surface import Skin
from lint.terms import BoolArray, IntArray, Part, Zone


def without(part: Part, gone: BoolArray) -> Part:
    """A new part that lacks the faces marked in gone (m,). What stays keeps its order and its exact coordinates."""
    faces = part.faces[~gone]
    used = np.zeros(len(part.vertices), dtype=bool)
    used[faces.reshape(-1)] = True
    return part.with_mesh(part.vertices[used], (np.cumsum(used) - 1)[faces])


def covers(skin: Skin, label: IntArray, faces: IntArray, why: str) -> tuple[Zone, ...]:
    """Zones close about faces that are dropped, by the shell (m,) of each: a ball for each speck, several along a larger piece.

    Balls of like size share a zone.
    """
    corners = skin.vertices[skin.faces[faces]]
    low, high = corners.min(axis=1), corners.max(axis=1)
    shell = np.unique(label[faces], return_inverse=True)[1]
    count = int(shell.max()) + 1
    least, most = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(least, shell, low)
    np.maximum.at(most, shell, high)
    length = np.linalg.norm(most - least, axis=1)
    cell = np.floor(((low + high) / 2 - least[shell]) / np.maximum(length[shell, None] / 8, 1e-300)).astype(np.int64)
    large = length > 0.05 * np.linalg.norm(skin.vertices.max(axis=0) - skin.vertices.min(axis=0))
    key = shell * 1000 + np.where(large[shell], cell @ np.array([81, 9, 1]), 0)
    group = np.unique(key, return_inverse=True)[1]
    number = int(group.max()) + 1
    near, far = np.full((number, 3), np.inf), np.full((number, 3), -np.inf)
    np.minimum.at(near, group, low)
    np.maximum.at(far, group, high)
    centre, reach = (near + far) / 2, np.linalg.norm(far - near, axis=1) / 2 * (1 + 1e-9)
    step = np.ceil(np.log2(np.maximum(reach, 1e-12)))
    zones: list[Zone] = []
    for level in np.unique(step):
        zones.append(Zone.near(why, float(reach[step == level].max()), centre[step == level]))
    return tuple(zones)
