"""Ballast: how far up a hollow part is left solid, so that it stands as firmly as before."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.shape.level import tip_angle_of
from lint.shape.sheet import LEAST_LEAN, mass
from lint.terms import FloatArray, IntArray, NotRun

# Under this leaning angle, degrees, rule 36 makes a stop of its caution.
FALLS = 10.0
# What is aimed at above that, degrees: the cavity is made anew over its floor, and comes out a little otherwise.
SPARE = 0.2
LEVELS = 24


def floor_under(survey: Survey, vertices: FloatArray, faces: IntArray) -> float | None:
    """Height, mm, below which a cavity has to stay solid for its part to stand firmly enough; None where there is no need or no help.

    survey: of the part without the cavity, which says how firmly it stood; vertices, faces: the cavity's skin (n, 3), (m, 3), closed and
    facing into it. The cavity is cut level at some heights, and the least that helps is taken: statics of a rigid body on its outline.
    """
    from manifold3d import Manifold, Mesh64

    try:
        before = float(survey.get("stance").angle)
    except NotRun:
        return None
    wanted = next((least for least in (LEAST_LEAN, FALLS) if before >= least), None)
    if wanted is None:
        return None
    skin, contact = survey.get("skin"), survey.get("contact")
    total, centre = mass(skin.vertices, skin.faces)
    outline, lowest = contact.hull, float(contact.lowest)

    def leans(void: float, middle: FloatArray) -> float:
        return tip_angle_of(outline, (total * centre - void * middle) / (total - void), lowest)

    solid = vertices, np.ascontiguousarray(faces[:, ::-1])
    if leans(*mass(*solid)) >= wanted:
        return None
    cavity = Manifold(Mesh64(vertices, solid[1].astype(np.uint64)))
    low, high = float(vertices[:, 2].min()), float(vertices[:, 2].max())
    for height in np.linspace(low, high, LEVELS + 1)[1:-1].tolist():
        mesh = cavity.trim_by_plane((0.0, 0.0, 1.0), height).to_mesh64()
        over = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64)
        if len(over[1]) and leans(*mass(*over)) >= wanted + SPARE:
            return float(height)
    return None
