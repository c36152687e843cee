"""Lay: turn the part to the way up that leaves least skin overhanging, its base down when it has one."""

from __future__ import annotations

import numpy as np

from lint.measure.poses import better_pose, poses
from lint.terms import Declined, Fix, FloatArray, Job, Promise, Shaped, Touch

# What the overhang rule takes for steep and the base rule for flat, in edition 1 (their pages give the sources).
ANGLE = 45.0
SHARE = 0.05

fix = Fix(
    name="lay",
    touch=Touch.PIECE,
    does="turns the whole part to the way up with the least steep overhang, on its flat base when it has one, and sets it on the bed",
    on_demand=True,
)


@fix.make
def make(job: Job) -> Shaped:
    """A turned part. Raises Declined when no way up is clearly better than the one it has."""
    skin, facets = job.survey.get("skin"), job.survey.get("facets")
    if not facets.area.sum() > 0:
        raise Declined("there is no skin to lay")
    ways = poses(skin, facets, ANGLE)
    best = better_pose(ways, SHARE)
    if best is None:
        raise Declined(f"no other way up is clearly better: {ways[0].bare.steep:.0f} mm2 overhangs as it stands")
    extent = job.survey.get("extent")
    middle = (extent.low + extent.high) / 2
    moved = np.eye(4)
    moved[:3, :3] = turn_down(best.down)
    moved[:3, 3] = middle - moved[:3, :3] @ middle
    used = np.unique(skin.faces)
    moved[2, 3] -= (skin.vertices[used] @ moved[:3, :3].T + moved[:3, 3])[:, 2].min()
    vertices = job.part.vertices @ moved[:3, :3].T + moved[:3, 3]
    if best.bare.share >= SHARE and best.bare.firm:
        did = f"turned onto its flat side: about {best.bare.steep:.0f} mm2 overhangs instead of {ways[0].bare.steep:.0f}"
    else:
        less = f"about {best.cut.steep:.0f} mm2 overhangs instead of {ways[0].cut.steep:.0f}"
        did = f"turned onto the side nearest to flat: once it is seated, {less}"
    part = job.part.with_mesh(vertices, job.part.faces, moved=moved)
    return Shaped(part, Promise(may_raise=(32, 33)), did, moved=moved)


def turn_down(down: FloatArray) -> FloatArray:
    """The shortest turn (3, 3) that brings the unit direction `down` to point straight down (Rodrigues' formula)."""
    goal = np.array([0.0, 0.0, -1.0])
    axis = np.cross(down, goal)
    cosine = float(down @ goal)
    if np.linalg.norm(axis) < 1e-12:
        return np.eye(3) if cosine > 0 else np.diag([1.0, -1.0, -1.0])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    turn: FloatArray = np.eye(3) + k + k @ k / (1 + cosine)
    return turn
