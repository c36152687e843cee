"""A fix looks at its own work before it hands it back: closed, wound one way, solid, also after single precision.

A promise that breaks ends the whole run, so whatever is not sound here is declined with the reason instead.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lint.measure import Survey
from lint.measure.narrow import Narrow, narrow_regions
from lint.terms import Declined, FloatArray, IntArray, NotRun, Part, Source

# A thin spot smaller than this is no wall, mm2 on both sides together.
SPOT = 1.3


def sound(part: Part, what: str) -> Survey:
    """The survey of a part that proves to be closed solid skin. Raises Declined, beginning with `what`, when it is not."""
    survey = Survey(part)
    _closed(survey, what)
    narrow = part.with_mesh(part.vertices.astype(np.float32).astype(np.float64), part.faces)
    _closed(Survey(narrow), f"{what} when written in single precision")
    fault = solid_fault(part.vertices, part.faces)
    if fault:
        raise Declined(f"{what} is not one sound solid ({fault})")
    return survey


def _closed(survey: Survey, what: str) -> None:
    edges = survey.get("edges")
    if len(edges.open):
        raise Declined(f"{what} still has {len(edges.open)} open edges")
    if len(edges.crowded):
        raise Declined(f"{what} has {len(edges.crowded)} crowded edges: untangle the skin first")
    if not bool(edges.agree.all()):
        raise Declined(f"{what} has faces that disagree: turn them first")
    try:
        if not float(survey.get("volume")) > 0:
            raise Declined(f"{what} encloses nothing: the skin is inside out")
    except NotRun as reason:
        raise Declined(f"{what}: {reason}") from reason


def solid_fault(vertices: FloatArray, faces: IntArray) -> str:
    """What another library says against taking this as a solid, empty when nothing (manifold3d)."""
    from manifold3d import Error, Manifold, Mesh64

    from lint.measure.surface import weld_exact

    points, old = weld_exact(vertices)
    whole = old[faces]
    good = (whole[:, 0] != whole[:, 1]) & (whole[:, 1] != whole[:, 2]) & (whole[:, 2] != whole[:, 0])
    solid = Manifold(Mesh64(np.ascontiguousarray(points), np.ascontiguousarray(whole[good], dtype=np.uint64)))
    status = solid.status()
    return "" if status == Error.NoError else str(status).rpartition(".")[2]


def bare_part(vertices: FloatArray, faces: IntArray) -> Part:
    """A part of no file, in mm, to be measured: (n, 3) and (m, 3)."""
    return Part(vertices.copy(), faces.copy(), Source(Path("made"), "", "", 0), units="mm")


def least_wall(survey: Survey, limit: float) -> float:
    """The thinnest wall under `limit` mm that is larger than a spot, mm; infinite where there is none. Sampled by rays."""
    return min((region.least for region in thin_regions(survey, limit)), default=float("inf"))


def thin_regions(survey: Survey, limit: float, area: float = SPOT) -> list[Narrow]:
    """Walls under `limit` mm that are larger than a spot, or than an area in mm2, the largest first. Sampled by rays."""
    patches, walls, edges = (survey.get(name) for name in ("patches", "walls", "edges"))
    count = len(survey.get("skin").faces)
    return narrow_regions(patches, walls.thickness, walls.across, walls.taper, edges.neighbours, count, limit, area)
