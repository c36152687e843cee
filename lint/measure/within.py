"""Which points of a grid lie within a few steps of chosen ones: exact, and far cheaper than a distance to every point."""

from __future__ import annotations

import math

import numpy as np

from lint.terms import BoolArray, IntArray


def within(chosen: BoolArray, steps: float) -> BoolArray:
    """Whether each point of a grid lies at most `steps` grid steps from a chosen one, as the crow flies; the shape of `chosen`.

    Squared distances in whole steps add up over the axes (Felzenszwalb and Huttenlocher 2012), so the smallest is found along one
    axis after the other; what is farther than asked is only known to be so, and the numbers fit in a byte for 11 steps or fewer.
    """
    reach = math.floor(steps)
    most, kind = (255, np.dtype(np.uint8)) if steps**2 + reach**2 < 255 else (1 << 60, np.dtype(np.int64))
    least: IntArray = np.where(chosen, 0, most - reach**2).astype(kind)
    for axis in range(least.ndim):
        before = np.moveaxis(least.copy(), axis, 0)
        after = np.moveaxis(least, axis, 0)
        for k in range(1, min(reach, len(after) - 1) + 1):
            np.minimum(after[k:], before[:-k] + k * k, out=after[k:])
            np.minimum(after[:-k], before[k:] + k * k, out=after[:-k])
    return np.asarray(least <= steps**2)
