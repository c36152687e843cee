"""3MF Core: one object of type "model" in millimetres, placed once. From the 3MF Core Specification 1.4.0.

Neighbours are told by the numbers of their points there, not by place (clause 4.1), so points are welded where they coincide to
the last bit and faces with two corners on one point are left out (4.1.4.1). Where welding would make an edge crowded that was
sound before (two solids that touch along an edge), points stay as they were: clause 4.1.3 asks for that. Coordinates are
written to the last bit, so points that differ still differ. Standing in the positive octant is the caller's business.
"""

from __future__ import annotations

import io
import zipfile

import numpy as np

from lint.measure.surface import weld_exact
from lint.save.text import floats, ints
from lint.terms import BadInput, FloatArray, IntArray, Part

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>\n'
)
_RELATIONSHIPS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="rel0" Target="/3D/3dmodel.model" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>\n'
)
_FEWEST = 4


def encode(part: Part) -> bytes:
    """The bytes. Raises BadInput for a part of fewer than four faces, which 3MF does not take as a solid."""
    vertices, faces = welded(part.vertices, part.faces)
    if len(faces) < _FEWEST:
        raise BadInput(f"a 3MF takes four faces at least, and this part has {len(faces)} of some area; write .stl or .ply")
    if len(vertices) >= 1 << 31 or len(faces) >= 1 << 31:
        raise BadInput("it is too large for a 3MF; thin it out first")
    model = [
        f'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" xmlns="{_CORE}">\n'
        '<metadata name="Application">buckwright</metadata>\n<resources>\n<object id="1" type="model">\n<mesh>\n<vertices>\n',
        *floats('<vertex x="%s" y="%s" z="%s"/>\n', vertices),
        "</vertices>\n<triangles>\n",
        *ints('<triangle v1="%d" v2="%d" v3="%d"/>\n', faces),
        '</triangles>\n</mesh>\n</object>\n</resources>\n<build>\n<item objectid="1"/>\n</build>\n</model>\n',
    ]
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=4) as package:
        for name, text in (("[Content_Types].xml", _TYPES), ("_rels/.rels", _RELATIONSHIPS), ("3D/3dmodel.model", "".join(model))):
            package.writestr(_entry(name), text.encode("ascii"))
    return packed.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    """A zip entry that says nothing of the day or the system."""
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o644 << 16
    return entry


def welded(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """Points (n, 3) welded and numbered by their first use, faces (m, 3) without those that have two corners on one point."""
    points, old = weld_exact(vertices)
    joined = _distinct(old[faces])
    if not _sound(joined) and _sound(_distinct(faces)):
        points, joined = vertices, _distinct(faces)
    seen = joined.ravel()
    first = np.full(len(points), -1)
    first[seen[::-1]] = np.arange(len(seen))[::-1]
    order = np.flatnonzero(first >= 0)
    order = order[np.argsort(first[order])]
    rank = np.empty(len(points), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return points[order], rank[joined]


def _distinct(faces: IntArray) -> IntArray:
    kept: IntArray = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    return kept


def _sound(faces: IntArray) -> bool:
    """Whether every side of every face is met once, in the opposite direction."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    size = int(faces.max(initial=0)) + 1
    there, back = np.sort(start * size + end), np.sort(end * size + start)
    return bool(np.array_equal(there, back) and not (there[1:] == there[:-1]).any())
