"""Binary STL: 32-bit floats, three points a face, no unit but the words in its header."""

from __future__ import annotations

import numpy as np

from lint.load.stl import RECORD
from lint.save import said
from lint.terms import BadInput, Part


def encode(part: Part) -> bytes:
    """The bytes. Normals follow from the points as written; a face without area gets (0, 0, 0)."""
    with np.errstate(over="ignore"):
        points = (part.vertices + 0.0).astype("<f4")
    if not np.isfinite(points).all():
        raise BadInput("it is too large for an STL, which ends at 3e38; check its unit")
    records = np.zeros(len(part.faces), dtype=RECORD)
    corners = points[part.faces]
    records["corners"] = corners
    a, b, c = (corners[:, k].astype(np.float64) for k in range(3))
    normal = np.cross(b - a, c - a)
    length = np.linalg.norm(normal, axis=1)
    has_area = length > 0
    normal[has_area] /= length[has_area, None]
    records["normal"] = normal
    header = said(part).encode("ascii").ljust(80, b"\0")
    return header + len(records).to_bytes(4, "little") + records.tobytes()
