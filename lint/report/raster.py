"""A depth-buffer rasteriser in numpy: which face is seen at each pixel of a picture, and how far behind the paper it lies.

Every face is cut into the spans it covers on the rows of pixel middles; a span's pixels keep the nearest face. Faces that cover no
pixel middle drop out before anything is made of them, so a million faces cost little more than the picture has pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.terms import FloatArray, IntArray

# Where the viewer stands, and which way is up on the paper; x goes right in the front view, z up.
VIEWS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "front": ((0, -1, 0), (0, 0, 1)),
    "side": ((1, 0, 0), (0, 0, 1)),
    "back": ((0, 1, 0), (0, 0, 1)),
    "left": ((-1, 0, 0), (0, 0, 1)),
    "top": ((0, 0, 1), (0, 1, 0)),
    "under": ((0, 0, -1), (0, -1, 0)),
}

_CHUNK = 1 << 18  # faces at a time: bounds the memory, and keeps what is worked on in the processor's cache
_DEEP = float(2**31 - 2)


@dataclass(frozen=True)
class Camera:
    """Parallel projection. right, up, toward: (3,) unit vectors, toward the viewer; middle: (3,) mm, drawn in the middle.

    scale: pixels a mm; size: (width, height) in pixels. Nothing is foreshortened, so lengths across the view may be measured.
    """

    right: FloatArray
    up: FloatArray
    toward: FloatArray
    middle: FloatArray
    scale: float
    size: tuple[int, int]

    def project(self, points: FloatArray) -> FloatArray:
        """Points (k, 3) mm as (k, 3): pixels from the left, pixels from the top, and depth in mm away from the viewer."""
        width, height = self.size
        axes = np.stack((self.right * self.scale, -self.up * self.scale, -self.toward))
        shift = np.array([width / 2, height / 2, 0.0]) - axes @ self.middle
        return np.stack([_along(points, axis) + by for axis, by in zip(axes, shift, strict=True)]).T

    def larger(self, times: int) -> Camera:
        """The same picture with so many times the pixels each way."""
        width, height = self.size
        return Camera(self.right, self.up, self.toward, self.middle, self.scale * times, (width * times, height * times))


def _along(points: FloatArray, axis: FloatArray) -> FloatArray:
    """The points (k, 3) measured along an axis, (k,); by columns, because a product with so thin a matrix is slow."""
    sum_of = np.zeros(len(points))
    for at in np.flatnonzero(axis):
        sum_of += axis[at] * points[:, at]
    return sum_of


def facing(view: str | tuple[float, float, float]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """right, up and toward, (3,) each, of a named view or of a direction toward the viewer. Raises ValueError for neither."""
    if isinstance(view, str):
        if view not in VIEWS:
            raise ValueError(f"no such view: {view!r}; there are {', '.join(VIEWS)}")
        toward, up = (np.array(v, dtype=np.float64) for v in VIEWS[view])
        return np.cross(up, toward), up, toward
    toward = np.array(view, dtype=np.float64)
    length = float(np.linalg.norm(toward))
    if not np.isfinite(length) or length == 0:
        raise ValueError(f"{view} points nowhere")
    toward /= length
    upright = np.array([0.0, 0.0, 1.0]) if abs(toward[2]) < 0.999 else np.array([0.0, np.sign(toward[2]), 0.0])
    right = np.cross(upright, toward)
    right /= np.linalg.norm(right)
    return right, np.cross(toward, right), toward


def framed(
    points: FloatArray, view: str | tuple[float, float, float], size: tuple[int, int], *, room: tuple[int, int, int, int] = (0, 0, 0, 0)
) -> Camera:
    """A camera that shows all the points (k, 3), as large as fits, within the margins `room`: left, top, right, bottom, in pixels."""
    right, up, toward = facing(view)
    width, height = size
    across, above, away = (_along(points, axis) for axis in (right, up, toward))
    wide, tall = (max(float(np.ptp(v)), 1e-12) for v in (across, above))
    scale = min((width - room[0] - room[2]) / wide, (height - room[1] - room[3]) / tall)
    shift = np.array([(room[0] - room[2]) / 2, (room[1] - room[3]) / 2]) / scale  # mm by which the middle moves right and down
    at = (float(across.min() + across.max()) / 2 - shift[0], float(above.min() + above.max()) / 2 + shift[1])
    deep = float(away.min() + away.max()) / 2
    return Camera(right, up, toward, right * at[0] + up * at[1] + toward * deep, scale, size)


@dataclass(frozen=True)
class Raster:
    """What is seen. face: (h, w) int64, the face at each pixel, -1 for paper; depth: (h, w) mm away from the viewer, infinite there."""

    face: IntArray
    depth: FloatArray


def rasterise(points: FloatArray, faces: IntArray, camera: Camera) -> Raster:
    """The nearest face at each pixel middle. points: (n, 3) mm, finite; faces: (m, 3). Both sides of a face are seen alike.

    Depth is kept to one part in two milliards of the part's own depth; at equal depth the face of the lower number is seen.
    """
    width, height = camera.size
    placed = camera.project(points)
    x, y, z = placed.T
    near = float(z.min(initial=0.0)) if len(z) else 0.0
    unit = (float(z.max()) - near) / _DEEP if len(z) and float(z.max()) > near else 1.0
    nothing = np.iinfo(np.int64).max
    best = np.full(width * height, nothing, dtype=np.int64)
    for start in range(0, len(faces), _CHUNK):
        corners = faces[start : start + _CHUNK]
        pixel, depth, face = _fragments((x, y, z), corners, width, height)
        key = (((depth - near) / unit).astype(np.int64).clip(0, int(_DEEP)) << 32) | (face + start)
        np.minimum.at(best, pixel, key)
    drawn = best != nothing
    face = np.where(drawn, best & 0xFFFFFFFF, -1).reshape(height, width)
    depth = np.where(drawn, (best >> 32) * unit + near, np.inf).reshape(height, width)
    return Raster(face, depth)


def _fragments(placed: tuple[FloatArray, ...], corners: IntArray, width: int, height: int) -> tuple[IntArray, FloatArray, IntArray]:
    """Every pixel middle that each face covers: its pixel, its depth and the face's number among `corners`, (k,) each."""
    x, y, z = placed
    ya, yb, yc = (y[corners[:, i]] for i in range(3))
    low, high = np.minimum(np.minimum(ya, yb), yc), np.maximum(np.maximum(ya, yb), yc)
    first = np.ceil(low - 0.5).clip(0, height).astype(np.int64)
    last = np.floor(high - 0.5).clip(-1, height - 1).astype(np.int64)
    keep = np.flatnonzero(last >= first)
    xa, xb, xc = (x[corners[keep, i]] for i in range(3))
    low, high = np.minimum(np.minimum(xa, xb), xc), np.maximum(np.maximum(xa, xb), xc)
    wide = np.floor(high - 0.5).clip(-1, width - 1) >= np.ceil(low - 0.5).clip(0, width)
    ya, yb, yc = ya[keep], yb[keep], yc[keep]
    double = (xb - xa) * (yc - ya) - (xc - xa) * (yb - ya)
    good = np.flatnonzero(wide & (np.abs(double) > 1e-12))
    keep, double = keep[good], double[good]
    xa, xb, xc, ya, yb, yc = xa[good], xb[good], xc[good], ya[good], yb[good], yc[good]
    za, zb, zc = (z[corners[keep, i]] for i in range(3))
    along = ((zb - za) * (yc - ya) - (zc - za) * (yb - ya)) / double
    down = ((zc - za) * (xb - xa) - (zb - za) * (xc - xa)) / double
    level = za - along * xa - down * ya
    nearest, farthest = np.minimum(np.minimum(za, zb), zc), np.maximum(np.maximum(za, zb), zc)

    rows = last[keep] - first[keep] + 1
    of = np.repeat(np.arange(len(keep)), rows)
    row = np.arange(len(of)) - np.repeat(np.cumsum(rows) - rows - first[keep], rows)
    middle = row + 0.5
    begin, end = np.full(len(of), np.inf), np.full(len(of), -np.inf)
    for x0, y0, x1, y1 in ((xa, ya, xb, yb), (xb, yb, xc, yc), (xc, yc, xa, ya)):
        rise = y1 - y0
        slope = (x1 - x0) / np.where(rise == 0, 1.0, rise)
        meets = (np.minimum(y0, y1)[of] <= middle) & (middle <= np.maximum(y0, y1)[of]) & (rise != 0)[of]
        at = x0[of] + (middle - y0[of]) * slope[of]
        begin = np.where(meets, np.minimum(begin, at), begin)
        end = np.where(meets, np.maximum(end, at), end)
    # a hair over, so that rounding leaves no slit between two faces along their common edge
    left = np.ceil(begin - 0.5 - 1e-7).clip(0, width)
    right = np.floor(end - 0.5 + 1e-7).clip(-1, width - 1)
    count = np.where(right >= left, right - left + 1, 0).astype(np.int64)
    span = np.repeat(np.arange(len(of)), count)
    column = np.arange(len(span)) - np.repeat(np.cumsum(count) - count - np.where(count > 0, left, 0).astype(np.int64), count)
    face = of[span]
    depth = level[face] + along[face] * (column + 0.5) + down[face] * middle[span]
    # a face seen edge on has no trusty slope: its corners bound it
    depth = np.clip(depth, nearest[face], farthest[face])
    return row[span] * width + column, depth, keep[face]
