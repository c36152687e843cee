"""The part's skin in a tree of boxes, built once and shared by what asks for rays, nearest spots and crossings."""

from __future__ import annotations

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.surface import Skin
from lint.terms import FloatArray, IntArray


@measure
def tree(skin: Skin) -> loops.Tree | None:
    """The tree, or None where there are no compiled loops or no faces."""
    return tree_over(skin.vertices, skin.faces)


def tree_over(vertices: FloatArray, faces: IntArray) -> loops.Tree | None:
    """A tree of boxes over faces (m, 3) of vertices (n, 3), or None where none can be had: then other libraries are asked."""
    if not loops.there() or not len(faces):
        return None
    try:
        return loops.Tree(np.asarray(vertices), faces)
    except ValueError:  # a coordinate that is no number, or too many faces: rare, and the others say so in their own way
        return None
