"""How thick the material is: from points all over the skin straight inward to the first skin that faces back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.boxes import morton
from lint.measure.rays import Rays
from lint.measure.surface import Faces, Skin
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
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    point = np.concatenate((facets.centre[whole], corners.mean(axis=1)))
    order = np.argsort(morton(point))  # what lies together is asked together: rays cost half as much
    return Patches(
        np.concatenate((whole, face))[order],
        np.take(point, order, axis=0),
        np.concatenate((facets.area[whole], np.linalg.norm(cross, axis=1) / 2))[order],
        spacing,
    )


def halved(face: IntArray, corners: FloatArray, spacing: float) -> tuple[IntArray, FloatArray]:
    """Faces (k,) with their corners (k, 3, 3), the longest side halved again and again until none is much over `spacing` mm.

    The number of the face each piece is of, and its corners. Slivers smaller than a quarter of a patch stay whole.
    """
    done: list[tuple[IntArray, FloatArray]] = [(face[:0], corners[:0])]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    while len(face):
        side = np.stack([np.linalg.norm(corners[:, (i + 1) % 3] - corners[:, i], axis=1) for i in range(3)], axis=1)
        large = (side.max(axis=1) > 2 * spacing) & (area > spacing**2 / 4)
        done.append((face[~large], corners[~large]))
        longest = side[large].argmax(axis=1)
        face, corners, area = face[large], corners[large], area[large] / 2
        row = np.arange(len(face))
        a, b, c = (corners[row, (longest + i) % 3] for i in range(3))
        middle = (a + b) / 2
        corners = np.concatenate((np.stack((a, middle, c), axis=1), np.stack((middle, b, c), axis=1)))
        face, area = np.concatenate((face, face)), np.concatenate((area, area))
    return np.concatenate([f for f, _ in done]), np.concatenate([c for _, c in done])


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
