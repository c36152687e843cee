"""Reference lengths: what the marks of the ticket measure on the part, and the one scale that fits them best.

A scan has no scale of its own (structure from motion is defined up to a similarity), so a marked length is the only
thing that can say how large the part is. Nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.terms import MM_PER_UNIT, FloatArray, NotRun, Part


@dataclass(frozen=True)
class Lengths:
    """start, end: (k, 3) marks in the coordinates of the part; measured: (k,) their distance, in mm or, while the units
    are unknown, in the file's own numbers; true: (k,) mm; names: what each is called in a sentence."""

    start: FloatArray
    end: FloatArray
    measured: FloatArray
    true: FloatArray
    names: tuple[str, ...]


@measure
def lengths(part: Part) -> Lengths:
    """The marked lengths of the ticket, carried to where the part is now. Raises NotRun when there are none or two marks coincide."""
    given = part.ticket.length
    if not given:
        raise NotRun("the ticket gives no reference length")
    start = part.place_points([length.from_ for length in given])
    end = part.place_points([length.to for length in given])
    measured: FloatArray = np.linalg.norm(end - start, axis=1)
    names = tuple(length.name or f"marked length {k + 1}" for k, length in enumerate(given))
    for name, value in zip(names, measured, strict=True):
        if not np.isfinite(value) or value <= 0:
            raise NotRun(f"the two marks of {name} are one point: mark it again")
    return Lengths(start, end, measured, np.array([length.true for length in given]), names)


def best_scale(measured: FloatArray, true: FloatArray) -> float:
    """The factor k that makes k * measured fit true best: least squares of the differences in mm, so a long length says more.

    Minimises sum (k m - t)^2, hence k = sum(m t) / sum(m m). Marks err by so many mm whatever they mark, which is why the
    differences are not taken as shares.
    """
    return float(measured @ true / (measured @ measured))


def spread(measured: FloatArray, true: FloatArray) -> float:
    """How far the scales of the single lengths lie apart, as a share: the largest over the smallest, less one."""
    ratio = measured / true
    return float(ratio.max() / ratio.min() - 1)


def scale_of(part: Part) -> float:
    """Millimetres (or, while the units are unknown, part numbers) to one of the file's own numbers, from the placement."""
    return float(abs(np.linalg.det(part.placement[:3, :3])) ** (1 / 3))


# A scan off by more than this besides its unit is not explained by the unit. Phones measure faces to 0.5 to 1.4 mm
# (facts 3.6.6), under 2 % of any body part; depth cameras out of calibration reach 3 to 8 % (common practice, no source).
# It stays below the half-way point of the closest pair of units, foot and metre, a factor 3.28 apart.
NEAR_A_UNIT = 0.10


def unit_near(mm_per_number: float) -> str | None:
    """The unit whose length in mm is nearest to this, when it is within NEAR_A_UNIT; else None."""
    return next((name for name, mm in MM_PER_UNIT.items() if abs(mm_per_number / mm - 1) <= NEAR_A_UNIT), None)


UNIT_WORDS = {"micron": "microns", "mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches", "ft": "feet"}


def times(factor: float) -> str:
    """A scale factor in few figures, never rounded so far that it hides a difference: "x25.4", "x1030", "x0.001"."""
    return f"x{factor:.4g}"
