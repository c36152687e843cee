"""A mesh as few bytes: what the viewer in the browser unpacks (mesh.js reads what is written here).

Layout, little-endian:

    bytes 0-3    "bkw1"
    u32 x 3      points n, faces m, closed (1 when no edge is open, so that a cut shows solid material)
    f64 x 6      low corner (x, y, z), step (x, y, z): coordinate = low + step * whole number
    rest         zlib stream of byte planes, the low bytes of all numbers first, then the high ones:
                 x, y, z of the points: difference to the point before, 16 bits, wrapped, zigzag: 2 planes each
                 corners of the faces: numbers of points yet unseen counted down from the next new one, 24 bits: 3 planes

Faces are ordered along a space-filling curve and points by first use, so that neighbours in the file are neighbours in space: that
packs well, and the viewer finds what was clicked on by boxes around runs of faces.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from lint.measure.surface import weld_exact
from lint.terms import BoolArray, FloatArray, IntArray

MAGIC = b"bkw1"
STEPS = 65535
_HEAD = struct.Struct("<4s3I6d")


@dataclass(frozen=True, eq=False)
class Packed:
    """A packed mesh: its bytes, and what went where.

    order: (m,) number of the face given that is now face i; points: (n, 3) the coordinates as given, in the new order of points,
    before they were rounded; came: (n,) number of a point given that is now point i; off: the farthest that rounding moved a
    coordinate, mm.
    """

    data: bytes
    order: IntArray
    points: FloatArray
    came: IntArray
    off: float


def pack(vertices: FloatArray, faces: IntArray) -> Packed:
    """Pack a mesh of finite points (n, 3) and faces (m, 3). Points that coincide become one; faces with two equal corners go."""
    points, old = weld_exact(vertices)
    came = np.zeros(len(points), dtype=np.int64)
    came[old] = np.arange(len(vertices))
    corners = old[faces] if len(faces) else np.zeros((0, 3), dtype=np.int64)
    kept = np.flatnonzero((corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0]))
    corners = corners[kept]
    used = points[np.unique(corners)] if len(corners) else np.zeros((1, 3))
    low, high = used.min(axis=0), used.max(axis=0)
    along = np.argsort(_curve(points[corners].mean(axis=1), low, high), kind="stable") if len(corners) else np.zeros(0, dtype=np.int64)
    corners = corners[along]
    first_use, corners = _by_first_use(corners)
    points = points[first_use]
    step = (high - low) / STEPS
    safe = np.where(step > 0, step, 1.0)
    whole = np.rint((points - low) / safe).astype(np.int64)
    off = float(np.abs(low + step * whole - points).max(initial=0.0))
    change = np.diff(whole, axis=0, prepend=0).astype(np.uint16).astype(np.int16).astype(np.int32)
    zigzag = ((change << 1) ^ (change >> 15)).astype(np.uint16)
    planes = [p for axis in range(3) for p in (zigzag[:, axis] & 0xFF, zigzag[:, axis] >> 8)]
    code = _countdown(corners)
    planes += [code & 0xFF, (code >> 8) & 0xFF, code >> 16]
    body = zlib.compress(b"".join(p.astype(np.uint8).tobytes() for p in planes), 9)
    head = _HEAD.pack(MAGIC, len(points), len(corners), int(_closed(corners)), *low, *step)
    return Packed(head + body, kept[along], points, came[first_use], off)


def unpack(data: bytes) -> tuple[FloatArray, IntArray, bool]:
    """Points (n, 3), faces (m, 3) and whether it is closed, as the viewer sees them. Raises ValueError for other bytes."""
    if len(data) < _HEAD.size or data[:4] != MAGIC:
        raise ValueError("not a packed mesh")
    _, n, m, closed, *rest = _HEAD.unpack_from(data)
    flat = np.frombuffer(zlib.decompress(data[_HEAD.size :]), dtype=np.uint8).astype(np.int64)
    if len(flat) != 6 * n + 9 * m:
        raise ValueError("a packed mesh of the wrong length")
    zigzag = flat[: 6 * n].reshape(3, 2, n)
    zigzag = zigzag[:, 0] | zigzag[:, 1] << 8
    change = (zigzag >> 1) ^ -(zigzag & 1)
    whole = np.cumsum(change, axis=1).T % (STEPS + 1)
    code = flat[6 * n :].reshape(3, 3 * m)
    code = code[0] | code[1] << 8 | code[2] << 16
    seen = np.cumsum(code == 0) - (code == 0)
    return np.array(rest[:3]) + np.array(rest[3:]) * whole, (seen - code).reshape(m, 3), bool(closed)


def pack_values(values: FloatArray) -> bytes:
    """A number for each point, (n,), none negative, in microns of whatever unit, as two zlib-packed byte planes; 65,535 stands for more."""
    whole = np.rint(np.clip(values * 1000.0, 0, STEPS)).astype(np.int64)
    return zlib.compress((whole & 0xFF).astype(np.uint8).tobytes() + (whole >> 8).astype(np.uint8).tobytes(), 9)


def runs(chosen: BoolArray) -> list[int]:
    """Faces chosen by a mask (m,), as runs: first, length, first, length, ..."""
    edge = np.flatnonzero(np.diff(np.concatenate(([0], chosen.astype(np.int8), [0]))))
    starts, ends = edge[::2], edge[1::2]
    return [int(v) for v in np.column_stack((starts, ends - starts)).reshape(-1)]


def _curve(centres: FloatArray, low: FloatArray, high: FloatArray) -> IntArray:
    """Place along the Z-order curve, by 10 bits of each coordinate of one cubic grid."""
    size = float((high - low).max(initial=0.0)) or 1.0
    cell = np.clip((centres - low) / size * 1023.0, 0, 1023).astype(np.int64)
    key = np.zeros(len(centres), dtype=np.int64)
    for axis in range(3):
        key |= _spread(cell[:, axis]) << axis
    return key


def _spread(bits: IntArray) -> IntArray:
    """Ten bits set two apart."""
    bits = (bits | bits << 16) & 0x030000FF
    bits = (bits | bits << 8) & 0x0300F00F
    bits = (bits | bits << 4) & 0x030C30C3
    spread: IntArray = (bits | bits << 2) & 0x09249249
    return spread


def _by_first_use(corners: IntArray) -> tuple[IntArray, IntArray]:
    """Points in the order in which faces first name them, and the faces in those numbers.

    Each face is turned so that its lowest number comes first, then faces name old points before new ones.
    """
    distinct, at, back = np.unique(corners.reshape(-1), return_index=True, return_inverse=True)
    order = np.argsort(at)
    rank = np.empty(len(distinct), dtype=np.int64)
    rank[order] = np.arange(len(distinct))
    return distinct[order], rank[back].reshape(-1, 3)


def _countdown(corners: IntArray) -> IntArray:
    flat = corners.reshape(-1)
    if not len(flat):
        return flat
    ahead = np.concatenate(([0], np.maximum.accumulate(flat)[:-1] + 1))
    code: IntArray = ahead - flat
    return code


def _closed(corners: IntArray) -> bool:
    """Whether every edge is shared by an even number of faces, so that there is an inside."""
    if not len(corners):
        return False
    ends = np.sort(corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, count = np.unique(ends[:, 0] << 32 | ends[:, 1], return_counts=True)
    return bool((count % 2 == 0).all())
