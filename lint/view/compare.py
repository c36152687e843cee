"""A part before and after a fix, to be seen side by side: both in the coordinates of the finished part."""

from __future__ import annotations

import numpy as np

from lint.settings import Settings
from lint.terms import FloatArray, IntArray, Mended
from lint.view.scene import Scene, in_order, scene_of


def scenes_of(mended: Mended, settings: Settings) -> tuple[Scene | None, Scene | None]:
    """The scenes of the part before and after. The findings after are numbered first, as they are listed first."""
    was, now = mended.before.part, mended.part
    if was is None or not np.isfinite(was.vertices).all():
        return None, None
    to = now.placement @ np.linalg.inv(was.placement)
    left = in_order(mended.after.findings)
    before = scene_of(was, in_order(mended.before.findings), settings, first=len(left) + 1, stills=1, to=to)
    carried = was.vertices @ to[:3, :3].T + to[:3, 3]
    after = scene_of(now, left, settings, stills=1, away=lambda points: distance(points, carried, was.faces))
    return before, after


def distance(points: FloatArray, vertices: FloatArray, faces: IntArray) -> FloatArray:
    """Of points (k, 3) from the skin of a mesh, (k,), by libigl's tree of boxes; infinite when the mesh has no face."""
    import igl

    if not len(faces) or not len(points):
        return np.full(len(points), np.inf)
    squared, *_ = igl.point_mesh_squared_distance(np.ascontiguousarray(points), np.ascontiguousarray(vertices), np.ascontiguousarray(faces))
    away: FloatArray = np.sqrt(np.maximum(np.asarray(squared, dtype=np.float64).reshape(-1), 0.0))
    return away

