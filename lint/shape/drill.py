"""Take round upright shafts out of a part from below."""

from __future__ import annotations

from dataclasses import dataclass
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


SIDES = 48


def drilled(part: Part, skin: Skin, shafts: list[Shaft], base: float) -> Part:
    """The part less the shafts, which open at the height `base` of its underside. Raises Declined for an unsound skin.

    A shaft is drawn out below the base, with the same slope, so that it does not end on it.
    """
    import manifold3d

    tools: list[Any] = []
    for shaft in shafts:
        below = base - 1.0
        slope = (shaft.radius_top - shaft.radius) / (shaft.top - shaft.bottom)
        tool = manifold3d.Manifold.cylinder(shaft.top - below, shaft.radius - slope * (shaft.bottom - below), shaft.radius_top, SIDES)
        tools.append(tool.rotate((0.0, 0.0, 1.7)).translate((shaft.x, shaft.y, below)))
    solid = solid_of(skin)
    for tool in tools:
        solid = solid - tool
    return part_from(part, solid, skin.vertices)


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
