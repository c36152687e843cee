"""The meshes that a page shows, as the view takes them: the bytes go to the page's folder, the rest is told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from lint.measure.nearest import distance_to_faces
from lint.terms import BadInput, Finding, FloatArray, Mended, Part
from lint.view.scene import scene_of

Told = dict[str, Any]


def save(part: Part, path: Path, findings: Sequence[Finding] = (), *, to: FloatArray | None = None,
         away: Callable[[FloatArray], FloatArray] | None = None) -> Told:  # fmt: skip
    """Write the mesh of a part for the view. Returns the patches and pins of the findings, which are numbered from 1, and what is thinned.

    to and away: see lint.view.scene.scene_of. Raises BadInput when there is nothing to draw.
    """
    scene = scene_of(part, findings, None, stills=1, to=to, away=away)
    if scene is None:
        raise BadInput(f"{part.source.path}: it holds no face that could be drawn: is it a point cloud? Export it as a mesh")
    path.write_bytes(scene.mesh)
    for _, drawing in scene.stills:  # for a browser that cannot draw in 3D
        path.with_suffix(".png").write_bytes(drawing)
    if scene.moved is not None:
        path.with_suffix(".moved").write_bytes(scene.moved)
    return {
        "patches": [{"number": p.number, "weight": p.weight, "ranges": p.runs} for p in scene.patches],
        "pins": [{"number": p.number, "weight": p.weight, "at": p.at, "reach": p.reach} for p in scene.pins],
        "shown": scene.shown,
        "whole": scene.whole,
        "off": scene.off,
        "to": scene.to,
        "scale": scene.scale if scene.moved is not None else None,
    }


def save_pair(part: Part, mended: Mended, findings: Sequence[Finding]) -> Told:
    """Write the part as it was, to be laid where the finished part lies, and the finished part with what is left and how far it moved."""
    to = mended.part.placement @ np.linalg.inv(part.placement)
    carried = part.vertices @ to[:3, :3].T + to[:3, 3]
    return {
        "before": save(part, Path("before.view"), to=to),
        "after": save(mended.part, Path("after.view"), findings, away=lambda points: distance_to_faces(points, carried, part.faces)),
    }
