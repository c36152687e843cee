"""Surface moments: where the middle of a skin is, which way it is drawn out, and a signature by which it is known again.

All are integrals over the faces by area, exact for flat faces, so they do not depend on how the skin is cut into faces, on their
order or on the format of the file; and, unlike volume, they exist for an open sheet as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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
    """The moments up to the second of vertices (n, 3) and faces (m, 3). Raises NotRun when there is no skin to speak of.

    Over a triangle of area A with corners a, b, c and middle m, x x^T integrates to A/12 (a a^T + b b^T + c c^T + 9 m m^T).
    """
    if not len(faces) or faces.min() < 0 or faces.max() >= len(vertices):
        raise NotRun("it holds no usable skin")
    start = vertices[faces[0, 0]]
    a, b, c = (vertices[faces[:, i]] - start for i in range(3))
    with np.errstate(invalid="ignore", over="ignore"):
        area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
        total = float(area.sum())
        if not (np.isfinite(total) and total > 0):
            raise NotRun("it holds no usable skin")
        centre = (a + b + c) / 3
        middle = area @ centre / total
    second = sum(k * (x - middle).T @ ((x - middle) * area[:, None]) for k, x in ((1, a), (1, b), (1, c), (9, centre))) / (12 * total)
    spread, axes = np.linalg.eigh(second)
    square = float(spread.sum())
    return Moments(total, middle + start, square**0.5, spread[::-1] / square, axes.T[::-1].copy())


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
    known = moments_of(part.vertices, part.faces)
    gram = np.zeros((9, 9))
    for low in range(0, len(part.faces), _CHUNK):
        corners = (part.vertices[part.faces[low : low + _CHUNK]] - known.middle) / known.radius
        area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
        for weight, share in _NODES:
            x = np.einsum("nij,i->nj", corners, share)
            terms = np.column_stack((x, *(x[:, i] * x[:, j] for i, j in _PAIRS)))
            gram += weight * (terms.T @ (terms * area[:, None]))
    gram *= known.radius**2 / known.area
    third = np.zeros((3, 3, 3))
    fourth = np.zeros((3, 3))
    squares = [3 + k for k, (i, j) in enumerate(_PAIRS) if i == j]
    for k, (i, j) in enumerate(_PAIRS):
        third[:, i, j] = third[:, j, i] = gram[:3, 3 + k]
        fourth[i, j] = fourth[j, i] = gram[3 + k, squares].sum()
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
        coarse=float(np.abs(part.vertices[part.faces].reshape(-1, 3)).max()) * 2.0**-23,
        sha256=part.source.sha256,
        side=part.ticket.part.side,
        pair=part.ticket.part.pair,
    )
