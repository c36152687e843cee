"""Where a part rests: the skin that lies on the bed, the area it covers and the outline it stands within."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import measure
from lint.measure.bed import outermost
from lint.measure.surface import Extent, Faces, Skin
from lint.terms import FloatArray, IntArray

# What counts as lying on the bed: half of a 0.2 mm first layer (facts 1.4.3), which the first bead evens out when it is pressed down,
# and no steeper than 10 degrees, so that the round flank beside a small flat is not taken for a part of it.
TOUCH = 0.1
LEVEL = float(np.cos(np.radians(10.0)))
# Skin that was meant to be the base though it does not touch is looked for this far up, mm; it was meant when there is as much of it
# as this share of the shadow.
NEAR = 1.0
MEANT = 0.3


@dataclass(frozen=True)
class Contact:
    """faces: (k,) faces lying on the bed; area: the bed they cover, mm2; hull: (h, 2) their outline drawn taut, counter-clockwise.

    lowest: z of the lowest point, mm; points: (p,) skin points within TOUCH of it, whether or not a whole face lies there.
    footprint: area of the part's whole shadow on the bed, drawn taut, mm2.
    base_area: level skin within NEAR of the lowest point, touching or not, mm2; unevenness: how high 98 % of it stays above the
    lowest point, mm (0 when there is none); base: (b,) its faces.
    """

    faces: IntArray
    area: float
    hull: FloatArray
    lowest: float
    points: IntArray
    footprint: float
    base: IntArray
    base_area: float
    unevenness: float

    @property
    def share(self) -> float:
        """How much of the part's shadow it rests on, 0 to 1."""
        return self.area / self.footprint if self.footprint > 0 else 0.0

    @property
    def meant(self) -> bool:
        """Whether the level skin near the bed is so broad that it was meant as a base, though it may be uneven."""
        return self.base_area > 0 and self.base_area >= MEANT * self.footprint


@measure
def contact(skin: Skin, facets: Faces, extent: Extent) -> Contact:
    """The faces with every corner within TOUCH of the lowest point, level to 10 degrees; area is taken flat on the bed.

    Only the side of the skin with more area there counts, so that a part wound inside out says the same.
    """
    lowest = float(extent.low[2])
    height = skin.vertices[:, 2] - lowest
    low = height <= NEAR
    level = np.flatnonzero(low[skin.faces[:, 0]] & low[skin.faces[:, 1]] & low[skin.faces[:, 2]])
    level = level[np.abs(facets.normal[level, 2]) >= LEVEL]
    rise = height[skin.faces[level]].max(axis=1) if len(level) else np.zeros(0)
    flat = facets.area[level] * np.abs(facets.normal[level, 2])
    up = facets.normal[level, 2] > 0
    side = up if flat[up & (rise <= TOUCH)].sum() > flat[~up & (rise <= TOUCH)].sum() else ~up
    base, flat, rise = level[side], flat[side], rise[side]
    touching = rise <= TOUCH
    faces = base[touching]
    is_used = np.zeros(len(skin.vertices), dtype=bool)
    is_used[skin.faces.reshape(-1)] = True
    return Contact(
        faces=faces,
        area=float(flat[touching].sum()),
        hull=taut(skin.vertices[np.unique(skin.faces[faces])][:, :2]),
        lowest=lowest,
        points=np.flatnonzero(is_used & (height <= TOUCH)),
        footprint=polygon_area(taut(outermost(skin.vertices[:, :2] if is_used.all() else skin.vertices[is_used][:, :2]))),
        base=base,
        base_area=float(flat.sum()),
        unevenness=_quantile(rise, flat, 0.98),
    )


def taut(points: FloatArray) -> FloatArray:
    """The convex hull of points (k, 2), counter-clockwise, (h, 2); two ends when they lie in a line, one when they coincide.

    Worked out about the middle of the points, so that far coordinates cost no precision.
    """
    from scipy.spatial import ConvexHull, QhullError

    if len(points) < 3:
        return np.array(points, dtype=np.float64).reshape(-1, 2)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    local = points - middle
    size = float(np.abs(local).max())
    along = np.linalg.eigh(local.T @ local)[1][:, 1]
    across = local @ np.array([-along[1], along[0]])
    if np.ptp(across) <= 1e-9 * max(size, 1e-300):
        reach = local @ along
        ends = points[[int(reach.argmin()), int(reach.argmax())]]
        return ends[:1] if size == 0 else ends
    try:
        hull: FloatArray = local[ConvexHull(local).vertices] + middle
    except QhullError:
        reach = local @ along
        return points[[int(reach.argmin()), int(reach.argmax())]]
    return hull


def polygon_area(corners: FloatArray) -> float:
    """Area of a flat polygon (h, 2), positive when counter-clockwise (the surveyor's formula)."""
    if len(corners) < 3:
        return 0.0
    local = corners - corners[0]
    x, y = local[:, 0], local[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def _quantile(values: FloatArray, weights: FloatArray, share: float) -> float:
    """The value that `share` of the weight does not exceed; 0 when there is none."""
    if not len(values):
        return 0.0
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, share * reached[-1]).clip(max=len(values) - 1)])
