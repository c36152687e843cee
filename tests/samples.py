"""Small good files of every format, built byte by byte here, apart from our own writers, with what they hold known."""

from __future__ import annotations

import base64
import io
import json
import struct
import zipfile
from typing import Any

import numpy as np

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"

# A tetrahedron with its right corner at the origin and legs of 10, 20, 30: volume 1000.
POINTS = np.array([[0.0, 0, 0], [10, 0, 0], [0, 20, 0], [0, 0, 30]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])


def volume(vertices: np.ndarray, faces: np.ndarray) -> float:
    """Signed volume of a closed mesh by the divergence theorem."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def binary_stl(points: np.ndarray = POINTS, faces: np.ndarray = FACES, header: bytes = b"the tin king") -> bytes:
    """A binary STL."""
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *points[f].ravel(), 0) for f in faces)
    return header.ljust(80, b"\0") + struct.pack("<I", len(faces)) + body


def text_stl(points: np.ndarray = POINTS, faces: np.ndarray = FACES, name: str = "heron beak") -> bytes:
    """A text STL of one solid."""
    lines = [f"solid {name}"]
    for face in faces:
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += [f"      vertex {x:.9g} {y:.9g} {z:.9g}" for x, y, z in points[face]]
        lines += ["    endloop", "  endfacet"]
    return "\n".join([*lines, f"endsolid {name}", ""]).encode()


OBJ = b"""# a block for the troll, from the gauge
mtllib troll.mtl
o block
v 0 0 0
v 10 0 0
v 10 20 0 0.5 0.5 0.5
v 0 20 0
g top
v 0 0 30
v 10 0 30
v 10 20 30
v 0 20 30
vt 0 0
vt 1 1
vn 0 0 1
usemtl skin
s off
f 4 3 2 1
f 5/1 6/2 7/1 8/2
f 1//1 2//1 6//1 5//1
f -7/1/1 -6/2/1 -2/1/1 -3/2/1
f 3 4 8 7
f 4 1 5 8 # the last
"""

OFF = b"""OFF
# a block
8 6 12
0 0 0
10 0 0
10 20 0
0 20 0
0 0 30
10 0 30
10 20 30
0 20 30

4 3 2 1 0
4 4 5 6 7 255 0 0
4 0 1 5 4
4 1 2 6 5
4 2 3 7 6
4 3 0 4 7
"""

BLOCK = np.array([[0.0, 0, 0], [10, 0, 0], [10, 20, 0], [0, 20, 0], [0, 0, 30], [10, 0, 30], [10, 20, 30], [0, 20, 30]])
BLOCK_SIDES = [[3, 2, 1, 0], [4, 5, 6, 7], [0, 1, 5, 4], [1, 2, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4, 7]]


def ply(order: str, points: np.ndarray = BLOCK, polygons: list[list[int]] | None = None) -> bytes:
    """A PLY with colours before x, a mixture of polygons, a flag after the corners and an element of edges."""
    polygons = BLOCK_SIDES if polygons is None else polygons
    header = (
        f"ply\nformat {order} 1.0\ncomment scanned for the heron\nobj_info block 7\ncomment TextureFile heron skin.png\n"
        f"element vertex {len(points)}\nproperty uchar red\nproperty float x\nproperty double y\nproperty float z\n"
        f"element face {len(polygons)}\nproperty list uchar int vertex_indices\nproperty short flag\n"
        "element edge 1\nproperty int vertex1\nproperty int vertex2\nend_header\n"
    ).encode()
    if order == "ascii":
        lines = [f"200 {x:.9g} {y:.17g} {z:.9g}" for x, y, z in points]
        lines += [f"{len(p)} {' '.join(map(str, p))} 3" for p in polygons]
        return header + "\n".join([*lines, "0 1", ""]).encode()
    sign = "<" if "little" in order else ">"
    body = b"".join(struct.pack(sign + "Bfdf", 200, *p) for p in points)
    body += b"".join(struct.pack(f"{sign}B{len(p)}ih", len(p), *p, 3) for p in polygons)
    return header + body + struct.pack(sign + "2i", 0, 1)


def glb_of(text: bytes, binary: bytes) -> bytes:
    """A GLB from its JSON text and its binary piece, lengths made right."""
    text += b" " * (-len(text) % 4)
    binary += b"\0" * (-len(binary) % 4)
    pieces = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(binary), b"BIN\0") + binary
    return struct.pack("<4sII", b"glTF", 2, 12 + len(pieces)) + pieces


def gltf_parts() -> tuple[dict[str, Any], bytes]:
    """A scene of the tetrahedron twice: once moved and mirrored, once bent by a joint. JSON document and its buffer."""
    points = POINTS.astype("<f4").tobytes()
    corners = FACES.astype("<u2").tobytes()
    joints = np.zeros((4, 4), dtype="<u1").tobytes()
    weights = np.tile(np.array([1, 0, 0, 0], dtype="<f4"), (4, 1)).tobytes()
    bind = np.eye(4, dtype="<f4")
    bind[3, 0] = -5.0  # column-major: the last four numbers are the shift
    pieces = [points, corners, joints, weights, bind.tobytes()]
    starts = np.cumsum([0, *(len(p) for p in pieces)])
    views = [{"buffer": 0, "byteOffset": int(s), "byteLength": len(p)} for s, p in zip(starts, pieces, strict=False)]
    document = {
        "asset": {"version": "2.0", "generator": "hand", "copyright": "the theatre"},
        "extras": {"seen by": "the tin king"},
        "scene": 0,
        "scenes": [{"nodes": [0, 2]}],
        "nodes": [
            {"name": "mirror", "scale": [-1, 1, 1], "children": [1]},
            {"name": "troll", "mesh": 0, "translation": [1, 2, 3], "rotation": [0, 0, 0.7071067811865476, 0.7071067811865476]},
            {"name": "bent", "mesh": 1, "skin": 0, "translation": [1000, 0, 0], "children": [3]},
            {"name": "bone", "matrix": [2, 0, 0, 0, 0, 2, 0, 0, 0, 0, 2, 0, -1000, 0, 0, 1]},
        ],
        "meshes": [
            {"name": "tetra", "primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]},
            {"primitives": [{"attributes": {"POSITION": 0, "JOINTS_0": 2, "WEIGHTS_0": 3}, "indices": 1}]},
        ],
        "skins": [{"joints": [3], "inverseBindMatrices": 4}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5123, "count": 12, "type": "SCALAR"},
            {"bufferView": 2, "componentType": 5121, "count": 4, "type": "VEC4"},
            {"bufferView": 3, "componentType": 5126, "count": 4, "type": "VEC4"},
            {"bufferView": 4, "componentType": 5126, "count": 1, "type": "MAT4"},
        ],
        "images": [{"uri": "face of the troll.jpg"}],
        "bufferViews": views,
        "buffers": [{"byteLength": int(starts[-1])}],
    }
    return document, b"".join(pieces)


def glb() -> bytes:
    """The scene of `gltf_parts` as GLB."""
    document, buffer = gltf_parts()
    return glb_of(json.dumps(document).encode(), buffer)


def gltf_inline() -> bytes:
    """The scene of `gltf_parts` as JSON with its buffer in a data: address."""
    document, buffer = gltf_parts()
    document["buffers"][0]["uri"] = "data:application/octet-stream;base64," + base64.b64encode(buffer).decode()
    return json.dumps(document).encode()


MESH = (
    "<mesh><vertices>" + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in POINTS.tolist()) + "</vertices><triangles>"
    + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in FACES.tolist()) + "</triangles></mesh>"
)  # fmt: skip
THREEMF_BODY = f"""<metadata name="Title">Heron</metadata><metadata name="Designer">the mask maker</metadata>
<resources><object id="1" name="tetra">{MESH}</object>
<object id="2" type="support">{MESH}</object>
<object id="3" name="pair"><components><component objectid="1"/>
<component objectid="1" transform="-1 0 0 0 1 0 0 0 1 -5 0 0"/></components></object></resources>
<build><item objectid="3" transform="1 0 0 0 1 0 0 0 1 100 0 0"/><item objectid="2"/></build>"""


def model_xml(body: str = THREEMF_BODY, *, attributes: str = 'unit="centimeter"', before: str = "") -> bytes:
    """A 3MF model part around a body."""
    return f'<?xml version="1.0" encoding="UTF-8"?>{before}<model {attributes} xmlns="{CORE}">{body}</model>'.encode()


def threemf(model: bytes | None = None, extra: dict[str, bytes] | None = None, *, target: str = "/3D/3dmodel.model") -> bytes:
    """A 3MF package around a model part."""
    types = "http://schemas.openxmlformats.org/package/2006/content-types"
    links = "http://schemas.openxmlformats.org/package/2006/relationships"
    link = f'<Relationship Id="a" Type="{START}" Target="{target}"/>'
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("[Content_Types].xml", f'<Types xmlns="{types}"/>')
        package.writestr("_rels/.rels", f'<Relationships xmlns="{links}">{link}</Relationships>')
        package.writestr("3D/3dmodel.model", model_xml() if model is None else model)
        for name, data in (extra or {}).items():
            package.writestr(name, data)
    return packed.getvalue()


TICKET = b"""# the troll's nose
[part]
body = "nose"
side = "none"
units = "mm"
[[length]]
from = [0.0, 0.0, 0.0]
to = [40, 0, 0]
true = 40.0
name = "gauge block"
[[caliper]]
from = [0, 0, 0]
to = [0, 38, 0]
read = 38.2
[print]
process = "resin"
nozzle = 0.4
bed = [220, 220, 250]
[use]
mould = "rigid"
pull = [0, 0, 1]
[fix]
allow = "skin"
steps = ["seat", "hollow", "drain"]
[[fix.crop]]
low = [0, 0, 0]
high = [1, 1, 1]
"""

SHOP = b"""edition = 1
[print]
nozzle = 0.6
[rule.30]
wall = 1.2
because = "our clay is soft"
"""

LEDGER = b"""[[accepted]]
part = "troll-nose.stl"
rule = 30
case = "thin"
because = "the nostril rim is meant to be thin"
spot = [1.0, 2.0, 3.0]
reach = 4.0
until = 2030-01-31
"""


def every_sample() -> dict[str, bytes]:
    """One or more good files of each format, by a name whose last part is the file's."""
    return {
        "binary/part.stl": binary_stl(),
        "text/part.stl": text_stl(),
        "part.obj": OBJ,
        "text/part.ply": ply("ascii"),
        "little/part.ply": ply("binary_little_endian"),
        "big/part.ply": ply("binary_big_endian"),
        "part.off": OFF,
        "part.glb": glb(),
        "part.gltf": gltf_inline(),
        "part.3mf": threemf(),
        "part.ticket.toml": TICKET,
        "shop.toml": SHOP,
        "ledger.toml": LEDGER,
    }
