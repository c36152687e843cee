"""Which faces run against their neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Faces, Skin
from lint.terms import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Winding:
    """against: (m,) faces on the smaller side (by area) of a skin whose neighbours disagree; one_sided: (m,) faces of a skin that
    cannot be made to agree, because a walk along it comes back on the other side."""
    against: BoolArray
    one_sided: BoolArray


@measure
def winding(skin: Skin, edges: Edges, facets: Faces) -> Winding:
    """Two colours for the faces, such that neighbours across an agreeing edge share one and across a disagreeing edge do not.

    By the double cover: each face stands twice, once as it is and once turned; agreeing edges join like to like, disagreeing edges
    like to unlike. A skin with two sides falls into two pieces, a one-sided one (Moebius, 1858) into one. Linear time.
    """
    m = len(skin.faces)
    if bool(edges.agree.all()):
        return Winding(np.zeros(m, dtype=bool), np.zeros(m, dtype=bool))
    one, two = edges.neighbours.T
    shift = np.where(edges.agree, 0, m)
    rows = np.concatenate((one, one + m))
    columns = np.concatenate((two + shift, two + m - shift))
    label = components(2 * m, rows, columns)[0]
    as_is, turned = label[:m], label[m:]
    low = as_is < turned
    sheet = np.unique(np.minimum(as_is, turned), return_inverse=True)[1]
    count = int(sheet.max(initial=-1)) + 1
    ours = np.bincount(sheet, weights=np.where(low, facets.area, 0.0), minlength=count)
    total = np.bincount(sheet, weights=facets.area, minlength=count)
    low_is_smaller = ours * 2 < total * (1 - 1e-9)
    even = np.flatnonzero(np.abs(ours * 2 - total) <= total * 1e-9)
    if len(even):
        low_is_smaller[even] = _volume_of_low(skin, facets, sheet, low, count)[even] < 0
    one_sided = as_is == turned
    mixed = np.zeros(count, dtype=bool)
    mixed[sheet[edges.neighbours[~edges.agree][:, 0]]] = True
    return Winding((low == low_is_smaller[sheet]) & mixed[sheet] & ~one_sided, one_sided)


def _volume_of_low(skin: Skin, facets: Faces, sheet: IntArray, low: BoolArray, count: int) -> FloatArray:
    """Signed volume of each sheet when its low side is left and the other turned: the tie-break between equal sides."""
    size = np.maximum(np.bincount(sheet, minlength=count), 1)
    middle = np.stack([np.bincount(sheet, weights=facets.centre[:, k], minlength=count) / size for k in range(3)], axis=1)
    a, b, c = (skin.vertices[skin.faces[:, i]] - middle[sheet] for i in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c)) * np.where(low, 1.0, -1.0)
    return np.bincount(sheet, weights=six, minlength=count) / 6
