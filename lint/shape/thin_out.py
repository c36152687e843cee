"""Thin out a heavy skin: fewer faces where it hardly bends, within a stated distance of the old one."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.surface import Skin
from lint.terms import Declined, Fix, Job, NotRun, NotYet, Part, Promise, Shaped, Touch

# Shares of the nozzle that the skin may move: the least that makes the part light is taken. The largest is a tenth of what the
# nozzle can lay, and less than the 0.1 mm that the skin is held to in all (common practice, no source).
STEPS = (1 / 40, 1 / 20, 1 / 10)

fix = Fix(
    name="thin out",
    touch=Touch.SKIN,
    does="takes away faces where the skin hardly bends; the skin moves by a tenth of the nozzle at most, and it is said how far",
    on_demand=True,
)


@fix.make
def make(job: Job) -> Shaped:
    """Simplify a closed part within a tolerance (manifold3d, whose collapses keep the surface within it and the part closed)."""
    if job.part.units is None:
        raise NotRun("units unknown, so nothing can be said of how far the skin may move")
    try:
        job.survey.get("volume")
    except NotRun as reason:
        raise Declined(f"{reason}; close it or seat it first, then it can be thinned out") from None
    edge = max((f.limit for f in job.findings if f.limit is not None), default=job.settings.nozzle / 2)
    skin: Skin = job.survey.get("skin")
    part, tolerance = job.part, 0.0
    for share in STEPS:
        tolerance = share * job.settings.nozzle
        part = _thinned(job.part, skin, tolerance)
        if float(np.median(Survey(part).get("edge_lengths"))) >= edge:
            break
    was, now = len(job.part.faces), len(part.faces)
    if now > 0.9 * was:
        raise Declined(f"the skin bends so much that not one face in ten could go within {tolerance:.3g} mm")
    return Shaped(
        part,
        Promise(skin_max=tolerance, skin_p99=tolerance, volume="any", pieces="same", lessens=tuple({f.rule for f in job.findings})),
        f"thinned out from {was} to {now} faces, the skin within {tolerance:.3g} mm of where it was",
    )


def _thinned(part: Part, skin: Skin, tolerance: float) -> Part:
    import manifold3d

    mesh = manifold3d.Mesh64(skin.vertices.copy(), skin.faces.astype(np.uint64))  # it takes no read-only arrays
    solid = manifold3d.Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError:
        raise NotYet("the skin is not sound enough to be thinned out; mend what the other rules say first")
    thin = solid.simplify(tolerance).to_mesh64()
    vertices = np.asarray(thin.vert_properties, dtype=np.float64)[:, :3]
    return part.with_mesh(vertices, np.asarray(thin.tri_verts).astype(np.int64))
