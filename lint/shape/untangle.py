"""Untangle lines where three or more faces meet, and points where skin hangs together by nothing."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.specks import spans
from lint.shape.compact import covers, hung_together, without
from lint.shape.fans import part_fans
from lint.shape.flaps import flaps, inner_walls, walls_across
from lint.shape.rewrap import apart, mended
from lint.terms import Declined, Fix, IntArray, Job, Part, Promise, Shaped, Touch, Zone

# How far each side withdraws: thirty times the rounding of a 32-bit file a metre from the origin (facts 6.33), a hundredth of a layer.
HAIR = 0.002
SHARE = 1e-5  # of the diagonal, where units are unknown
# A closed piece that hung by a point is a bead of no use below this share of the part's length, as for other closed pieces (rule 11).
BEAD = 0.05
# What the tangle hid: a shell seen for the first time to face in, to overlap or to be sealed; a piece that nothing holds up.
SEEN_ONLY_NOW = (2, 7, 8, 9, 10, 11, 31, 33, 36, 37)

fix = Fix(
    name="untangle",
    touch=Touch.SKIN,
    does="drops flaps and inner walls that hold nothing, and sets apart by 0.002 mm what only touches along a line or in a point",
)


@fix.make
def make(job: Job) -> Shaped:
    """Flaps first, then walls across the skin and inner walls, then the rest is parted into fans, each with points of its own."""
    part, survey = job.part, job.survey
    zones: list[Zone] = []
    said: list[str] = []
    for find, what in ((flaps, "flaps that end in the air"), (walls_across, "walls across the skin"), (inner_walls, "inner walls")):
        gone = find(survey.get("skin"), survey.get("edges"), survey.get("facets"))
        if gone.any() and not gone.all():
            zones += covers(survey.get("skin"), np.flatnonzero(gone), what + " were here")
            part = without(part, gone)
            survey = Survey(part)
            said.append(f"dropped {what} ({int(gone.sum())} faces)")
    hair = HAIR if part.units is not None else SHARE * survey.get("extent").diagonal
    split, whole = 0, survey
    if len(survey.get("edges").crowded) or len(survey.get("pinched")):
        part, split, _ = part_fans(part, survey.get("skin"), survey.get("edges"), survey.get("facets"), hair)
        survey = Survey(part)
    if split:
        said.append(f"set apart the skin at {split} points")
        part, survey, beads, more = _without_beads(part, survey, whole)
        zones += more
        if beads:
            said.append(f"dropped {beads} small {'piece' if beads == 1 else 'pieces'} that hung by a point")
    called = {f.rule for f in job.findings}
    clears = tuple(n for n, name in ((5, "crowds"), (6, "pinched")) if not len(survey.get(name)))
    if not said or not all(_amount(survey, n) < _amount(job.survey, n) for n in called - set(clears)):
        try:
            return mended(job)
        except Declined as reason:
            why = "the faces that meet there do not pair up into sides of a solid, and no new skin fits there"
            raise Declined(f"{why}: {reason}") from None
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
        zones=tuple(zones),
        cautions=apart(len(np.unique(_hung_together(job.survey))), part, "with what hung by a point set apart") if split else (),
    )


def _without_beads(part: Part, survey: Survey, before: Survey) -> tuple[Part, Survey, int, tuple[Zone, ...]]:
    """A parted part without the small closed pieces that had hung on a shell by points or lines alone, how many, and where they were.

    What crosses other skin as well is held by it, and stays for unite.
    """
    shells, old = survey.get("shells"), _hung_together(before)
    if len(old) != len(shells.label):
        return part, survey, 0, ()
    owner = np.zeros(shells.count, dtype=np.int64)
    owner[shells.label] = old
    largest = np.zeros(int(owner.max(initial=0)) + 1)
    np.maximum.at(largest, owner, shells.area)
    length = spans(survey.get("skin"), shells.label, shells.count)
    bead = shells.closed & (shells.area < largest[owner]) & (length < BEAD * length.max(initial=0.0))
    for group in survey.get("overlaps"):
        bead[group.shells] = False
    if not bead.any():
        return part, survey, 0, ()
    gone = bead[shells.label]
    zones = covers(survey.get("skin"), np.flatnonzero(gone), "a small piece hung here by a point")
    part = without(part, gone)
    return part, Survey(part), int(bead.sum()), zones


def _hung_together(survey: Survey) -> IntArray:
    """(m,) of the faces that are not worthless: which hang together, be it by a point only."""
    return hung_together(survey.get("skin").faces[survey.get("shells").label >= 0])


def _amount(survey: Survey, rule: int) -> tuple[float, ...]:
    """How much the rule for crowded edges (5), or that for pinched points (6), has to say: the lines and their length, or the points."""
    crowds = survey.get("crowds")
    return (len(crowds), sum(c.length for c in crowds)) if rule == 5 else (len(survey.get("pinched")),)
