"""A narrow shelf around a ragged rim, from whose smooth outer edge the wall goes straight down.

A wall straight down from every tooth of a torn rim has fins and slits too thin to print. The shelf fills the bays between the teeth,
seen from above, and its edge runs clear of them; the skin keeps every tooth.
"""

from __future__ import annotations

import numpy as np

from lint.shape.outline import even_steps, ring, tangled
from lint.shape.triangles import filled, plumped
from lint.terms import FloatArray, IntArray


def shelf_line(plan: FloatArray, even: float, clear: float, step: float) -> FloatArray | None:
    """A smooth line (k, 2) at least `clear` mm outside a rim's plan (n, 2), its points no more than `step` apart; None when it falls apart.

    Bays are bridged as if a disc of radius `even` rolled round the outside.
    """
    from manifold3d import CrossSection, FillRule, JoinType

    around = JoinType.Round
    grown = CrossSection([np.ascontiguousarray(plan)], FillRule.Positive).offset(clear + even, around, 2.0, 96)
    pieces = [np.asarray(p, dtype=np.float64) for p in grown.offset(-even, around, 2.0, 96).to_polygons()]
    if len(pieces) != 1:
        return None
    line = even_steps(pieces[0], min(step, 1.5 * clear))
    both = np.vstack((plan, line))
    edges = np.vstack((ring(len(plan)), ring(len(line), len(plan))))
    return None if tangled(both, edges).any() else line


def shelf(rim: FloatArray, line: FloatArray, drop: float, level: float) -> tuple[IntArray, FloatArray]:
    """Faces of the shelf from a rim (n, 3) out to a line (k, 2), rim points numbered first, and the height (k,) of the line.

    The line lies `drop` lower than the rim nearest to it, evened out along its way, and never under `level`.
    """
    from scipy.spatial import cKDTree

    near = cKDTree(rim[:, :2]).query(line, k=min(3, len(rim)))[1].reshape(len(line), -1)
    height = rim[near, 2].min(axis=1)
    for _ in range(8):
        height = np.minimum(height, 0.5 * height + 0.25 * (np.roll(height, 1) + np.roll(height, -1)))
    height = np.maximum(height - drop, level + 0.25 * drop)
    n = len(rim)
    numbers = np.concatenate((n + np.arange(len(line)), np.arange(n)[::-1]))
    points = np.vstack((line, rim[::-1, :2]))
    return np.asarray(numbers[plumped(points, filled([line, rim[::-1, :2]]))]), height
