"""How firmly a part stands: its centre of mass over the outline it rests on, and the angle at which it goes over."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.contact import Contact
from lint.measure.shells import Shells
from lint.measure.surface import Extent, Skin
from lint.measure.vectors import columns, cross, dot, picked
from lint.terms import FloatArray, NotRun


@dataclass(frozen=True)
class Stance:
    """centre: (3,) centre of mass of the solid; height: how far it is above the lowest point, mm.

    margin: how far inside the outline of the contact it stands, mm, negative when it is outside; angle: atan(margin / height), degrees:
    how far the part may be leant before it goes over, the least over all sides; edge: (2, 3) the side it goes over.
    """

    centre: FloatArray
    height: float
    margin: float
    angle: float
    edge: FloatArray


@measure
def mass_centre(skin: Skin, shells: Shells, extent: Extent) -> FloatArray:
    """Centre of mass of the solid (3,), the material taken as the same throughout; hollows count as air.

    By the divergence theorem over signed tetrahedra, from the middle of the part. Raises NotRun while any shell is open.
    """
    if not shells.count or not bool(shells.closed.all()):
        raise NotRun("an open or unevenly wound shell has no centre of mass")
    middle = (extent.low + extent.high) / 2
    point = columns(skin.vertices - middle)
    a, b, c = (picked(point, np.ascontiguousarray(skin.faces[:, i])) for i in range(3))
    six = dot(a, cross(b, c))
    total = float(six.sum())
    if not total > 1e-12 * extent.diagonal**3:
        raise NotRun("the part encloses no volume, so it has no centre of mass")
    centre: FloatArray = middle + np.array([float((a[k] + b[k] + c[k]) @ six) for k in range(3)]) / (4 * total)
    return centre


@measure
def stance(mass_centre: FloatArray, contact: Contact) -> Stance:
    """Tip angle from statics (facts 1.4.5): the distance to the nearest side of the contact outline over the height of the centre."""
    if len(contact.hull) < 3:
        raise NotRun("the part rests on no area, only on a point or a line")
    start = contact.hull
    along = np.roll(start, -1, axis=0) - start
    length = np.linalg.norm(along, axis=1)
    sides = length > 0
    start, along, length = start[sides], along[sides], length[sides]
    to = mass_centre[:2] - start
    inside = (along[:, 0] * to[:, 1] - along[:, 1] * to[:, 0]) / length
    worst = int(inside.argmin())
    margin = float(inside[worst])
    height = float(mass_centre[2]) - contact.lowest
    edge = np.column_stack((np.vstack((start[worst], start[worst] + along[worst])), np.full(2, contact.lowest)))
    return Stance(mass_centre, height, margin, float(np.degrees(np.arctan2(margin, height))), edge)
