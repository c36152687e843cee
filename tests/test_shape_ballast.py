"""How far up a hollow is left solid so that its part still stands: against centres of mass of blocks, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.shape.ballast import LEVELS, floor_under
from tests.meshes import part

# A crane: a block for a foot, a post on its right, an arm that reaches out beyond it. Size and low corner, mm.
CRANE = (((60.0, 60.0, 40.0), (0.0, 0.0, 0.0)), ((20.0, 20.0, 150.0), (40.0, 20.0, 40.0)), ((30.0, 20.0, 20.0), (60.0, 20.0, 170.0)))
VOID = ((54.0, 54.0, 34.0), (3.0, 3.0, 3.0))


def leans(void_from: float) -> float:
    """Degrees to the right at which the crane goes over when its foot is hollow from a height on, by the weights of its blocks."""
    (wide, deep, _), (x, y, _) = VOID
    blocks = [(1.0, *block) for block in CRANE] + [(-1.0, (wide, deep, 37.0 - void_from), (x, y, void_from))]
    weight = np.array([sign * np.prod(size) for sign, size, _ in blocks])
    centre = weight @ np.array([np.add(low, np.divide(size, 2)) for _, size, low in blocks]) / weight.sum()
    return float(np.degrees(np.arctan2(60.0 - centre[0], centre[2])))


def crane(*more: tuple[tuple[float, float, float], tuple[float, float, float]]) -> Survey:
    whole = solids.box(*CRANE[0])
    for block in (*CRANE[1:], *more):
        whole = solids.fused(whole, solids.box(*block))
    return Survey(part(whole))


def test_the_foot_is_left_solid_just_as_far_up_as_it_must_be() -> None:
    survey = crane()
    assert survey.get("stance").angle == pytest.approx(leans(37.0), abs=1e-6)
    assert leans(37.0) > 20
    assert leans(3.0) < 11
    floor = floor_under(survey, *solids.flipped(solids.box(*VOID)))
    assert floor is not None
    assert leans(floor) >= 15.2 > leans(floor - 34.0 / LEVELS)


def test_it_is_left_alone_where_it_stands_or_stood_no_better_before() -> None:
    small = solids.flipped(solids.box((10.0, 10.0, 10.0), (5.0, 5.0, 5.0)))
    assert floor_under(crane(), *small) is None
    falls = crane(((90.0, 20.0, 20.0), (90.0, 20.0, 170.0)))
    assert falls.get("stance").angle < 10
    assert floor_under(falls, *solids.flipped(solids.box(*VOID))) is None


def test_a_part_that_may_be_leant_a_little_may_be_leant_as_little_after() -> None:
    """Between 10 and 15 degrees it had a caution; hollow it must not get a stop."""
    survey = crane(((55.0, 20.0, 20.0), (90.0, 20.0, 170.0)))
    before = float(survey.get("stance").angle)
    assert 10 < before < 15
    floor = floor_under(survey, *solids.flipped(solids.box(*VOID)))
    assert floor is not None
    assert 3.0 < floor < 37.0
