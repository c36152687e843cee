"""Untangle lines where three or more faces meet, and points where skin hangs together by nothing."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.shape.compact import covers, without
from lint.shape.fans import part_fans
from lint.shape.flaps import flaps, inner_walls
from lint.terms import Declined, Fix, Job, Promise, Shaped, Touch, Zone

# How far each side withdraws: thirty times the rounding of a 32-bit file a metre from the origin (facts 6.33), a hundredth of a layer.
HAIR = 0.002
SHARE = 1e-5  # of the diagonal, where units are unknown
# What the tangle hid: a shell seen for the first time to face in, to overlap or to be sealed; a piece that nothing holds up.
SEEN_ONLY_NOW = (2, 7, 8, 9, 10, 11, 31, 33, 36, 37)

fix = Fix(
    name="untangle",
    touch=Touch.SKIN,
    does="drops flaps and inner walls that hold nothing, and sets apart by 0.002 mm what only touches along a line or in a point",
)


@fix.make
def make(job: Job) -> Shaped:
    """Flaps first, then inner walls, then the rest is parted into fans, each with points of its own."""
    part, survey = job.part, job.survey
    zones: tuple[Zone, ...] = ()
    said: list[str] = []
    for find, what in ((flaps, "flaps that end in the air"), (inner_walls, "inner walls")):
        gone = find(survey.get("skin"), survey.get("edges"), survey.get("facets"))
        if gone.any() and not gone.all():
            zones += covers(survey.get("skin"), survey.get("shells").label, np.flatnonzero(gone), what + " were here")
            part = without(part, gone)
            survey = Survey(part)
            said.append(f"dropped {what} ({int(gone.sum())} faces)")
    hair = HAIR if part.units is not None else SHARE * survey.get("extent").diagonal
    split = 0
    if len(survey.get("edges").crowded) or len(survey.get("pinched")):
        part, split, _ = part_fans(part, survey.get("skin"), survey.get("edges"), survey.get("facets"), hair)
        survey = Survey(part)
    if split:
        said.append(f"set apart the skin at {split} points")
    if not said or not _better(job, survey):
        raise Declined("the faces that meet there do not pair up into sides of a solid; it takes a rewrap, or a hand")
    clears = tuple(n for n, name in ((5, "crowds"), (6, "pinched")) if not len(survey.get(name)))
    called = {f.rule for f in job.findings}
    return Shaped(
        part,
        Promise(
            skin_max=hair if split else 0.0,
            skin_p99=hair if split else 0.0,
            volume="any",
            pieces="any",
            clears=tuple(called & set(clears)),
            lessens=tuple(called - set(clears)),
            may_raise=SEEN_ONLY_NOW,
        ),
        " and ".join(said),
        zones=zones,
    )


def _better(job: Job, survey: Survey) -> bool:
    def fault(of: Survey) -> tuple[int, int]:
        return len(of.get("edges").crowded), len(of.get("pinched"))

    return fault(survey) < fault(job.survey)
