"""A part before and after a fix, to be seen side by side: both in the coordinates of the finished part."""

from __future__ import annotations

import numpy as np

from lint.measure.nearest import distance_to_faces
from lint.settings import Settings
from lint.terms import Mended
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
    after = scene_of(now, left, settings, stills=1, away=lambda points: distance_to_faces(points, carried, was.faces))
    return before, after
