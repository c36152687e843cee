"""Faces that cover nothing: needles of no height, and faces on the same three points as another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray


@measure
def heights(skin: Skin, facets: Faces) -> FloatArray:
    """(m,) height of each face over its longest side, mm; zero where two corners are one point."""
    corners = skin.vertices[skin.faces]
    longest = np.sqrt(((corners - np.roll(corners, -1, axis=1)) ** 2).sum(axis=2).max(axis=1))
    height: FloatArray = 2 * facets.area / np.maximum(longest, 1e-300)
    return height


@dataclass(frozen=True)
class Twins:
    """Faces that stand on the same three points as another face.

    faces: (k,) their numbers, those of one place next to each other; group: (k,) 0, 1, 2 ... a place;
    forward: (k,) the direction in which each runs round its points, comparable within a place.
    """

    faces: IntArray
    group: IntArray
    forward: BoolArray


@measure
def twins(skin: Skin, worthless: IntArray) -> Twins:
    """Faces with the same three points, by sorting their corners and then the faces."""
    real = np.ones(len(skin.faces), dtype=bool)
    real[worthless] = False
    number = np.flatnonzero(real)
    f = skin.faces[number]
    ordered = np.sort(f, axis=1)
    order = np.lexsort((ordered[:, 2], ordered[:, 1], ordered[:, 0]))
    same = (ordered[order[1:]] == ordered[order[:-1]]).all(axis=1)
    twin = np.zeros(len(order), dtype=bool)
    twin[1:] |= same
    twin[:-1] |= same
    starts = np.append(True, ~same)[: len(order)]
    place = np.cumsum(starts & twin) - 1
    chosen = order[twin]
    low = np.argmin(f[chosen], axis=1)
    following = np.take_along_axis(f[chosen], (low[:, None] + 1) % 3, axis=1)[:, 0]
    return Twins(number[chosen], place[twin], following == ordered[chosen, 1])
