"""A narrow shelf around a ragged rim, from whose smooth outer edge the wall goes straight down.

A wall straight down from every tooth of a torn rim has fins and slits too thin to print. The shelf fills the bays between the teeth,
seen from above, and its edge runs clear of them; the skin keeps every tooth.
"""

from __future__ import annotations

import numpy as np

from lint.shape.outline import even_steps, ring, tangled
from lint.shape.triangles import filled, plumped
from lint.terms import FloatArray, IntArray

STEEP = 2.0  # as steep as a shelf goes on falling, two in one: steeper, it would leave the rim for the base at once


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


def shelf(
    rim: FloatArray, line: FloatArray, drop: float, level: float, slope: FloatArray | None = None
) -> tuple[IntArray, FloatArray]:
    """Faces of the shelf from a rim (n, 3) out to a line (k, 2), rim points numbered first, and the height (k,) of the line.

    slope: (n, 2) how the skin rises with x and y at each point of the rim; the shelf then goes on as the skin does, so that bays are
    filled flush with their teeth. Without it the line lies `drop` lower than the rim nearest to it, evened out along its way, which
    clears skin that hangs over. It is never under `level`.
    """
    from scipy.spatial import cKDTree

    if slope is not None:
        height = np.maximum(_sloped_on(rim, line, slope), level + 0.25 * drop)
    else:
        near = cKDTree(rim[:, :2]).query(line, k=min(3, len(rim)))[1].reshape(len(line), -1)
        height = rim[near, 2].min(axis=1)
        for _ in range(8):
            height = np.minimum(height, 0.5 * height + 0.25 * (np.roll(height, 1) + np.roll(height, -1)))
        height = np.maximum(height - drop, level + 0.25 * drop)
    n = len(rim)
    numbers = np.concatenate((n + np.arange(len(line)), np.arange(n)[::-1]))
    points = np.vstack((line, rim[::-1, :2]))
    return np.asarray(numbers[plumped(points, filled([line, rim[::-1, :2]]))]), height


def rim_normals(vertices: FloatArray, faces: IntArray, rim: IntArray, rounds: int) -> FloatArray:
    """Which way the skin (points (v, 3), faces (m, 3)) looks at each point of a rim (n,), (n, 3), as long as the faces there are large.

    The faces around each point, weighed by area and evened out along the rim in so many rounds.
    """
    at = np.full(len(vertices), -1, dtype=np.int64)
    at[rim] = np.arange(len(rim))
    mine = faces[(at[faces] >= 0).any(axis=1)]
    a, b, c = (vertices[mine[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    normal = np.zeros((len(rim), 3))
    for corner in range(3):
        spot = at[mine[:, corner]]
        np.add.at(normal, spot[spot >= 0], cross[spot >= 0])
    for _ in range(rounds):
        normal = 0.5 * normal + 0.25 * (np.roll(normal, 1, axis=0) + np.roll(normal, -1, axis=0))
    return normal


def rim_slopes(vertices: FloatArray, faces: IntArray, rim: IntArray) -> FloatArray:
    """How much the skin (points (v, 3), faces (m, 3)) rises with x and with y at each point of a rim (n,), (n, 2).

    Never steeper than STEEP.
    """
    normal = rim_normals(vertices, faces, rim, 3)
    flat = np.maximum(normal[:, 2], np.linalg.norm(normal[:, :2], axis=1) / STEEP)
    slope: FloatArray = -normal[:, :2] / np.where(flat > 0, flat, 1.0)[:, None]
    return slope


def _sloped_on(rim: FloatArray, line: FloatArray, slope: FloatArray) -> FloatArray:
    """The height (k,) to which the skin at a rim (n, 3) goes on at each point of a line (k, 2): the tangent planes near by, blended.

    No higher than the rim itself near by, so that no fin is raised over it.
    """
    from scipy.spatial import cKDTree

    found = cKDTree(rim[:, :2]).query(line, k=min(12, len(rim)))
    far, near = (np.asarray(a).reshape(len(line), -1) for a in found)
    weight = np.exp(-((far / (1.5 * far[:, :1] + 1e-9)) ** 2))
    ahead = line[:, None] - rim[near, :2]
    planes = rim[near, 2] + np.einsum("kij,kij->ki", ahead, slope[near])
    height: FloatArray = (weight * planes).sum(axis=1) / weight.sum(axis=1)
    height = np.minimum(height, rim[near, 2].max(axis=1))
    return height
