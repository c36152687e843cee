"""Take round holes out of a part: upright shafts from below, and bores that lean or bend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from lint.measure.surface import Skin
from lint.shape.sturdy import grain, sturdy, used_only
from lint.terms import Declined, FloatArray, IntArray, Part


@dataclass(frozen=True)
class Shaft:
    """A round hole on an upright axis at (x, y), from the height `bottom` up to `top`; radius below and above, mm."""

    x: float
    y: float
    bottom: float
    top: float
    radius: float
    radius_top: float


# Points on an axis at which something is looked for lie this close, mm: what lies between them is nearer by less than a hundredth.
LOOK = 0.5


@dataclass(frozen=True)
class Bore:
    """A round hole along a bent line. way: its axis, points (k, 3) from the mouth in the skin to the end inside, mm; radius mm.

    beyond: how far past the mouth it is drawn, mm, so that it does not end on the skin;
    peak: how far over the axis its roof rises to an edge, mm, 0 for a round roof: an edge holds itself up where a round would hang;
    throats: sets of points (n, 3) whose convex hulls are taken away with it.
    """

    way: FloatArray
    radius: float
    beyond: float
    peak: float = 0.0
    throats: tuple[FloatArray, ...] = ()

    @property
    def length(self) -> float:
        """From the mouth to the end, mm."""
        return float(np.linalg.norm(np.diff(self.way, axis=0), axis=1).sum())

    @property
    def leans(self) -> bool:
        """Whether it is anything but one upright hole."""
        return bool(np.ptp(self.way[:, :2], axis=0).max() > 1e-6)

    def along(self, step: float) -> FloatArray:
        """Points on the axis no farther than `step` mm from each other, both ends and all bends among them, (n, 3)."""
        pieces = []
        for one, two in pairwise(self.way):
            many = max(int(np.ceil(float(np.linalg.norm(two - one)) / step)), 1)
            pieces.append(one + (two - one) * (np.arange(many) / many)[:, None])
        return np.vstack((*pieces, self.way[-1:]))

    def off(self, points: FloatArray) -> FloatArray:
        """How far points (k, 3) lie off the round of the hole, mm, (k,)."""
        from scipy.spatial import cKDTree

        return np.asarray(cKDTree(self.along(LOOK)).query(points)[0]) - self.radius


SIDES = 48
# The skin of a bent tool may stray this far where faces of no width are taken out, mm.
TRUE = 0.01


def drilled(part: Part, skin: Skin, shafts: Sequence[Shaft | Bore], base: float) -> Part:
    """The part less the shafts, which open at the height `base` of its underside, and the bores. Raises Declined for an unsound skin.

    A shaft is drawn out below the base, with the same slope, so that it does not end on it.
    """
    import manifold3d

    tools: list[Any] = []
    for shaft in shafts:
        if isinstance(shaft, Bore):
            tools.append(_bored(shaft))
            continue
        below = base - 1.0
        slope = (shaft.radius_top - shaft.radius) / (shaft.top - shaft.bottom)
        tool = manifold3d.Manifold.cylinder(shaft.top - below, shaft.radius - slope * (shaft.bottom - below), shaft.radius_top, SIDES)
        tools.append(tool.rotate((0.0, 0.0, 1.7)).translate((shaft.x, shaft.y, below)))
    solid = solid_of(skin)
    for tool in tools:
        solid = solid - tool
    return part_from(part, solid, skin.vertices)


def _bored(bore: Bore) -> Any:
    """What a bore takes away: the hulls of one ball and the next, all along its bends (each ball with an edge over it for a peak)."""
    import manifold3d

    points = bore.way.copy()
    out = points[0] - points[1]
    points[0] += out * bore.beyond / float(np.linalg.norm(out))
    ball = manifold3d.Manifold.sphere(bore.radius, SIDES).rotate((0.0, 0.0, 1.7))
    if bore.peak > bore.radius:
        tip = np.array([[0.0, 0.0, bore.peak]])
        ball = manifold3d.Manifold.hull_points(np.vstack((np.asarray(ball.to_mesh64().vert_properties)[:, :3], tip)))
    balls = [ball.translate(tuple(float(x) for x in p)) for p in points]
    tool = manifold3d.Manifold.batch_hull(balls[:2])
    for one, two in pairwise(balls[1:]):
        tool = tool + manifold3d.Manifold.batch_hull([one, two])
    for throat in bore.throats:
        tool = tool + manifold3d.Manifold.hull_points(throat)
    return tool.simplify(TRUE)


def solid_of(skin: Skin) -> Any:
    """A closed skin as a solid that can be cut (manifold3d). Raises Declined when it is not sound."""
    import manifold3d

    faces = skin.faces
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(skin.vertices), np.ascontiguousarray(faces[real], dtype=np.uint64)))
    if solid.status() != manifold3d.Error.NoError:
        raise Declined("the skin is not sound: mend it first")
    return solid


def part_from(part: Part, solid: Any, old: FloatArray) -> Part:
    """The part with the skin of a solid that was cut out of it; points that were among `old` (n, 3) stay to the last bit."""
    mesh = solid.to_mesh64()
    points = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
    return part.with_mesh(*_safe(points, np.asarray(mesh.tri_verts, dtype=np.int64), old, part))


def _safe(points: FloatArray, faces: IntArray, old: FloatArray, part: Part) -> tuple[FloatArray, IntArray]:
    """Sides too short for a 32-bit file are closed up; points of the old skin stay."""
    from scipy.spatial import cKDTree

    fixed = np.asarray(cKDTree(old).query(points)[0]) == 0
    return used_only(*sturdy(points, faces, grain(part.vertices, part.units is not None), fixed))
