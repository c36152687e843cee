"""Points of a grid within a few steps of chosen ones, against scipy's distances."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from lint.measure.within import within


@pytest.mark.parametrize("steps", [0.5, 1.0, 1.5, 2.0, 5.0**0.5, 3.7, 7.5, 8.5, 11.0, 14.2])
def test_it_says_what_the_distances_say(steps: float) -> None:
    dice = np.random.default_rng(int(steps * 10))
    for shape in ((1, 1, 1), (40, 3, 17), (31, 29, 30)):
        chosen = dice.random(shape) < 4 / np.prod(shape)
        chosen.flat[0] = True
        assert (within(chosen, steps) == (distance_transform_edt(~chosen) <= steps)).all()


def test_nothing_is_near_nothing_and_everything_near_everything() -> None:
    none = np.zeros((6, 7, 8), dtype=bool)
    assert not within(none, 3.0).any()
    assert within(~none, 3.0).all()
