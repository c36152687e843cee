"""PLY, binary, little-endian. Coordinates are `double`: the format has them, and nothing is lost that a later fix would miss."""

from __future__ import annotations

import numpy as np

from lint.save import said
from lint.terms import BadInput, Part

_FACE = np.dtype([("count", "u1"), ("corners", "<i4", 3)])


def encode(part: Part) -> bytes:
    """The bytes."""
    if len(part.vertices) >= 1 << 31:
        raise BadInput("it has more points than a PLY can number; thin it out first")
    header = (
        f"ply\nformat binary_little_endian 1.0\ncomment {said(part)}\nelement vertex {len(part.vertices)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        f"element face {len(part.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(part.faces), dtype=_FACE)
    faces["count"], faces["corners"] = 3, part.faces
    return header.encode("ascii") + (part.vertices + 0.0).astype("<f8").tobytes() + faces.tobytes()
