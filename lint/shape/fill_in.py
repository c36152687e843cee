"""Fill in: a sealed hollow whose wall is too weak to work on is made solid again. The skin that is seen stays to the last bit."""

from __future__ import annotations

import numpy as np

from lint.shape.compact import without
from lint.terms import Declined, Fix, IntArray, Job, Promise, Shaped, Touch

# A part that is solid now can be told that it is heavy (39), and that it tips, its weight lying elsewhere (36).
MAY_RAISE = (36, 39)
SOLID = "its hollow was filled, so it takes more material and time: hollow it again, with a wall that bears clay, if it should be light"

fix = Fix(
    name="fill in",
    touch=Touch.SKIN,  # of the hollow: nothing that is seen
    does="makes a sealed hollow solid again where its wall is too weak to work on; the skin that is seen stays as it is",
    on_demand=True,
    for_stop=True,
)


@fix.make
def make(job: Job) -> Shaped:
    """Leave out each sealed cavity that a finding names, with what lies in it. Raises Declined where the hollow is open or is asked for."""
    if "hollow" in job.planned:
        raise Declined("it is to be hollow: ask for a thicker wall (wall under [use] in the ticket)")
    named = [_cavities(job, f.place.faces) for f in job.findings if f.place is not None and f.place.faces is not None]
    found = np.unique(np.concatenate(named)) if named else np.zeros(0, dtype=np.int64)
    if not len(found):
        raise Declined("no sealed hollow lies behind the weak wall; an open one is filled by hand, with plaster or foam")
    shells, nesting = job.survey.get("shells"), job.survey.get("nesting")
    gone = np.isin(shells.label, np.union1d(found, nesting.inner[np.isin(nesting.outer, found)]))
    every = all(len(n) for n in named)
    many = "a sealed hollow" if len(found) == 1 else f"{len(found)} sealed hollows"
    air = float(np.abs(shells.volume[found]).sum())
    return Shaped(
        without(job.part, gone),
        Promise(
            volume="more", pieces="fewer", clears=(50,) if every else (), lessens=() if every else (50,), may_raise=MAY_RAISE,
        ),
        f"filled {many} of {air / 1000:.3g} cm3 behind a wall too weak to work on",
        cautions=(SOLID,),
    )  # fmt: skip


def _cavities(job: Job, faces: IntArray) -> IntArray:
    """The sealed cavities (k,), by the number of their shell, that any of the faces bounds."""
    label = job.survey.get("shells").label[faces]
    here = np.unique(label[label >= 0])
    found: IntArray = here[job.survey.get("nesting").cavity[here]]
    return found
