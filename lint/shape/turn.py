"""Turn faces over, so that neighbours agree and every closed shell faces out, save true cavities. No point moves."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch

# What is judged by the side a face looks to cannot have been judged rightly before (a crack needs sides that run opposite ways).
SIDED = (2, 9, 10, 30, 31, 32, 33, 34, 36, 37, 38, 39, 50, 51, 52, 53)

fix = Fix(
    name="turn",
    touch=Touch.RECORD,
    does="turns over the faces that look the wrong way; no point moves, only the order of corners in the file",
)


@fix.make
def make(job: Job) -> Shaped:
    """Reverse the smaller side of each mixed skin, then every closed shell that is inside out. Open skins keep their side."""
    winding = job.survey.get("winding")
    faces = job.part.faces.copy()
    patches = int(winding.against.sum())
    faces[winding.against] = faces[winding.against][:, ::-1]
    survey = job.survey if not patches else Survey(job.part.with_mesh(job.part.vertices, faces))
    wrong = survey.get("nesting").inside_out
    whole = np.append(wrong, False)[survey.get("shells").label]
    faces[whole] = faces[whole][:, ::-1]
    changed = winding.against != whole
    if not changed.any():
        raise Declined(
            "the skin is one-sided, so no way of turning its faces makes them agree; it has to be cut or rewrapped"
            if winding.one_sided.any()
            else "all faces look the right way already"
        )
    mixed = winding.one_sided.any()
    return Shaped(
        job.part.with_mesh(job.part.vertices, faces),
        Promise(volume="any", clears=(8,) if mixed else (7, 8), lessens=(7,) if mixed and patches else (), may_raise=SIDED),
        f"turned over {int(changed.sum())} faces" + (f", {int(wrong.sum())} whole shells among them" if wrong.any() else ""),
        cautions=("a one-sided skin is left as it is",) if mixed else (),
    )
