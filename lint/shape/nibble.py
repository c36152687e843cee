"""Take the odd tooth off a torn rim: only what stands in the way of a clean wall goes, not a strip all round."""

from __future__ import annotations

import numpy as np

from lint.measure.edges import edges as edge_table
from lint.measure.edges import rims as find_rims
from lint.measure.joining import components
from lint.measure.surface import Skin
from lint.terms import FloatArray, IntArray

PINCHES = 6  # rounds in which skin that hangs by a point is let go of


def nibbled(
    vertices: FloatArray, faces: IntArray, rim: IntArray, spots: FloatArray, bite: float, deep: float
) -> tuple[IntArray, IntArray, IntArray] | None:
    """The faces left of a sheet, its new rim, and the faces gone, when the skin within `bite` mm of `spots` (k, 3) is taken off.

    Only spots within `deep` mm of the rim count: what lies farther in is no tooth of it. None when there is none, or no single clean
    rim is left. The points stay as they are.
    """
    from scipy.spatial import cKDTree

    spots = spots[cKDTree(vertices[rim]).query(spots)[0] <= deep] if len(spots) else spots
    if not len(spots):
        return None
    gone = np.isfinite(cKDTree(spots).query(vertices, distance_upper_bound=bite)[0])
    kept = np.flatnonzero(~gone[faces].any(axis=1))
    for _ in range(PINCHES):
        if not len(kept):
            return None
        loops, label = open_loops(faces[kept], len(vertices))
        kept = kept[label == np.bincount(label).argmax()]
        mine = [loop for loop in loops if (faces[kept] == loop[0]).any()]
        if len(mine) == 1 and len(np.unique(mine[0])) == len(mine[0]):
            return faces[kept], mine[0], np.delete(faces, kept, axis=0)
        through, often = np.unique(np.concatenate(mine), return_counts=True) if mine else (np.zeros(0), np.zeros(0))
        pinched = np.isin(faces[kept], through[often > 1]).any(axis=1)
        if not pinched.any():
            return None
        kept = kept[~pinched]
    return None


def open_loops(faces: IntArray, count: int) -> tuple[list[IntArray], IntArray]:
    """Rims of matched faces, in the order the faces run along them, and the piece (m,) each face belongs to."""
    skin = Skin(np.zeros((count, 3)), faces, np.arange(count))
    table = edge_table(skin, np.zeros(0, dtype=np.int64))
    one, two = table.neighbours.T
    label: IntArray = components(len(faces), one, two)[0]
    return [rim.points for rim in find_rims(skin, table) if rim.closed], label
