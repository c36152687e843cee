"""Mirror: the other side of a pair, made from this one by reflecting it about its own middle, left for right."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np

from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch
from lint.ticket import OTHER_SIDE

fix = Fix(
    name="mirror",
    touch=Touch.SKIN,
    does="turns the part into its mirror image, left for right about its own middle, so that a left becomes a right; nothing else changes",
    on_demand=True,
)


@fix.make
def make(job: Job) -> Shaped:
    """Reflect x about the middle of the box. Raises Declined when there is no skin, or the part has been mirrored in this run."""
    part = job.part
    if not len(part.faces):
        raise Declined("there is no skin to mirror")
    if np.linalg.det(part.placement[:3, :3]) < 0:
        raise Declined("it is mirrored already; a second time would turn it back")
    extent = job.survey.get("extent")
    moved = np.diag([-1.0, 1.0, 1.0, 1.0])
    moved[0, 3] = float(extent.low[0] + extent.high[0])
    vertices = part.vertices @ moved[:3, :3].T + moved[:3, 3]
    mirrored = part.with_mesh(vertices, part.faces[:, ::-1], moved=moved)
    was = part.ticket.part.side
    # What was the pair of this side is not the pair of the other.
    table = msgspec.structs.replace(part.ticket.part, side=OTHER_SIDE[was], pair=None)
    ticket = msgspec.structs.replace(part.ticket, part=table)
    did = "mirrored left for right about its own middle"
    if was != "none":
        did += f": the {was} is now a {table.side}"
    cautions = ("a name or number cut into the part before is mirrored with it",)
    return Shaped(replace(mirrored, ticket=ticket), Promise(), did, moved=moved, cautions=cautions)
