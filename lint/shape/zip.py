"""Zip two rims together: which rim of a patch belongs to which rim of a cut, and the strip of faces between them."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import Rim, edges, rims
from lint.measure.surface import Skin
from lint.terms import Declined, FloatArray, IntArray

NONE = np.zeros(0, dtype=np.int64)


def flat_faces(faces: IntArray) -> IntArray:
    """Numbers of faces with two corners on one point."""
    return np.flatnonzero((faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0]))


def rims_of(vertices: FloatArray, faces: IntArray) -> tuple[Rim, ...]:
    """The rims of a bare mesh, as numbers of its own points."""
    skin = Skin(vertices, faces, NONE)
    return rims(skin, edges(skin, flat_faces(faces)))


def matched(vertices: FloatArray, loops: list[Rim], patch_points: FloatArray, patch: IntArray, pitch: float) -> list[tuple[Rim, Rim]]:
    """Each rim of the cut with the rim of the patch that lies along it. Raises Declined unless they pair off one to one."""
    from scipy.spatial import cKDTree

    patch_loops = rims_of(patch_points, patch) if len(patch) else ()
    if len(patch_loops) != len(loops) or not all(r.closed for r in patch_loops):
        raise Declined(f"the patch has {len(patch_loops)} rims and the cut {len(loops)}: they do not fit together")
    if not loops:
        raise Declined("the cut has no rim to lay a patch into")
    along: list[FloatArray] = []
    for rim in loops:
        a, b = vertices[rim.points], vertices[np.roll(rim.points, -1)]
        along.append(np.vstack([a + t * (b - a) for t in np.linspace(0, 1, 8, endpoint=False)]))
    label = np.repeat(np.arange(len(loops)), [len(a) for a in along])
    tree = cKDTree(np.vstack(along))
    pairs: list[tuple[Rim, Rim]] = []
    taken: set[int] = set()
    for rim in patch_loops:
        distance, at = tree.query(patch_points[rim.points])
        votes = np.bincount(label[at], minlength=len(loops))
        best = int(votes.argmax())
        if best in taken or votes[best] < 0.9 * votes.sum() or float(np.median(distance)) > 6 * pitch:
            raise Declined("the rims of the patch and of the cut do not lie along each other")
        taken.add(best)
        pairs.append((loops[best], rim))
    return pairs


def zipped(vertices: FloatArray, rim: IntArray, patch_points: FloatArray, patch_rim: IntArray, shift: int) -> IntArray:
    """Faces (k, 3) that close the gap between a rim of the old skin and the rim of a patch, whose points are numbered from `shift` on.

    Both rims run as their own faces do, so they run against each other; the shorter of the two next sides is taken each time.
    """
    other = patch_rim[::-1]
    a, b = vertices[rim], patch_points[other]
    gap = np.linalg.norm(a[:, None, :] - b[None, :, :], axis=2)
    first_a, first_b = np.unravel_index(int(gap.argmin()), gap.shape)
    a_at, b_at = np.roll(np.arange(len(a)), -int(first_a)), np.roll(np.arange(len(b)), -int(first_b))
    gap = gap[np.ix_(np.append(a_at, a_at[0]), np.append(b_at, b_at[0]))]
    walk_a = _walked(a[a_at])
    walk_b = _walked(b[b_at])
    # A step that runs ahead of the other rim costs as if it were longer, so that neither rim is left behind.
    i = j = 0
    faces: list[tuple[int, int, int]] = []
    old, new = rim[a_at], other[b_at] + shift
    n, m = len(old), len(new)
    scale = float(gap.max())
    while i < n or j < m:
        take_a = j == m
        if i < n and j < m:
            ahead_a, ahead_b = walk_a[i + 1] - walk_b[j], walk_b[j + 1] - walk_a[i]
            take_a = gap[i + 1, j] + 0.5 * scale * max(ahead_a, 0.0) <= gap[i, j + 1] + 0.5 * scale * max(ahead_b, 0.0)
        if take_a:
            faces.append((int(old[(i + 1) % n]), int(old[i % n]), int(new[j % m])))
            i += 1
        else:
            faces.append((int(new[j % m]), int(new[(j + 1) % m]), int(old[i % n])))
            j += 1
    return np.array(faces, dtype=np.int64)


def _walked(points: FloatArray) -> FloatArray:
    """(n + 1,) share of the way round a closed loop at each point and back at the start."""
    way = np.append(0.0, np.cumsum(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)))
    share: FloatArray = way / max(float(way[-1]), 1e-300)
    return share
