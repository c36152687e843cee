"""Where a hole enters a cavity at a slant, the skin between the two runs out to nothing: it is cut away as far as it is thin.

From the axis of the hole rays go out square to it. Where the cavity lies behind less material than the wall, that material goes with
the hole, together with all between the places where it does (their convex hull); what stays has an edge as thick as the wall.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from lint.measure.rays import Rays
from lint.shape.block import Block
from lint.shape.drill import LOOK, Bore
from lint.shape.offset_field import Near
from lint.terms import FloatArray

AROUND = 32
# Rays are drawn this far into the cavity, mm, so that no film stays.
THROUGH = 0.3


def with_throat(bore: Bore, block: Block, shell: int, wall: float, near: Near, others: list[Bore]) -> Bore | None:
    """The hole with the skin between it and its cavity cut away where that is thinner than `wall` mm.

    None where that would take from the wall to the outer skin, to other cavities (near, as block.near(shell)) or to other holes.
    """
    skin, facets, shells = (block.survey.get(n) for n in ("skin", "facets", "shells"))
    mine = np.flatnonzero(shells.label == shell)
    normal = facets.normal[mine]
    rays = Rays(skin.vertices, skin.faces[mine], normal)
    throats: list[FloatArray] = []
    for one, two in pairwise(bore.way):
        points = Bore(np.array([one, two]), bore.radius, 0.0).along(LOOK)
        across = _across(two - one)
        start, way = np.repeat(points, AROUND, axis=0), np.tile(across, (len(points), 1))
        face, far = rays.first(start, way)
        out = np.maximum(bore.radius, bore.peak * way[:, 2])  # how far the hole itself reaches that way
        met = np.flatnonzero((face >= 0) & (far < out + wall) & (far > out))
        thin = met[np.einsum("ij,ij->i", normal[face[met]], way[met]) > 0]  # from material into the cavity, not out of the cavity
        if not len(thin):
            continue
        reach = np.unique(np.concatenate((thin // AROUND, np.minimum(thin // AROUND + 1, len(points) - 1))))
        rim = (points[reach][:, None] + 0.98 * bore.radius * across[None]).reshape(-1, 3)
        throats.append(np.vstack((rim, start[thin] + (far[thin] + THROUGH)[:, None] * way[thin])))
    for throat in throats:
        looked = _spread(throat)
        if float(near.nearest(looked)[0].min()) < wall:
            return None
        if any(float(other.off(looked).min()) < wall for other in others):
            return None
    return replace(bore, throats=tuple(throats))


def _across(along: FloatArray) -> FloatArray:
    """Unit directions (AROUND, 3) square to an axis."""
    unit = along / float(np.linalg.norm(along))
    one = np.cross(unit, [0.0, 1.0, 0.0] if abs(unit[1]) < 0.9 else [1.0, 0.0, 0.0])
    one /= np.linalg.norm(one)
    turn = 2 * np.pi * np.arange(AROUND)[:, None] / AROUND
    return np.asarray(np.cos(turn) * one + np.sin(turn) * np.cross(unit, one))


def _spread(points: FloatArray) -> FloatArray:
    """Points on the skin of the convex hull of some points, its corners and the middles of its faces and sides."""
    from scipy.spatial import ConvexHull

    corners = points[ConvexHull(points).simplices]
    return np.vstack((corners.reshape(-1, 3), corners.mean(axis=1), ((corners + np.roll(corners, 1, axis=1)) / 2).reshape(-1, 3)))
