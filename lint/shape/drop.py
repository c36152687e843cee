"""Drop stray pieces whole. What stays is not touched."""

from __future__ import annotations

import numpy as np

from lint.shape.compact import covers, without
from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch

fix = Fix(
    name="drop",
    touch=Touch.PIECE,
    does="takes out stray pieces whole (specks, hair, table); what stays is not touched",
)


@fix.make
def make(job: Job) -> Shaped:
    """Take out the faces of every piece that a finding names."""
    named = [f.place.faces for f in job.findings if f.place is not None and f.place.faces is not None]
    if not named:
        raise Declined("no stray piece is named")
    drop = np.unique(np.concatenate(named))
    if len(drop) == len(job.part.faces):
        raise Declined("every piece is named, and nothing would be left")
    gone = np.zeros(len(job.part.faces), dtype=bool)
    gone[drop] = True
    shells = job.survey.get("shells")
    pieces = len(np.unique(shells.label[drop]))
    return Shaped(
        without(job.part, gone),
        Promise(volume="any", pieces="fewer", clears=tuple({f.rule for f in job.findings})),
        f"dropped {pieces} stray pieces, {len(drop)} faces",
        zones=covers(job.survey.get("skin"), drop, "a stray piece was here"),
    )
