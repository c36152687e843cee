"""GLB (glTF 2.0 in one file): metres, +Y up, 32-bit floats. The metre and the turn are in the points, not in a node,
so that a reader that leaves nodes out still gets the right size.
"""

from __future__ import annotations

import json

import numpy as np

from lint.terms import BadInput, Part

_ARRAY, _INDICES, _FLOAT, _UNSIGNED = 34962, 34963, 5126, 5125


def encode(part: Part) -> bytes:
    """The bytes."""
    turned = np.stack((part.vertices[:, 0], part.vertices[:, 2], -part.vertices[:, 1]), axis=1) / 1000.0 + 0.0
    with np.errstate(over="ignore"):
        points = turned.astype("<f4")
    if not np.isfinite(points).all() or len(points) >= (1 << 32) - 1:
        raise BadInput("it is too large for a GLB; check its unit, or thin it out")
    places, corners = points.tobytes(), part.faces.astype("<u4").tobytes()
    document = {
        "asset": {"generator": "buckwright", "version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "accessors": [
            {
                "bufferView": 0, "componentType": _FLOAT, "count": len(points), "type": "VEC3",
                "min": [float(x) for x in points.min(axis=0)], "max": [float(x) for x in points.max(axis=0)],
            },
            {"bufferView": 1, "componentType": _UNSIGNED, "count": part.faces.size, "type": "SCALAR"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": len(places), "target": _ARRAY},
            {"buffer": 0, "byteOffset": len(places), "byteLength": len(corners), "target": _INDICES},
        ],
        "buffers": [{"byteLength": len(places) + len(corners)}],
    }  # fmt: skip
    text = json.dumps(document, separators=(",", ":")).encode("ascii")
    text += b" " * (-len(text) % 4)
    body = places + corners
    total = 12 + 8 + len(text) + 8 + len(body)
    if total >= 1 << 32:
        raise BadInput("it is too large for a GLB, which ends at 4 GiB; thin it out, or write another format")
    head = b"glTF" + (2).to_bytes(4, "little") + total.to_bytes(4, "little")
    return head + len(text).to_bytes(4, "little") + b"JSON" + text + len(body).to_bytes(4, "little") + b"BIN\0" + body
