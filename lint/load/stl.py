"""STL, binary and text. Told apart by the size a binary file must have (84 + 50 a face), and only then by its words.

A binary file is one numpy record array: read 1.38 million faces in about 0.1 s. The stored normals and the two spare
bytes a face are not kept: a face's side is told by its winding. trimesh reads a text file that is cut off as an
empty one and says nothing (tried on 5.2), so text has a reader of its own that holds to the grammar.
"""

from __future__ import annotations

import numpy as np

from lint import cores
from lint.load.raw import Context, Fault, LoadLimits, Raw, Texts, check_count, decoded, shown
from lint.load.words import Rows, key, plain_text, rows_of
from lint.terms import IntArray

RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
_HEADER = 84
_LEAST = 200_000  # faces that are worth a thread of their own
_SOLID, _FACET, _OUTER, _VERTEX, _ENDLOOP, _ENDFACET, _ENDSOLID = range(7)
_WORDS = (b"solid", b"facet", b"outer", b"vertex", b"endloop", b"endfacet", b"endsolid")
_PATTERN = np.array([_FACET, _OUTER, _VERTEX, _VERTEX, _VERTEX, _ENDLOOP, _ENDFACET], dtype=np.uint8)


def parse(data: bytes, context: Context) -> Raw:
    """Read an STL file. Raises Fault when it is neither a whole binary nor a whole text file."""
    count = int.from_bytes(data[80:_HEADER], "little")
    if len(data) >= _HEADER and len(data) == _HEADER + RECORD.itemsize * count:
        return _binary(data, count, context.limits)
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf"))
    if marked or (data[:1024].lstrip()[:5].lower() == b"solid" and b"\0" not in data[:1024]):
        return _text(plain_text(data), context.limits)
    if len(data) < _HEADER:
        raise Fault(f"it is {len(data)} bytes long, too short for an STL file; export it again")
    whole = (len(data) - _HEADER) // RECORD.itemsize
    raise Fault(
        f"byte 80: it counts {count:,} faces, but its {len(data):,} bytes hold {whole:,}: it is cut off or damaged; copy or export it again"
    )


def _binary(data: bytes, count: int, limits: LoadLimits) -> Raw:
    check_count(count, 3 * count, limits)
    texts = Texts()
    texts.add("STL header", data[:80].rstrip(b"\0 "))
    corners = np.frombuffer(data, dtype=RECORD, count=count, offset=_HEADER)["corners"]
    vertices, faces = np.empty((3 * count, 3)), np.empty((count, 3), dtype=np.int64)

    def fill(some: slice) -> None:
        with np.errstate(invalid="ignore"):  # a signalling not-a-number warns when it is widened
            vertices.reshape(-1, 3, 3)[some] = corners[some]
        faces[some] = np.arange(3 * some.start, 3 * some.stop).reshape(-1, 3)

    cores.shared(fill, count, _LEAST)
    return Raw("binary STL", vertices, faces, texts=tuple(texts.found))


def _text(data: bytes, limits: LoadLimits) -> Raw:
    names = np.array([key(w) for w in _WORDS])
    order = np.argsort(names)
    kinds: list[np.ndarray] = []
    lines: list[np.ndarray] = []
    points: list[np.ndarray] = []
    texts = Texts()
    objects: list[str] = []
    total = 0
    for rows in rows_of(data):
        keys = rows.keys(lower=True)
        at = np.minimum(np.searchsorted(names[order], keys), len(names) - 1)
        known = names[order][at] == keys
        if not known.all():
            bad = int(np.argmin(known))
            raise Fault(f"line {rows.line[bad]}: {shown(rows.text(bad))} does not belong in an STL file; export it again")
        kind = order[at].astype(np.uint8)
        vertex = rows.pick(kind == _VERTEX)
        if (vertex.count != 4).any():
            raise Fault(f"line {vertex.line[np.argmax(vertex.count != 4)]}: a vertex takes three numbers")
        total += len(vertex)
        check_count(total // 3, total, limits)
        points.append(vertex.floats(vertex.columns(1, 3)))
        _name_solids(rows, kind, texts, objects)
        kinds.append(kind)
        lines.append(rows.line.astype(np.int32))
    if not kinds:
        raise Fault("it holds no word; copy or export it again")
    _check_grammar(np.concatenate(kinds), np.concatenate(lines))
    vertices = np.concatenate(points).reshape(-1, 3)
    faces: IntArray = np.arange(len(vertices), dtype=np.int64).reshape(-1, 3)
    return Raw("text STL", vertices, faces, texts=tuple(texts.found), objects=tuple(objects))


def _name_solids(rows: Rows, kind: np.ndarray, texts: Texts, objects: list[str]) -> None:
    for row in np.flatnonzero(kind == _SOLID)[:1000]:
        name = rows.after(int(row))
        texts.add(f"STL line {rows.line[row]}", name)
        objects.append(decoded(name))


def _check_grammar(kinds: np.ndarray, lines: np.ndarray) -> None:
    """solid, any number of whole facets, endsolid; and again. Raises Fault at the first line out of place."""
    frame = (kinds == _SOLID) | (kinds == _ENDSOLID)
    inner = np.cumsum(~frame)
    body = kinds[~frame]
    wanted = np.resize(_PATTERN, len(body))
    wrong = np.flatnonzero(body != wanted)
    if len(wrong):
        here, there = _WORDS[body[wrong[0]]].decode(), _WORDS[wanted[wrong[0]]].decode()
        raise Fault(f"line {lines[~frame][wrong[0]]}: here stands {here!r} where {there!r} belongs; export it again")
    torn = np.flatnonzero(frame & (inner % len(_PATTERN) != 0))
    if len(torn):
        raise Fault(f"line {lines[torn[0]]}: {_WORDS[kinds[torn[0]]].decode()!r} in the middle of a face; export it again")
    marks = kinds[frame]
    turn = np.resize(np.array([_SOLID, _ENDSOLID], dtype=np.uint8), len(marks))
    odd = np.flatnonzero(marks != turn)
    if len(odd):
        line = lines[frame][odd[0]]
        raise Fault(f"line {line}: {_WORDS[marks[odd[0]]].decode()!r} is out of place; export it again")
    outside = np.flatnonzero(~frame & (np.cumsum(kinds == _SOLID) == np.cumsum(kinds == _ENDSOLID)))
    if len(outside):
        raise Fault(f"line {lines[outside[0]]}: a face stands outside solid ... endsolid; export it again")
    if len(marks) % 2 or len(body) % len(_PATTERN):
        raise Fault(f"line {lines[-1]}: it stops before 'endsolid': it is cut off; copy or export it again")
