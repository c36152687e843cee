"""A short run of the trial: planted faults of known size are found, near misses stay clean, and what is measured is true.

The full run, 200 plants a rule, is `python -m tests.trial`; every plant is also cut finer, tumbled, renumbered or rounded as STL does.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import corpus
import tests.trial.mould
import tests.trial.prints
import tests.trial.scan
import tests.trial.size
import tests.trial.skin  # noqa: F401
from lint.rooms import all_rules
from lint.terms import Weight
from tests.trial import PLANTERS, Bases, Planted, Tally, cases
from tests.trial.run import tally

SEED = 20
# Plants a rule here: as many as keep the whole file under twenty seconds.
COUNT = {
    2: 6, 3: 12, 4: 12, 5: 12, 6: 12, 7: 12, 8: 12, 9: 6, 10: 8, 11: 6, 12: 4, 13: 12, 14: 2, 20: 4, 21: 12, 22: 12, 23: 12, 24: 12,
    30: 8, 31: 4, 32: 6, 33: 8, 34: 12, 35: 12, 36: 12, 37: 8, 38: 10, 39: 2, 50: 4, 51: 3, 52: 6, 53: 8, 54: 8, 55: 8,
}  # fmt: skip


@cache
def bases() -> Bases:
    """Sound specimens only, so that the run says the same wherever it is made."""
    made = {n: s for n, s in corpus.specimens().items() if n.startswith("sound_")}
    return Bases({n: (np.array(s.vertices), np.array(s.faces)) for n, s in made.items()})


def some_of_both(number: int, count: int) -> list[Planted]:
    """So many plants of one rule, of which at least a quarter are faults and at least a quarter near misses."""
    kinds: dict[bool, list[Planted]] = {True: [], False: []}
    least = max(count // 4, 1)
    for plant in cases(number, 200, SEED, bases()):
        kinds[plant.speaks].append(plant)
        if sum(map(len, kinds.values())) >= count and min(map(len, kinds.values())) >= least:
            break
    return [*kinds[True][: count - least], *kinds[False][: count - least]]


@pytest.mark.parametrize("number", sorted(COUNT))
def test_what_is_planted_is_found_and_nothing_else(number: int) -> None:
    booked = tally(some_of_both(number, COUNT[number]), Tally())
    assert not booked.not_run
    floor = 0.99 if all_rules()[number].weight is Weight.STOP else 0.97
    assert booked.recall >= floor, booked.missed
    assert booked.precision >= floor, booked.false_alarms
    assert not booked.off


def test_every_rule_that_measures_one_mesh_is_tried() -> None:
    """Left out: 1 (no mesh at all) and those that judge the ticket, the shelf or the file's words; they have tests of their own."""
    assert set(PLANTERS) == set(COUNT)
    assert {n for n in all_rules() if n < 56} - {1} == set(COUNT)


def test_a_miss_a_false_alarm_and_a_wrong_measure_are_booked() -> None:
    """The trial itself can fail: told the opposite of what it planted, it books every case against the rule."""
    fault = next(c for c in cases(35, 40, SEED, bases()) if c.speaks)
    clean = next(c for c in cases(35, 40, SEED, bases()) if not c.speaks)
    wrong = [Planted(35, fault.mesh, False, "a fault said to be clean"), Planted(35, clean.mesh, True, "clean, said to be a fault")]
    booked = tally(wrong, Tally())
    assert len(booked.missed) == len(booked.false_alarms) == 1
    assert fault.measured is not None
    off = tally([Planted(35, fault.mesh, True, "wrongly measured", measured=fault.measured + 1, within=0.5, count=7)], Tally())
    assert off.found == 1
    assert len(off.off) == 2
