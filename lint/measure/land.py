"""The land: the flat margin of the base around what stands on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.shells import around_points
from lint.measure.surface import Extent, Faces, Skin
from lint.terms import FloatArray, IntArray, NotRun, Place

# Skin this nearly level, and this nearly at one height (mm), is one land; it lies in the lower half of the part.
LEVEL = float(np.cos(np.radians(5.0)))
BAND = 0.5
LEAST = 0.02
SPACING = 0.5
MOST = 200_000  # points on the outline at the most: a part read in the wrong unit may be a thousand times too large


@dataclass(frozen=True)
class Land:
    """width: the narrowest margin between the feature's foot and the edge of the base, mm, 0 when there is no land; height: of the land
    over the bed, mm; area: mm2; narrowest: where."""
    width: float
    height: float
    area: float
    narrowest: Place


@measure
def land(skin: Skin, edges: Edges, facets: Faces, contact: Contact, extent: Extent) -> Land:
    """The level skin facing up that is largest at one height in the lower half of the part, and the least distance in plan from the
    outer edge of the base to the skin that rises from it. Raises NotRun when the part rests on no flat skin."""
    from scipy.spatial import cKDTree

    if not len(contact.faces):
        raise NotRun("the part rests on no flat base")
    rim = _outline(skin, edges, contact)
    rise: FloatArray = skin.vertices[:, 2] - contact.lowest
    tall = float(extent.high[2]) - contact.lowest
    middle: FloatArray = rise[skin.faces].sum(axis=1) / 3
    level = np.flatnonzero((facets.normal[:, 2] > LEVEL) & (middle < tall / 2) & (middle > 2 * BAND))
    nothing = Land(0.0, 0.0, 0.0, around_points(rim))
    if not len(level):
        return nothing
    order = level[np.argsort(middle[level])]
    total: FloatArray = np.append(0.0, np.cumsum(facets.area[order]))
    end = np.searchsorted(middle[order], middle[order] + BAND, side="right")
    share = total[end] - total[:-1]
    first = int(np.argmax(share))
    chosen = order[first : end[first]]
    if share[first] < LEAST * contact.area:
        return nothing
    height = float(middle[chosen] @ facets.area[chosen] / facets.area[chosen].sum())
    top = rise[skin.faces].max(axis=1)
    feature = np.flatnonzero(top > height + 2 * BAND)
    foot = np.unique(skin.faces[feature])
    foot = foot[np.abs(rise[foot] - height) <= BAND]
    if not len(foot):
        return nothing
    distance: FloatArray = np.asarray(cKDTree(skin.vertices[foot, :2]).query(rim[:, :2])[0])
    least = int(np.argmin(distance))
    return Land(float(distance[least]), height, float(share[first]), around_points(rim[least : least + 1]))


def _outline(skin: Skin, edges: Edges, contact: Contact) -> FloatArray:
    """Points about every SPACING along the edge of the base, (k, 3); the edges of holes in it are left out, being nearer the middle."""
    on = np.zeros(len(skin.faces), dtype=bool)
    on[contact.faces] = True
    one, two = edges.neighbours.T
    side = edges.neighbour_edge[on[one] != on[two]]
    ends = skin.vertices[edges.ends[side]]
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    steps = np.maximum(np.ceil(length / max(SPACING, float(length.sum()) / MOST)).astype(np.int64), 1)
    at = np.repeat(np.arange(len(ends)), steps + 1)
    share = (np.arange(len(at)) - np.repeat(np.cumsum(steps + 1) - steps - 1, steps + 1)) / steps[at]
    points: FloatArray = ends[at, 0] + share[:, None] * (ends[at, 1] - ends[at, 0])
    label = _loops(edges.ends[side])[at]
    size = np.array([float(np.prod(np.ptp(points[label == k, :2], axis=0))) for k in range(int(label.max()) + 1)])
    outer: FloatArray = points[label == int(np.argmax(size))]
    return outer


def _loops(ends: IntArray) -> IntArray:
    """(e,) number of the loop each edge belongs to."""
    used, index = np.unique(ends, return_inverse=True)
    index = index.reshape(-1, 2)
    return components(len(used), index[:, 0], index[:, 1])[0][index[:, 0]]
