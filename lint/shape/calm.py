"""Calm rough skin: points are drawn onto a smooth surface through their neighbours, by a stated distance at most."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.edges import Edges
from lint.measure.roughness import point_normals, quadric_fit, rings, rough_regions
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, NotRun, Promise, Shaped, Touch

PASSES = 8
FARTHEST = 3.0  # times the noise: of a thousand points of normal noise three stand off farther

fix = Fix(
    name="calm",
    touch=Touch.SKIN,
    does="draws rough skin onto a smooth surface through its neighbours, by three times the noise at most; volume and rims are kept",
    on_demand=True,  # where noise ends and detail begins is the sculptor's to say, and the skin moves by more than a tenth
)


@fix.make
def make(job: Job) -> Shaped:
    """Move the points of each rough region along their normals to the quadric through their surroundings, until it is smooth."""
    named = [f for f in job.findings if f.place is not None and f.place.faces is not None]
    if not named:
        raise Declined("no rough place is named")
    limit = max(f.limit or 0.0 for f in named)
    most = FARTHEST * max(f.measured for f in named)
    skin: Skin = job.survey.get("skin")
    edges: Edges = job.survey.get("edges")
    faces = [f.place.faces for f in named if f.place is not None and f.place.faces is not None]
    free = _free(skin, edges, np.unique(np.concatenate(faces)))
    if not len(free):
        raise Declined("the rough places lie along rims, which are left as they are")
    start, neighbour = rings(skin, edges, free)[1]
    vertices, survey = skin.vertices, job.survey
    for _ in range(PASSES):
        now: Skin = Skin(vertices, skin.faces, skin.old)
        fit = quadric_fit(now, point_normals(now, survey.get("facets"), free), free, start, neighbour)
        vertices = _drawn(skin, vertices, free, fit.height, fit.judged, survey.get("facets"), most)
        vertices = _volume_kept(skin, vertices, free)
        survey = Survey(job.part.with_mesh(vertices, skin.faces))
        if not rough_regions(survey.get("roughness"), limit):
            break
    called = tuple({f.rule for f in named})
    clean = not rough_regions(survey.get("roughness"), limit)
    try:
        job.survey.get("volume")
        volume = "same"
    except NotRun:
        volume = "any"
    moved = float(np.linalg.norm(vertices - skin.vertices, axis=1).max())
    return Shaped(
        job.part.with_mesh(vertices, skin.faces),
        Promise(skin_max=moved, skin_p99=moved, volume=volume, clears=called if clean else (), lessens=() if clean else called),
        f"calmed {len(free)} points, by {moved:.3g} mm at most",
    )


def _free(skin: Skin, edges: Edges, faces: IntArray) -> IntArray:
    """The corners of the faces that lie on no open or crowded edge."""
    free = np.zeros(len(skin.vertices), dtype=bool)
    free[skin.faces[faces].reshape(-1)] = True
    free[edges.ends[edges.count != 2].reshape(-1)] = False
    return np.flatnonzero(free)


def _drawn(
    skin: Skin, vertices: FloatArray, free: IntArray, height: FloatArray, judged: BoolArray, facets: Faces, most: float
) -> FloatArray:
    """The points drawn along their normals by height (k,) where judged, and held within `most` of where they were at first."""
    normal = point_normals(Skin(vertices, skin.faces, skin.old), facets, free)
    moved = vertices[free] + normal * np.where(judged, height, 0.0)[:, None]
    off = moved - skin.vertices[free]
    length = np.linalg.norm(off, axis=1)
    off *= np.minimum(1.0, most / np.maximum(length, 1e-300))[:, None]
    new = vertices.copy()
    new[free] = skin.vertices[free] + off
    return new


def _volume_kept(skin: Skin, vertices: FloatArray, free: IntArray) -> FloatArray:
    """The points shifted evenly along the gradient of volume, so that the skin encloses what it did. Rims are fixed, so it also
    holds for an open skin, of which only the change is asked."""
    moving = np.zeros(len(vertices), dtype=bool)
    moving[free] = True
    faces = skin.faces[moving[skin.faces].any(axis=1)]
    middle = skin.vertices[free].mean(axis=0)
    target, _ = _volume(skin.vertices - middle, faces)
    new = vertices.copy()
    for _ in range(4):
        now, gradient = _volume(new - middle, faces)
        slope = np.where(moving[:, None], gradient, 0.0)
        total = float((slope**2).sum())
        if total == 0:
            break
        new = new + slope * ((target - now) / total)
    return new


def _volume(points: FloatArray, faces: IntArray) -> tuple[float, FloatArray]:
    """Signed volume of the cone from the origin over some faces, mm3, and its gradient by each point (n, 3)."""
    a, b, c = (points[faces[:, k]] for k in range(3))
    gradient = np.zeros_like(points)
    for corner, (p, q) in enumerate(((b, c), (c, a), (a, b))):
        part = np.cross(p, q) / 6
        for axis in range(3):
            gradient[:, axis] += np.bincount(faces[:, corner], weights=part[:, axis], minlength=len(points))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6, gradient
