"""Which closed shells lie within which, and which of them face the wrong way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.joining import components
from lint.measure.shells import Shells
from lint.measure.surface import Skin
from lint.terms import BoolArray, FloatArray, IntArray

POINTS = 9  # corners asked of each shell; an odd number, so that touching skins do not decide
FLAT = 1e-9  # a closed shell of less volume than this share of its box's diagonal cubed has no inside


@dataclass(frozen=True)
class Nesting:
    """Shell numbers are those of `shells`; shells that are open or flat take no part.

    inner, outer: (k,) pairs of which the one lies within the other; depth: (s,) how many it lies within;
    cavity: (s,) shells that face in as they should, being hollows of a solid; inside_out: (s,) shells that are to be turned.
    """
    inner: IntArray
    outer: IntArray
    depth: IntArray
    cavity: BoolArray
    inside_out: BoolArray


@measure
def nesting(skin: Skin, shells: Shells) -> Nesting:
    """Containment by the winding number of each container at corners of the other (Jacobson, Kavan, Sorkine-Hornung 2013).

    Shells are set right from the outermost in: a shell that faces in is a cavity where the shells around it, set right, make
    solid of its place; else it is inside out. Where a whole nest is the exact reverse of a sound one, all of it is inside out.
    """
    volume = np.where(shells.closed, shells.volume, 0.0)
    size = np.linalg.norm(shells.high - shells.low, axis=1) if shells.count else np.zeros(0)
    solid = np.abs(volume) > FLAT * size**3
    inner, outer = _pairs(skin, shells, solid)
    depth = np.bincount(inner, minlength=shells.count)
    faces_in = solid & (volume < 0)
    reversed_nest = _reversed(inner, outer, depth, faces_in, solid)
    sign = np.where(reversed_nest, np.where(depth % 2 == 0, 1, -1), 1)
    cavity = np.zeros(shells.count, dtype=bool)
    for level in range(1, int(depth.max(initial=0)) + 1):
        here = depth == level
        around = np.bincount(inner, weights=sign[outer].astype(np.float64), minlength=shells.count)
        cavity |= here & faces_in & ~reversed_nest & (around > 0)
        sign[here & cavity] = -1
    inside_out = np.where(reversed_nest, faces_in == (sign > 0), faces_in & ~cavity) & solid
    cavity |= reversed_nest & (sign < 0) & ~inside_out
    return Nesting(inner, outer, depth, cavity, inside_out)


def _reversed(inner: IntArray, outer: IntArray, depth: IntArray, faces_in: BoolArray, solid: BoolArray) -> BoolArray:
    """(s,) shells of nests in which every shell faces the opposite of what its depth asks for."""
    count = len(depth)
    if not count:
        return np.zeros(0, dtype=bool)
    nest = components(count, inner, outer)[0]
    wrong = solid & (faces_in == (depth % 2 == 0))
    members, bad = np.bincount(nest[solid], minlength=count), np.bincount(nest[wrong], minlength=count)
    found: BoolArray = (members > 0)[nest] & (members == bad)[nest] & solid
    return found


def _pairs(skin: Skin, shells: Shells, solid: BoolArray) -> tuple[IntArray, IntArray]:
    """Pairs (inner, outer) of solid shells, by boxes first and then by winding number."""
    import igl

    inner, outer = boxes_within(shells.low, shells.high, np.flatnonzero(solid))
    if not len(inner):
        return inner, outer
    order = np.argsort(shells.label, kind="stable")
    begin = np.searchsorted(shells.label[order], np.arange(shells.count + 1))
    keep = np.zeros(len(inner), dtype=bool)
    by_outer = np.argsort(outer, kind="stable")
    for group in np.split(by_outer, np.flatnonzero(np.diff(outer[by_outer])) + 1):
        container = int(outer[group[0]])
        faces = skin.faces[order[begin[container] : begin[container + 1]]]
        points = np.vstack([_corners(skin, order[begin[s] : begin[s + 1]]) for s in inner[group]])
        w = np.asarray(igl.fast_winding_number(skin.vertices, np.ascontiguousarray(faces), points)).reshape(len(group), POINTS)
        keep[group] = np.abs(np.median(w, axis=1)) > 0.5
    return inner[keep], outer[keep]


def _corners(skin: Skin, faces: IntArray) -> FloatArray:
    """(POINTS, 3) corners of some faces, spread over them in the order of their height along an odd direction."""
    points = skin.vertices[skin.faces[faces].reshape(-1)]
    order = np.argsort(points @ np.array([0.541, 0.643, 0.542]))
    return points[order[np.linspace(0, len(order) - 1, POINTS).astype(np.int64)]]


def boxes_within(low: FloatArray, high: FloatArray, among: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs (inner, outer) of boxes (s, 3) of which one lies within the other, by a sweep along x. Only those in `among`."""
    order = among[np.argsort(low[among, 0])]
    start = low[order, 0]
    left = np.searchsorted(start, low[order, 0], side="left")
    right = np.searchsorted(start, high[order, 0], side="right")
    outer = np.repeat(order, right - left)
    step = np.arange(int((right - left).sum())) - np.repeat(np.cumsum(right - left) - (right - left), right - left)
    inner = order[np.repeat(left, right - left) + step]
    keep = (inner != outer) & (low[inner] >= low[outer]).all(axis=1) & (high[inner] <= high[outer]).all(axis=1)
    return inner[keep], outer[keep]
