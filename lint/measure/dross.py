"""Faces that cover nothing: needles of no height, and faces on the same three points as another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray


@measure
def heights(facets: Faces, longest: FloatArray) -> FloatArray:
    """(m,) height of each face over its longest side, mm; zero where two corners are one point."""
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
def twins(skin: Skin, edges: Edges) -> Twins:
    """Faces with the same three points, by sorting their corners and then the faces: only those that could have a twin.

    Two such faces share all their edges; so one lies across an edge from a face with the same third point, or on crowded edges.
    """
    maybe = np.zeros(len(skin.faces), dtype=bool)
    flat = skin.faces.reshape(-1)
    one, two = edges.order[edges.begin[edges.neighbour_edge]], edges.order[edges.begin[edges.neighbour_edge] + 1]
    opposite = np.flatnonzero(np.take(flat, _opposite(one)) == np.take(flat, _opposite(two)))
    maybe[edges.neighbours[opposite]] = True
    if len(edges.crowded):
        maybe[edges.order[np.repeat(edges.count > 2, edges.count)] // 3] = True
    number = np.flatnonzero(maybe)
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


def _opposite(half: IntArray) -> IntArray:
    """The corner of the face of each half-edge that does not lie on it."""
    return half + 2 - 3 * (half % 3 > 0)
