"""Settle: set the part down on the bed, its lowest point at z = 0. Nothing else changes."""

from __future__ import annotations

import numpy as np

from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch

fix = Fix(
    name="settle",
    touch=Touch.RECORD,
    does="moves the whole part straight up or down until its lowest point is at z = 0, on the bed; the skin keeps its shape",
)


@fix.make
def make(job: Job) -> Shaped:
    """Lower or lift the part. Raises Declined when it stands on the bed already, or holds no skin."""
    if not len(job.part.faces):
        raise Declined("there is no skin to set down")
    lowest = float(job.survey.get("extent").low[2])
    if lowest == 0:
        raise Declined("it stands on the bed already")
    moved = np.eye(4)
    moved[2, 3] = -lowest
    part = job.part.with_mesh(job.part.vertices + moved[:3, 3], job.part.faces, moved=moved)
    way = "lowered" if lowest > 0 else "lifted"
    return Shaped(part, Promise(clears=(35,)), f"{way} by {abs(lowest):.3f} mm, so that the lowest point is at z = 0", moved=moved)
