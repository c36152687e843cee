"""OBJ. A reader of our own, because trimesh 5.2 with processing off still reorders points, leaves out those that no face
uses, splits groups into meshes, reads `v 0 0` by taking a number from the next line, and raises on a wrong index
(all tried). Here points keep their order and number, faces theirs, and seams in texture or normal do not part points.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from lint.load.doors import fetch
from lint.load.polygons import triangles
from lint.load.raw import Context, Fault, Raw, Texts, check_count, decoded, shown
from lint.load.words import Rows, key, plain_text, rows_of
from lint.terms import IntArray

# Words that say nothing about the faces: texture, normals, grouping, material, display, and loose points and lines.
_PASSED = (
    b"vt", b"vn", b"vp", b"g", b"o", b"s", b"mg", b"p", b"l", b"usemtl", b"mtllib", b"usemap", b"maplib", b"lod", b"bevel",
    b"c_interp", b"d_interp", b"shadow_obj", b"trace_obj",
)  # fmt: skip
# Words of curved surfaces, which are not faces: leaving them out would lose skin without a word.
_CURVED = (b"cstype", b"deg", b"curv", b"curv2", b"surf", b"bmat", b"step", b"parm", b"bzp", b"bsp", b"cdc", b"cdp", b"res")
_MOST_LIBRARIES = 20
_V, _F, _FO, _REMARK = key(b"v"), key(b"f"), key(b"fo"), ord("#")
_QUIET = np.array(sorted(key(w) for w in _PASSED if len(w) <= 8))
_NAMES = {key(w): w for w in (b"o", b"g", b"mtllib", b"usemap", b"maplib", b"usemtl")}
_TRAILING = re.compile(rb"(?m)^([ \t]*[vf][^#\n]*)#[^\n]*")


def parse(data: bytes, context: Context) -> Raw:
    """Read an OBJ file. Raises Fault naming the line of what cannot be read."""
    data = plain_text(data)
    for end in (b"\\\r\n", b"\\\n"):
        if end in data:
            data = data.replace(end, b" " * len(end))
    gathered = _Gathered(context)
    points = 0
    for rows in rows_of(_without_trailing_remarks(data)):
        points += gathered.take(rows, points)
        check_count(gathered.faces, points, context.limits)
    vertices = np.concatenate([np.zeros(0), *gathered.points]).reshape(-1, 3)
    empty = np.zeros(0, dtype=np.int64)
    faces, split = triangles(vertices, np.concatenate([empty, *gathered.corners]), np.concatenate([empty, *gathered.sizes]))
    if not len(vertices):
        raise Fault("it holds no point (a line that begins with v): is it an OBJ file?")
    return Raw(
        "OBJ", vertices, faces, texts=tuple(gathered.texts.found), attachments=tuple(dict.fromkeys(gathered.attachments)),
        split_polygons=split, objects=tuple(dict.fromkeys(gathered.objects)),
    )  # fmt: skip


def _without_trailing_remarks(data: bytes) -> bytes:
    if b" #" not in data and b"\t#" not in data:
        return data
    return _TRAILING.sub(rb"\1", data)


class _Gathered:
    """What the bites of one file add up to."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.points: list[np.ndarray] = []
        self.corners: list[IntArray] = []
        self.sizes: list[IntArray] = []
        self.faces = 0
        self.texts = Texts()
        self.attachments: list[str] = []
        self.objects: list[str] = []
        self.libraries: set[str] = set()

    def take(self, rows: Rows, points: int) -> int:
        """Add a bite; `points` were read before it. Returns how many points it holds."""
        keys = rows.keys()
        point, face = keys == _V, (keys == _F) | (keys == _FO)
        quiet = _QUIET[np.minimum(np.searchsorted(_QUIET, keys), len(_QUIET) - 1)] == keys
        for row in np.flatnonzero(~(point | face | quiet)):
            self._other(rows, int(row))
        for name in _NAMES:
            for row in np.flatnonzero(keys == name)[:1000]:
                self._named(_NAMES[name], rows.after(int(row)))
        here = rows.pick(point)
        if (here.count < 4).any():
            raise Fault(f"line {here.line[np.argmax(here.count < 4)]}: a point (v) takes three numbers")
        self.points.append(here.floats(here.columns(1, 3)))
        there = rows.pick(face)
        if (there.count < 4).any():
            raise Fault(f"line {there.line[np.argmax(there.count < 4)]}: a face (f) takes three corners or more")
        size = there.count - 1
        so_far = points + np.searchsorted(here.line, there.line)
        self.corners.append(_corners(there, size, so_far))
        self.sizes.append(size)
        self.faces += int((size - 2).sum())
        return len(here)

    def _other(self, rows: Rows, row: int) -> None:
        word = rows.text(row).split(maxsplit=1)[0]
        if word[0] == _REMARK:
            self.texts.add(f"OBJ line {rows.line[row]}", rows.text(row).lstrip(b"#"))
        elif word in _CURVED:
            raise Fault(f"line {rows.line[row]}: it holds curved surfaces ({word.decode()}), which are not faces; export it as faces")
        elif word not in _PASSED:
            raise Fault(f"line {rows.line[row]}: {shown(word)} is no word of an OBJ file; it is damaged or another kind of file")

    def _named(self, word: bytes, text: bytes) -> None:
        if word in (b"o", b"g"):
            self.objects.append(decoded(text))
        elif word == b"usemap":
            self.attachments.append(decoded(text))
        elif word in (b"mtllib", b"maplib"):
            library = decoded(text)
            if library not in self.libraries and len(self.libraries) < _MOST_LIBRARIES:
                self.libraries.add(library)
                self.attachments += [library, *_textures(self.context.path, library)]


def _corners(rows: Rows, size: IntArray, so_far: IntArray) -> IntArray:
    """Point numbers from zero; negative ones count back from the points read so far, zero stays out of range."""
    words = rows.rest(1, size)
    slash = np.flatnonzero(rows.letters == ord("/"))
    end = rows.end[words]
    if len(slash):
        after = np.searchsorted(slash, rows.start[words])
        cut = slash[np.minimum(after, len(slash) - 1)]
        end = np.where((after < len(slash)) & (cut < end), cut, end)
    number = rows.ints(words, end)
    back = np.repeat(so_far, size) + number
    return np.where(number < 0, np.maximum(back, -1), number - 1)


def _textures(part: Path, library: str) -> list[str]:
    """Pictures that a material file in the part's own folder names; none when it is absent or lies elsewhere."""
    try:
        text = fetch(part, library, 4 << 20)
    except Fault:
        return []
    lines = (line.split() for line in text.splitlines()[:100_000])
    found = [decoded(w[-1]) for w in lines if len(w) > 1 and w[0].lower().startswith((b"map_", b"bump", b"disp", b"decal", b"refl"))]
    return list(dict.fromkeys(found))[:1000]
