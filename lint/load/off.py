"""OFF, the text form. A reader of our own: trimesh 5.2 fails on a face of five corners and takes a wrong count in silence."""

from __future__ import annotations

import numpy as np

from lint.load.polygons import triangles
from lint.load.raw import Context, Fault, Raw, Texts, check_count, shown
from lint.load.words import Reader, Rows, plain_text, rows_of

_HEADS = {b"OFF", b"COFF", b"NOFF", b"CNOFF", b"STOFF", b"STCOFF", b"STNOFF", b"STCNOFF"}


def parse(data: bytes, context: Context) -> Raw:
    """Read an OFF file. Extra numbers after a point (normal, colour) and after a face (colour) are left out."""
    data = plain_text(data)
    texts = Texts()
    for line in data[: 1 << 20].split(b"\n"):
        _, mark, remark = line.partition(b"#")
        if mark:
            texts.add("OFF remark", remark)
    reader = Reader(rows_of(data, remark=b"#"))
    head = _one(reader, "header lines")
    words = head.text(0).split()
    if words[0].upper() not in _HEADS:
        raise Fault(f"line {head.line[0]}: it begins with {shown(words[0])}, and an OFF file begins with OFF; is it another kind of file?")
    if words[1:2] and words[1].upper() == b"BINARY":
        raise Fault("it is a binary OFF file; export it as text, or as PLY")
    column = 1
    if len(words) == 1:
        head, column = _one(reader, "header lines"), 0
    if head.count[0] - column < 2:
        raise Fault(f"line {head.line[0]}: the number of points and the number of faces belong here")
    points, faces = (int(n) for n in head.ints(head.columns(column, 2)))
    if points < 0 or faces < 0:
        raise Fault(f"line {head.line[0]}: a count cannot be negative")
    if points + faces > len(data):
        raise Fault(f"line {head.line[0]}: it counts {points:,} points and {faces:,} faces, more than its {len(data):,} bytes can hold")
    check_count(faces, points, context.limits)
    coordinates = [np.zeros(0)]
    for rows in reader.take(points, "points"):
        if (rows.count < 3).any():
            raise Fault(f"line {rows.line[np.argmax(rows.count < 3)]}: a point takes three numbers")
        coordinates.append(rows.floats(rows.columns(0, 3)))
    corners, sizes = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for rows in reader.take(faces, "faces"):
        size = rows.ints(rows.columns(0, 1))
        wrong = (size < 3) | (size >= rows.count)
        if wrong.any():
            bad = int(np.argmax(wrong))
            where, follow = f"line {rows.line[bad]}", rows.count[bad] - 1
            raise Fault(f"{where}: a face says it has {size[bad]} corners; it takes three or more, and {follow} numbers follow")
        corners.append(rows.ints(rows.rest(1, size)))
        sizes.append(size)
    reader.done()
    vertices, size = np.concatenate(coordinates).reshape(-1, 3), np.concatenate(sizes)
    check_count(int((size - 2).sum()), points, context.limits)
    cut, split = triangles(vertices, np.concatenate(corners), size)
    return Raw("OFF", vertices, cut, texts=tuple(texts.found), split_polygons=split)


def _one(reader: Reader, what: str) -> Rows:
    return next(iter(reader.take(1, what)))
