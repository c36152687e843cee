"""Which rim of a sheet is its outer rim, and which way its feature looks.

The sum of the face area vectors of a sheet depends on its rims alone (Stokes), so it points from the rim toward the feature for an
ear crop, a mask and a hand open at the wrist alike, whatever the skin does between, as long as the skin is wound outward.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.edges import Rim
from lint.measure.shells import Shells
from lint.measure.surface import Faces, Skin
from lint.terms import FloatArray, IntArray, Part

# A rim that spans less of the skin's area than this is a hole to be filled; more, and the part is a sheet that ends there.
# A hand open at the wrist spans about 5 %, a whole arm 3 % (computed from a cylinder of that shape, rounded end and all).
OUTER_SHARE = 0.015
# A loose open scrap of less than this share of the sheet's skin is left behind when the sheet is seated, and said so.
SCRAP_SHARE = 0.03
# A rim whose vector area is less than this share of a disc as wide as the rim does not say which way it looks: it is wound about.
CLEAR_RIM = 0.1
# Seen from its outside a crop of a body bulges: the skin's middle lies on the far side of the rim. Share of the rim's own size.
HOLLOW_SHARE = 0.05


def vector_area(points: FloatArray) -> FloatArray:
    """The area vector (3,) mm2 spanned by a closed chain of points (n, 3), right-handed."""
    at = points - points.mean(axis=0)
    total: FloatArray = np.cross(at, np.roll(at, -1, axis=0)).sum(axis=0) / 2
    return total


def outer_rim(skin: Skin, rims: tuple[Rim, ...], shells: Shells, facets: Faces) -> Rim | None:
    """The rim of the largest open shell that its sheet ends at: the one spanning the most.

    None when its rims are mere holes, or when a larger shell is closed.
    """
    best: Rim | None = None
    most = 0.0
    main = main_sheet(rims, shells)
    if main != 0:  # the part itself is closed: what is open is a smaller piece
        return None
    for rim in rims:
        if not rim.closed or len(rim.points) < 3 or shells.label[rim.faces[0]] != main:
            continue
        spans = float(np.linalg.norm(vector_area(skin.vertices[rim.points])))
        reach = max(spans, 0.02 * rim.length**2)  # a rim that winds about spans little though the sheet ends there
        if spans >= OUTER_SHARE * shells.area[main] and reach > most:
            best, most = rim, reach
    return best


def main_sheet(rims: tuple[Rim, ...], shells: Shells) -> int:
    """The number of the largest shell that has a rim (shells are numbered from the largest down), -1 for none."""
    with_rim = [int(shells.label[rim.faces[0]]) for rim in rims]
    return min(with_rim, default=-1)


@dataclass(frozen=True)
class Facing:
    """up: (3,) unit, the way the feature looks; inside_out: the sheet's winding says the contrary and is to be turned.

    said: how it was found, for the record; assumed: a caution for the maker, or empty.
    """

    up: FloatArray
    inside_out: bool
    said: str
    assumed: str


def asked_up(part: Part) -> FloatArray | None:
    """The ticket's `face`, given in the file's own directions, in the part's present ones: (3,) unit. None when not given."""
    face = part.ticket.part.face
    if face is None:
        return None
    turned = part.placement[:3, :3] @ np.asarray(face, dtype=np.float64)
    length = float(np.linalg.norm(turned))
    return turned / length if length > 0 else None


def facing(part: Part, skin: Skin, rim: Rim, faces: IntArray, facets: Faces) -> Facing:
    """Which way the sheet made of `faces` looks, and whether its winding must be turned for that.

    Raises ValueError when the rim is so wound about that neither winding nor shape says it.
    """
    points = skin.vertices[rim.points]
    area = vector_area(points)
    size = float(np.linalg.norm(area))
    told = asked_up(part)
    middle = _bulk(skin, faces, facets) - _rim_middle(points)
    if told is not None:
        inside_out = size > 0 and float(area @ told) < -0.3 * size
        return Facing(told, inside_out, "as the ticket's face says", "")
    radius = float(np.sqrt(((points - points.mean(axis=0)) ** 2).sum(axis=1).mean()))
    if size < CLEAR_RIM * np.pi * radius**2:
        normal = _plane(points)
        bulge = float(middle @ normal)
        if abs(bulge) < HOLLOW_SHARE * radius:
            raise ValueError("the rim is too wound about to say which way the sheet looks")
        return Facing(normal if bulge > 0 else -normal, False, "by the flat that fits the rim best", "")
    up = area / size
    bulge = float(middle @ up) / np.sqrt(size)
    if bulge < -HOLLOW_SHARE:
        return Facing(
            -up, True, "by the side it bulges to",
            "the sheet is hollow seen from its outside: taken as inside out and turned; if it is meant to be hollow, "
            "give its direction as face under [part] in the ticket",
        )  # fmt: skip
    return Facing(up, False, "by the way its skin looks", "")


def _bulk(skin: Skin, faces: IntArray, facets: Faces) -> FloatArray:
    weight = facets.area[faces]
    result: FloatArray = (facets.centre[faces] * weight[:, None]).sum(axis=0) / weight.sum()
    return result


def _rim_middle(points: FloatArray) -> FloatArray:
    following = np.roll(points, -1, axis=0)
    length = np.linalg.norm(following - points, axis=1)
    result: FloatArray = ((points + following) / 2 * length[:, None]).sum(axis=0) / length.sum()
    return result


def _plane(points: FloatArray) -> FloatArray:
    """Unit normal of the plane that fits the points best, its largest part positive so that the answer is one."""
    normal: FloatArray = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    return np.asarray(normal * np.sign(normal[np.argmax(np.abs(normal))]))


def turn_to_top(up: FloatArray) -> FloatArray:
    """The (3, 3) rotation that takes the unit vector `up` to +z by the shortest way, so the heading changes least."""
    x, y, z = (float(v) for v in up)
    if z > 1 - 1e-12:
        return np.eye(3)
    if z < -1 + 1e-9:
        return np.diag([1.0, -1.0, -1.0])
    h = 1 / (1 + z)
    return np.array([[1 - x * x * h, -x * y * h, -x], [-x * y * h, 1 - y * y * h, -y], [x, y, z]])
