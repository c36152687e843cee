"""How thick the material is: from points all over the skin straight inward to the first skin that faces back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.boxes import morton
from lint.measure.rays import Rays
from lint.measure.surface import Faces, Skin
from lint.measure.vectors import columns, cross, dot, length, minus
from lint.terms import FloatArray, IntArray

# Large faces are measured at several points: no farther apart than this in mm, or than lets a skin be covered by so many points.
FINEST = 0.5
POINTS = 100_000


@dataclass(frozen=True)
class Patches:
    """Small pieces that cover the skin, at least one a face, in the order of a Morton curve.

    face: (k,) the face each is a piece of; point: (k, 3) its middle; area: (k,) mm2; spacing: about how far apart they are, mm.
    """

    face: IntArray
    point: FloatArray
    area: FloatArray
    spacing: float


@dataclass(frozen=True)
class Walls:
    """Material under each patch (same order as `patches`).

    thickness: (k,) mm along the inward normal, infinite where no skin faces back; across: (k,) the face met, -1 for none;
    taper: (k,) degrees between the two skins, 0 where they run side by side, 180 where there is none.
    """

    thickness: FloatArray
    across: IntArray
    taper: FloatArray


@dataclass(frozen=True)
class Gaps:
    """Air over each patch (same order as `patches`), as in Walls: width (k,) mm outward to the first skin that faces back."""

    width: FloatArray
    across: IntArray
    taper: FloatArray


@measure
def patches(skin: Skin, facets: Faces) -> Patches:
    """The skin cut into patches by halving the longest side of every face that is too large, again and again."""
    spacing = max(FINEST, float(np.sqrt(facets.area.sum() / POINTS)))
    small = facets.area <= spacing**2 / 4
    whole = np.flatnonzero(small & (facets.area > 0))
    face, corners = halved(np.flatnonzero(~small), skin.vertices[skin.faces[~small]], spacing)
    a, b, c = (columns(corners[:, i]) for i in range(3))
    middle = np.stack([(a[k] + b[k] + c[k]) / 3 for k in range(3)], axis=1)
    point = np.concatenate((facets.centre[whole], middle))
    order = np.argsort(morton(point))  # what lies together is asked together: rays cost half as much
    return Patches(
        np.concatenate((whole, face))[order],
        np.take(point, order, axis=0),
        np.concatenate((facets.area[whole], length(cross(minus(b, a), minus(c, a))) / 2))[order],
        spacing,
    )


def halved(face: IntArray, corners: FloatArray, spacing: float) -> tuple[IntArray, FloatArray]:
    """Faces (k,) with their corners (k, 3, 3), the longest side halved again and again until none is much over `spacing` mm.

    The number of the face each piece is of, and its corners. Slivers smaller than a quarter of a patch stay whole.
    """
    at = np.ascontiguousarray(corners.transpose(2, 1, 0))  # by axis, corner and face
    done: list[tuple[IntArray, FloatArray]] = [(face[:0], at[:, :, :0])]
    side = np.stack([_squared(at[:, i - 2] - at[:, i]) for i in range(3)])
    a, b, c = at[:, 0], at[:, 1], at[:, 2]
    area = length(cross(tuple(b - a), tuple(c - a))) / 2
    while len(face):
        large = (side.max(axis=0) > (2 * spacing) ** 2) & (area > spacing**2 / 4)
        small, large = np.flatnonzero(~large), np.flatnonzero(large)
        done.append((np.take(face, small), np.take(at, small, axis=2)))
        longest = np.take(side, large, axis=1).argmax(axis=0)
        # every face is turned so that its longest side goes from a to b
        turned = [(longest + i) % 3 * len(face) + large for i in range(3)]
        a, b, c = (np.take(at.reshape(3, -1), place, axis=1) for place in turned)
        whole, far, near = (np.take(side.reshape(-1), place) for place in turned)
        middle = (a + b) / 2
        face, area = np.tile(np.take(face, large), 2), np.tile(np.take(area, large) / 2, 2)
        at = np.stack([np.concatenate(pair, axis=1) for pair in ((a, middle), (middle, b), (c, c))], axis=1)
        half, across = whole / 4, _squared(c - middle)
        side = np.stack([np.concatenate(pair) for pair in ((half, half), (across, far), (near, across))])
    return np.concatenate([f for f, _ in done]), np.concatenate([c for _, c in done], axis=2).transpose(2, 1, 0)


def _squared(vectors: FloatArray) -> FloatArray:
    """(k,) squared lengths of vectors (3, k)."""
    return dot(tuple(vectors), tuple(vectors))


@measure
def walls(patches: Patches, facets: Faces, rays: Rays) -> Walls:
    """One ray a patch along the inward normal to the first skin the ray leaves through; skin that it enters by is passed."""
    return Walls(*_across(patches, facets, rays, inward=True))


@measure
def gaps(patches: Patches, facets: Faces, rays: Rays) -> Gaps:
    """One ray a patch along the outward normal to the first skin the ray enters by."""
    return Gaps(*_across(patches, facets, rays, inward=False))


def _across(patches: Patches, facets: Faces, rays: Rays, inward: bool) -> tuple[FloatArray, IntArray, FloatArray]:
    direction = np.take(facets.normal, patches.face, axis=0)
    if inward:
        np.negative(direction, out=direction)
    met, far = rays.first_facing(patches.point + rays.gap * direction, direction, away=inward)
    facing = np.einsum("ij,ij->i", direction, np.take(facets.normal, met, axis=0)) * (1 if inward else -1)
    taper = np.degrees(np.arccos(np.clip(facing, -1.0, 1.0)))
    taper[met < 0] = 180.0
    return far + rays.gap, met, taper
