"""The flat a closed part was cut off at, where something stands out beyond it so that the part does not end there."""

from __future__ import annotations

import numpy as np

from lint.shape.level import DEEPEST, FLAT, candidates
from lint.terms import FloatArray, IntArray

# A flat worth standing on has at least this share of all the skin: the neck of a bust has 5 to 10 %.
LARGE = 0.02
LEVEL = 0.985  # the cosine to which a face looks the way of its flat


def flats(vertices: FloatArray, faces: IntArray, normal: FloatArray, areas: FloatArray) -> list[FloatArray]:
    """Directions (3,) that large flats look to, within reach of a level cut from the part's end that way, the largest first.

    For each of the likely directions the heights of the faces that look that way are sorted, and the fullest 2 FLAT of them is taken.
    """
    centre = vertices[faces].mean(axis=1)
    found: list[tuple[float, FloatArray]] = []
    for down in candidates(normal, areas):
        reach = vertices @ down
        looks = np.flatnonzero(normal @ down > LEVEL)
        near = looks[centre[looks] @ down > reach.max() - DEEPEST * np.ptp(reach)]
        if not len(near):
            continue
        near = near[np.argsort(centre[near] @ down, kind="stable")]
        height, total = centre[near] @ down, np.concatenate(([0.0], np.cumsum(areas[near])))
        first = np.searchsorted(height, height - 2 * FLAT)
        held = total[1:] - total[first]
        best = int(held.argmax())
        if held[best] < LARGE * areas.sum():
            continue
        own = near[first[best] : best + 1]
        way = (normal[own] * areas[own, None]).sum(axis=0)
        way /= np.linalg.norm(way)
        if not any(float(way @ other) > LEVEL for _, other in found):
            found.append((float(held[best]), way))
    return [way for _, way in sorted(found, key=lambda f: -f[0])]
