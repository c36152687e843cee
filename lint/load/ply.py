"""PLY, as text or binary of either byte order. A reader of our own: trimesh 5.2 puts quads after triangles, and takes
a file whose count of faces is too high or too low without a word (tried).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lint.load.polygons import triangles
from lint.load.raw import Context, Fault, Raw, Texts, check_count, decoded, shown
from lint.load.words import Reader, rows_of
from lint.terms import FloatArray, IntArray

_KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "int64": "i8", "uint64": "u8", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_LONGEST_HEADER = 1 << 20
_LISTS_OF_CORNERS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True)
class Property:
    """One property of an element; `count` is the kind of its length when it is a list."""

    name: str
    kind: str
    count: str | None = None


@dataclass
class Element:
    """One element of the header: its name, how many there are said to be, and what each holds."""

    name: str
    count: int
    properties: list[Property] = field(default_factory=list)

    def index(self, *names: str) -> int:
        """Which property has one of the names; -1 for none."""
        return next((k for k, p in enumerate(self.properties) if p.name in names), -1)


@dataclass
class _Mesh:
    vertices: FloatArray | None = None
    corners: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    sizes: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    faces_said: bool = False


def parse(data: bytes, context: Context) -> Raw:
    """Read a PLY file. Points with no faces give a mesh with no faces; anything cut off or left over raises Fault."""
    texts = Texts()
    attachments: list[str] = []
    elements, order, start, line = _header(data, texts, attachments)
    for element in elements:
        least = max(sum(_least_size(p, order) for p in element.properties), 1)
        if element.count * least > len(data) - start:
            claim = f"its header counts {element.count:,} of {shown(element.name)}"
            raise Fault(f"{claim}, more than its {len(data):,} bytes hold: it is cut off or damaged")
    mesh = _Mesh()
    if order:
        _binary(data, start, elements, order, mesh, context)
    else:
        _text(data, start, line, elements, mesh, context)
    if mesh.vertices is None:
        raise Fault('its header names no "vertex" with x, y and z; export it again')
    if not mesh.faces_said and any(e.name in ("tristrips", "strips") for e in elements):
        raise Fault("its faces are kept as strips; export it with plain faces")
    split_faces, split = triangles(mesh.vertices, mesh.corners, mesh.sizes)
    return Raw(
        "binary PLY" if order else "text PLY", mesh.vertices, split_faces, texts=tuple(texts.found),
        attachments=tuple(attachments), split_polygons=split,
    )  # fmt: skip


def _least_size(prop: Property, order: str) -> int:
    kind = prop.kind if prop.count is None else prop.count
    return np.dtype(kind).itemsize if order else 1


def _header(data: bytes, texts: Texts, attachments: list[str]) -> tuple[list[Element], str, int, int]:
    """Elements, byte order ("" for text), the byte where the body begins and its line number."""
    if data[:3] != b"ply" or data[3:4] not in (b"\n", b"\r"):
        raise Fault('it does not begin with "ply"; is it another kind of file?')
    newline = b"\r\n" if data[3:5] == b"\r\n" else data[3:4]
    position, line = 3 + len(newline), 1
    elements: list[Element] = []
    order: str | None = None
    while True:
        stop = data.find(newline, position, _LONGEST_HEADER)
        if stop < 0:
            raise Fault(f'line {line + 1}: the header ends without "end_header": it is cut off or damaged')
        text = data[position:stop].decode("latin-1")
        position, line = stop + len(newline), line + 1
        words = text.split()
        if not words:
            continue
        where = f"line {line}"
        if words[0] == "end_header":
            break
        if words[0] in ("comment", "obj_info"):
            remark = data[stop - len(text) : stop].strip()[len(words[0]) :]
            texts.add(f"PLY line {line}", remark)
            if len(words) > 2 and words[1].lower() == "texturefile":
                attachments.append(decoded(text.split(None, 2)[2]))
        elif words[0] == "format":
            if len(words) < 2 or words[1] not in _ORDERS:
                raise Fault(f"{where}: {shown(text)} is no format of PLY; it takes ascii, binary_little_endian or binary_big_endian")
            order = _ORDERS[words[1]]
        elif words[0] == "element":
            if len(words) != 3 or not words[2].isascii() or not words[2].isdecimal() or len(words[2]) > 15:
                raise Fault(f"{where}: {shown(text)} does not say how many there are")
            if any(e.name == words[1] for e in elements):
                raise Fault(f"{where}: {shown(words[1])} is counted twice")
            elements.append(Element(words[1], int(words[2])))
        elif words[0] == "property" and elements:
            elements[-1].properties.append(_property(words, where, text))
        else:
            raise Fault(f"{where}: {shown(text)} does not belong in the header of a PLY file; it is damaged")
    if order is None:
        raise Fault("its header does not say whether it is text or binary (format); it is damaged")
    return elements, order, position, line + 1


def _property(words: list[str], where: str, text: str) -> Property:
    if len(words) == 3 and words[1] in _KINDS:
        return Property(words[2], _KINDS[words[1]])
    if len(words) == 5 and words[1] == "list" and words[2] in _KINDS and words[3] in _KINDS and _KINDS[words[2]][0] != "f":
        return Property(words[4], _KINDS[words[3]], _KINDS[words[2]])
    raise Fault(f"{where}: {shown(text)} is no property of a PLY file; it is damaged")


def _axes(element: Element) -> list[int]:
    axes = [element.index(name) for name in "xyz"]
    if min(axes) < 0 or any(element.properties[k].count is not None for k in axes):
        raise Fault('its "vertex" lacks x, y or z as single numbers; export it again')
    return axes


def _corner_list(element: Element) -> int:
    which = element.index(*_LISTS_OF_CORNERS)
    if which < 0 or element.properties[which].count is None or element.properties[which].kind[0] == "f":
        raise Fault('its "face" lacks a list of whole numbers called vertex_indices; export it again')
    return which


def _check_sizes(sizes: IntArray, context: Context, first: int = 0) -> None:
    if (sizes < 3).any():
        bad = int(np.argmax(sizes < 3))
        raise Fault(f"face {first + bad + 1} has {sizes[bad]} corners; a face takes three or more")
    check_count(int((sizes - 2).sum()), 0, context.limits)


# Text


def _text(data: bytes, start: int, line: int, elements: list[Element], mesh: _Mesh, context: Context) -> None:
    if b"\r" in data[start:] and b"\n" not in data[start:]:
        data = data[:start] + data[start:].replace(b"\r", b"\n")
    reader = Reader(rows_of(data, start, line))
    for element in elements:
        if not element.properties and element.count:
            raise Fault(f"its header counts {shown(element.name)} and does not say what each holds; it is damaged")
        if element.name == "vertex":
            mesh.vertices = _text_points(reader, element, context)
        elif element.name == "face":
            mesh.faces_said = True
            _text_faces(reader, element, mesh, context)
        else:
            for _ in reader.take(element.count, f"of {shown(element.name)}"):
                pass
    reader.done()


def _text_points(reader: Reader, element: Element, context: Context) -> FloatArray:
    axes = _axes(element)
    if any(p.count is not None for p in element.properties[: max(axes)]):
        raise Fault('its "vertex" has a list before x, y and z, which is not read; export it again')
    check_count(0, element.count, context.limits)
    plain = all(p.count is None for p in element.properties)
    width = len(element.properties)
    found = [np.zeros((0, 3))]
    for rows in reader.take(element.count, "points"):
        wrong = (rows.count != width) if plain else (rows.count < width)
        if wrong.any():
            bad = int(np.argmax(wrong))
            raise Fault(f"line {rows.line[bad]}: a point takes {width} numbers here, and {rows.count[bad]} stand there")
        found.append(np.stack([rows.floats(rows.columns(k, 1)) for k in axes], axis=1))
    return np.concatenate(found)


def _text_faces(reader: Reader, element: Element, mesh: _Mesh, context: Context) -> None:
    which = _corner_list(element)
    if any(p.count is not None for p in element.properties[:which]):
        raise Fault('its "face" has another list before the corners, which is not read; export it again')
    others = len(element.properties) - 1
    alone = all(p.count is None for k, p in enumerate(element.properties) if k != which)
    corners, sizes = [mesh.corners], [mesh.sizes]
    for rows in reader.take(element.count, "faces"):
        wrong = rows.count <= which
        size = rows.ints(rows.first[~wrong] + which) if wrong.any() else rows.ints(rows.columns(which, 1))
        if not wrong.any():
            told = size + 1 + others
            wrong = (size < 3) | ((rows.count != told) if alone else (rows.count < told))
        if wrong.any():
            bad = int(np.argmax(wrong))
            raise Fault(f"line {rows.line[bad]}: a face takes the number of its corners (three or more) and then as many point numbers")
        corners.append(rows.ints(rows.rest(which + 1, size)))
        sizes.append(size)
    mesh.corners, mesh.sizes = np.concatenate(corners), np.concatenate(sizes)
    _check_sizes(mesh.sizes, context)


# Binary


def _binary(data: bytes, start: int, elements: list[Element], order: str, mesh: _Mesh, context: Context) -> None:
    position = start
    for element in elements:
        if element.name == "vertex":
            axes = _axes(element)
            check_count(0, element.count, context.limits)
            columns, position = _read(data, position, element, order)
            with np.errstate(invalid="ignore"):
                mesh.vertices = np.stack([columns[k].values.astype(np.float64) for k in axes], axis=1)
        elif element.name == "face":
            which = _corner_list(element)
            mesh.faces_said = True
            columns, position = _read(data, position, element, order)
            mesh.sizes = columns[which].sizes
            _check_sizes(mesh.sizes, context)
            mesh.corners = columns[which].values.astype(np.int64)
        elif element.count and element.properties:
            _, position = _read(data, position, element, order)
    rest = data[position:].strip(b"\0\r\n\t ")
    if rest:
        raise Fault(f"byte {position}: {len(data) - position:,} bytes are left over after all that the header counts: its count is wrong")


@dataclass
class _Column:
    """One property of all elements: values end to end, and for a list how many each element has."""

    values: NDArray[np.generic]
    sizes: IntArray


def _read(data: bytes, position: int, element: Element, order: str) -> tuple[list[_Column], int]:
    """Every property of an element, and the byte after it. All lists of the first row's length are read at one go."""
    count = element.count
    if not count:
        return [_Column(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)) for _ in element.properties], position
    lists = [k for k, p in enumerate(element.properties) if p.count is not None]
    lengths = _first_lengths(data, position, element, order) if lists else {}
    if lengths is not None:
        fields: list[tuple[str, str] | tuple[str, str, tuple[int, ...]]] = []
        for k, prop in enumerate(element.properties):
            if prop.count is not None:
                fields.append((f"n{k}", order + prop.count))
            fields.append((f"v{k}", order + prop.kind, (lengths.get(k, 1),)))
        row = np.dtype(fields)
        if count * row.itemsize <= len(data) - position:
            table = np.frombuffer(data, dtype=row, count=count, offset=position)
            if all((table[f"n{k}"] == lengths[k]).all() for k in lists):
                every = range(len(element.properties))
                columns = [_Column(table[f"v{k}"].reshape(-1), np.full(count, lengths.get(k, 1), dtype=np.int64)) for k in every]
                return columns, position + count * row.itemsize
        elif not lists:
            raise Fault(f"byte {len(data)}: it ends before the {count:,} of {shown(element.name)} that its header counts: it is cut off")
    return _walk(data, position, element, order)


def _first_lengths(data: bytes, position: int, element: Element, order: str) -> dict[int, int] | None:
    lengths: dict[int, int] = {}
    for k, prop in enumerate(element.properties):
        if prop.count is not None:
            kind = np.dtype(order + prop.count)
            if position + kind.itemsize > len(data):
                return None
            length = int(np.frombuffer(data, kind, 1, position)[0])
            if length < 0 or length * np.dtype(prop.kind).itemsize > len(data):
                return None
            lengths[k] = length
            position += kind.itemsize
        position += np.dtype(prop.kind).itemsize * lengths.get(k, 1)
    return lengths


def _walk(data: bytes, position: int, element: Element, order: str) -> tuple[list[_Column], int]:
    """Rows of unlike length: step from length to length, then gather every property in one go."""
    plan = [
        (None if p.count is None else struct.Struct(order + _STRUCT[p.count]), np.dtype(p.kind).itemsize) for p in element.properties
    ]
    offsets: list[list[int]] = [[] for _ in plan]
    sizes: list[list[int]] = [[] for _ in plan]
    end = len(data)
    for row in range(element.count):
        for (length, width), offset, size in zip(plan, offsets, sizes, strict=True):
            number = 1
            if length is not None:
                if position + length.size > end:
                    raise Fault(f"byte {end}: it ends in {element.name} {row + 1:,} of {element.count:,}: it is cut off")
                (number,) = length.unpack_from(data, position)
                position += length.size
                if number < 0:
                    raise Fault(f"byte {position - length.size}: {element.name} {row + 1:,} says it holds {number} numbers; it is damaged")
            offset.append(position)
            size.append(number)
            position += number * width
        if position > end:
            raise Fault(f"byte {end}: it ends in {element.name} {row + 1:,} of {element.count:,}: it is cut off")
    columns = []
    for prop, (_, width), offset, size in zip(element.properties, plan, offsets, sizes, strict=True):
        columns.append(_gather(data, np.array(offset), np.array(size, dtype=np.int64), width, np.dtype(order + prop.kind)))
    return columns, position


_STRUCT = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I", "i8": "q", "u8": "Q"}


def _gather(data: bytes, offset: IntArray, size: IntArray, width: int, kind: np.dtype[np.generic]) -> _Column:
    before = np.cumsum(size) - size
    start = np.repeat(offset - before * width, size) + np.arange(int(size.sum())) * width
    if not len(start):
        return _Column(np.zeros(0, dtype=kind), size)
    letters = np.frombuffer(data, dtype=np.uint8)
    spread = np.stack([letters[start + k] for k in range(width)], axis=1)
    return _Column(np.ascontiguousarray(spread).view(kind)[:, 0], size)
