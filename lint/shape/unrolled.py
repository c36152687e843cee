"""A wall from a rim that overhangs itself: drawn on the unrolled wall and filled there, so that nothing of the skin need go.

The wall stands on a smooth closed line around the rim's plan. Unrolled, each rim point has a place along that line and a height.
There the rim may run back over itself, as a cut ear lobe does; only if it crosses itself even there is there no such wall. The wall may be
drawn leaning, so that what lies farther in counts as higher: then the teeth of a torn rim do not hide one another either.
"""

from __future__ import annotations

import numpy as np

from lint.shape.outline import area, even_steps, ring, tangled
from lint.shape.triangles import filled, plumped
from lint.terms import FloatArray, IntArray


def plan_line(rim: FloatArray, even: float, thin: float, step: float) -> FloatArray | None:
    """A smooth counter-clockwise line (k, 2) round the plan of a rim (n, 2), its points about `step` mm apart.

    Bays are bridged as if a disc of radius `even` rolled round the outside, so that the wall slopes out under the teeth of a ragged rim
    and bears them; only spikes thinner than twice `thin` are passed by. None when the plan falls apart.
    """
    from manifold3d import CrossSection, FillRule, JoinType

    around = JoinType.Round
    plan = CrossSection([np.ascontiguousarray(rim)], FillRule.Positive)
    plan = plan.offset(even, around, 2.0, 64).offset(-even - thin, around, 2.0, 64).offset(thin, around, 2.0, 64)
    pieces = [np.asarray(p, dtype=np.float64) for p in plan.to_polygons()]
    if not pieces:
        return None
    line = max(pieces, key=area)
    if area(line) < 0.7 * abs(area(rim)):
        return None
    return even_steps(line, step)


def unrolled_wall(rim: FloatArray, line: FloatArray, level: float, lean: float) -> IntArray | None:
    """Faces of the wall between a rim (n, 3) and a line (k, 2) at `level`, rim points numbered first, then the line's.

    Outside lies on the right of the way the rim runs. lean: mm of height that a mm farther in counts for in the drawing.
    None when the rim crosses itself on the unrolled wall.
    """
    n, k = len(rim), len(line)
    whole = float(np.linalg.norm(np.roll(line, -1, axis=0) - line, axis=1).sum())
    place, out = _places(rim[:, :2], line)
    height = np.maximum(rim[:, 2] - lean * out, level + 1e-3 * whole)
    first = int(np.argmin(height))
    order = np.roll(np.arange(n), -first)
    steps = np.diff(np.append(place[order], place[first]))
    steps -= whole * np.round(steps / whole)
    if abs(float(steps.sum()) - whole) > 1e-6 * whole:
        return None
    along = np.concatenate(([0.0], np.cumsum(steps)))
    top = np.column_stack((along, np.append(height[order], height[first])))
    foot_place = np.arange(k) * whole / k
    nearest = int(np.argmin(np.abs((foot_place - place[first] + whole / 2) % whole - whole / 2)))
    foot_order = (nearest + np.arange(k)) % k
    bottom = np.column_stack((np.arange(k + 1) * whole / k, np.full(k + 1, level)))
    outline = np.vstack((top, bottom[::-1]))[::-1]
    drawn = _untangled(outline, n + 1, k + 1)
    if drawn is None:
        return None
    numbers = np.concatenate((order, order[:1], n + np.append(foot_order, foot_order[0])[::-1]))[::-1]
    triangles = plumped(drawn, filled([drawn]))
    return np.asarray(numbers[triangles])


def _untangled(outline: FloatArray, top: int, bottom: int) -> FloatArray | None:
    """The outline (bottom first, then the top backwards), its top evened out a little where it crosses itself; None if in vain."""
    bad = tangled(outline, ring(len(outline)))
    if not bad.any():
        return outline
    movable = np.zeros(len(outline), dtype=bool)
    movable[bottom + 1 : bottom + top - 1] = True
    at = outline.copy()
    for _ in range(12):
        touched = bad | np.roll(bad, 1)
        for _ in range(2):
            touched |= np.roll(touched, 1) | np.roll(touched, -1)
        weight = (touched & movable).astype(np.float64)
        for _ in range(4):
            at += 0.5 * weight[:, None] * ((np.roll(at, 1, axis=0) + np.roll(at, -1, axis=0)) / 2 - at)
        bad = tangled(at, ring(len(at)))
        if not bad.any():
            return at
    return None


def _places(points: FloatArray, line: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far along a closed line (k, 2) its spot nearest to each point (n, 2) is, mm, as if all its sides had the mean length;

    and how far outside the line the point lies, mm, negative inside.
    """
    from scipy.spatial import cKDTree

    following = np.roll(line, -1, axis=0)
    side = following - line
    length = np.linalg.norm(side, axis=1)
    mean = float(length.sum()) / len(line)
    _, near = cKDTree((line + following) / 2).query(points, k=min(7, len(line)))
    near = near.reshape(len(points), -1)
    to = points[:, None, :] - line[near]
    share = np.clip((to * side[near]).sum(axis=2) / np.maximum(length[near] ** 2, 1e-300), 0, 1)
    gap = np.linalg.norm(to - share[:, :, None] * side[near], axis=2)
    best = gap.argmin(axis=1)
    rows = np.arange(len(points))
    chosen = near[rows, best]
    outward = side[chosen, 1] * to[rows, best, 0] - side[chosen, 0] * to[rows, best, 1]
    return (chosen + share[rows, best]) * mean, np.sign(outward) * gap[rows, best]
