"""Surface moments: where the middle of a skin is, which way it is drawn out, and a signature by which it is known again.

All are integrals over the faces by area, exact for flat faces, so they do not depend on how the skin is cut into faces, on their
order or on the format of the file; and, unlike volume, they exist for an open sheet as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.terms import FloatArray, IntArray, NotRun, Part

_CHUNK = 1 << 14  # faces worked on at a time, so that the numbers stay in the processor's own memory

# Six points in a triangle, as weights of its corners, that integrate every polynomial of the fourth degree exactly:
# D. A. Dunavant, High degree efficient symmetrical Gaussian quadrature rules for the triangle (1985); tested against a formula.
_NODES = [
    (weight, np.roll((1 - 2 * a, a, a), k))
    for weight, a in ((0.223381589678011, 0.445948490915965), (0.109951743655322, 0.091576213509771))
    for k in range(3)
]

# The products of coordinates x, y, z = 0, 1, 2 whose mean products with one another hold all moments up to the fourth.
_PAIRS = [(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]


@dataclass(frozen=True)
class Moments:
    """area: of all faces; middle: (3,) the mean point of the skin; radius: root mean square distance of the skin from there.

    spread: (3,) how much of the squared radius lies along each principal direction, largest first, as shares;
    axes: (3, 3) rows, those directions, of either sign.
    """

    area: float
    middle: FloatArray
    radius: float
    spread: FloatArray
    axes: FloatArray


def moments_of(vertices: FloatArray, faces: IntArray) -> Moments:
    """The moments up to the second of vertices (n, 3) and faces (m, 3). Raises NotRun when there is no skin to speak of."""
    return _moments(_Sums.of(vertices, faces))


def _moments(sums: _Sums) -> Moments:
    spread, axes = np.linalg.eigh(_square(sums.powers[:6]))
    square = float(spread.sum())
    return Moments(sums.area, sums.middle, square**0.5 / sums.scale, spread[::-1] / square, axes.T[::-1].copy())


def _square(six: FloatArray) -> FloatArray:
    """The symmetric matrix (3, 3) of xx, xy, xz, yy, yz, zz."""
    xx, xy, xz, yy, yz, zz = six
    return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])


@dataclass(frozen=True)
class _Sums:
    """area, middle as in Moments. powers: (22,) means over the skin of the products of coordinates x, y, z from the middle on times
    `scale`, which brings them near one: xx xy xz yy yz zz; xxx xxy xxz xyy xyz xzz yyy yyz yzz zzz; the first six times xx + yy + zz."""

    area: float
    middle: FloatArray
    scale: float
    powers: FloatArray

    @staticmethod
    def of(vertices: FloatArray, faces: IntArray) -> _Sums:
        """Those of vertices (n, 3) and faces (m, 3). Raises NotRun when there is no skin to speak of."""
        if not len(faces) or faces.min() < 0 or faces.max() >= len(vertices):
            raise NotRun("it holds no usable skin")
        start = vertices[faces[0, 0]]
        powers_of = loops.powers if loops.there() else _powers
        with np.errstate(invalid="ignore", over="ignore"):
            area, middle, reach = _middle_of(vertices, faces, start)
            if not (np.isfinite(area) and area > 0 and np.isfinite(middle).all() and 0 < reach < np.inf):
                raise NotRun("it holds no usable skin")
            middle = middle / area + start
            powers = powers_of(vertices, faces, middle, 1 / reach) / (area / reach**2)
        if not np.isfinite(powers).all():
            raise NotRun("it holds no usable skin")
        return _Sums(area, middle, 1 / reach, powers)


def _middle_of(vertices: FloatArray, faces: IntArray, start: FloatArray) -> tuple[float, FloatArray, float]:
    """The area of a skin, its middle from `start` (3,) on times the area, and how far a coordinate reaches from there."""
    if loops.there():
        return loops.middle(vertices, faces, start)
    total, middle, reach = 0.0, np.zeros(3), 0.0
    for low in range(0, len(faces), _CHUNK):
        corners = vertices[faces[low : low + _CHUNK]] - start
        area = _areas(corners)
        total += float(area.sum())
        middle += area @ (corners.sum(axis=1) / 3)
        reach = max(reach, float(np.abs(corners).max()))
    return total, middle, reach


def _powers(vertices: FloatArray, faces: IntArray, middle: FloatArray, scale: float) -> FloatArray:
    """The sums (22,) by area of what `_Sums` says, from `middle` (3,) on times `scale`."""
    gram = np.zeros((9, 9))
    for low in range(0, len(faces), _CHUNK):
        corners = (vertices[faces[low : low + _CHUNK]] - middle) * scale
        area = _areas(corners)
        for weight, share in _NODES:
            x = np.einsum("nij,i->nj", corners, share)
            terms = np.column_stack((x, *(x[:, i] * x[:, j] for i, j in _PAIRS)))
            gram += weight * (terms.T @ (terms * area[:, None]))
    second = [gram[i, j] for i, j in _PAIRS]
    third = [gram[i, 3 + k] for i in range(3) for k, pair in enumerate(_PAIRS) if pair[0] >= i]
    squares = [3 + k for k, (i, j) in enumerate(_PAIRS) if i == j]
    return np.array([*second, *third, *(gram[3 + k, squares].sum() for k in range(6))])


def _areas(corners: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2)


@dataclass(frozen=True)
class Signature:
    """What a part is known again by, wherever it was moved, turned, mirrored, scaled, renumbered or written in another format.

    shape: (8,) numbers without a unit; two skins nowhere further apart than a share s of their radius differ by a few s.
    radius: root mean square distance of the skin from its middle; coarse: the gap between 32-bit numbers at the farthest point.
    sha256, side, pair: the file's fingerprint, and the side and the file name of the pair that its ticket gives.
    """

    shape: FloatArray
    radius: float
    coarse: float
    sha256: str
    side: str
    pair: str | None


@measure
def signature(part: Part) -> Signature:
    """Invariants of the surface moments up to the fourth. Raises NotRun when there is no skin to speak of.

    They are the area and the principal second moments; lengths of the third-order vector and tensor; and the principal values of
    the matrix of x x^T |x|^2: all relative to the radius, and all lengths or principal values, which a mirror does not change and
    which a small change of the skin changes little.
    """
    sums = _Sums.of(part.vertices, part.faces)
    known = _moments(sums)
    powers = sums.powers / (sums.scale * known.radius) ** np.repeat((2, 3, 4), (6, 10, 6))
    xxx, xxy, xxz, xyy, xyz, xzz, yyy, yyz, yzz, zzz = powers[6:16]
    third = np.array([[[xxx, xxy, xxz], [xxy, xyy, xyz], [xxz, xyz, xzz]], [[xxy, xyy, xyz], [xyy, yyy, yyz], [xyz, yyz, yzz]],
                      [[xxz, xyz, xzz], [xyz, yyz, yzz], [xzz, yzz, zzz]]])  # fmt: skip
    fourth = _square(powers[16:])
    shape = np.array([
        known.area / known.radius**2 / 100,  # a small weight: rounding roughens a skin and so adds to its area, but to little else
        *known.spread[:2],
        np.linalg.norm(np.trace(third, axis1=1, axis2=2)),
        np.linalg.norm(third),
        *np.linalg.eigvalsh(fourth),
    ])  # fmt: skip
    return Signature(
        shape=shape,
        radius=known.radius,
        coarse=_middle_of(part.vertices, part.faces, np.zeros(3))[2] * 2.0**-23,
        sha256=part.source.sha256,
        side=part.ticket.part.side,
        pair=part.ticket.part.pair,
    )
