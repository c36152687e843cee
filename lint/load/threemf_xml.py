"""The XML of a 3MF: a model with its objects and build, and relationships. Numbers are parsed many at once."""

from __future__ import annotations

import re
import xml.parsers.expat
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lint.load.package import Package
from lint.load.raw import Fault, LoadLimits, Texts, check_count, decoded, shown
from lint.load.words import parsed
from lint.terms import FloatArray, IntArray

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06}"
_RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships}"
# Extensions whose absence changes nothing about where the skin is; production is read.
_KNOWN = (
    _CORE[:-1], _PRODUCTION[:-1], "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07",
)  # fmt: skip
_SHAPING = ("beamlattice", "displacementmesh", "levelset", "slicestack", "booleans")
_KINDS = ("model", "solidsupport", "support", "surface", "other")
_DEEPEST = 100
_FLUSH = 300_000
_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)


@dataclass
class Item:
    """An item of the build or a component: which object, in which model part (empty: the same), and its move (4, 4)."""

    object: int
    move: FloatArray
    path: str = ""


@dataclass
class Object:
    """An object: a mesh or components."""

    number: int
    kind: str
    name: str = ""
    vertices: FloatArray | None = None
    faces: IntArray | None = None
    components: list[Item] = field(default_factory=list)


@dataclass
class Model:
    """One model part of the package."""

    unit: str = "millimeter"
    unit_said: bool = False
    objects: dict[int, Object] = field(default_factory=dict)
    build: list[Item] = field(default_factory=list)


def _parse(pieces: Iterable[bytes], name: str, start: Any, end: Any = None, namespaces: Any = None, use: Any = None) -> None:
    """Run expat over the pieces. UTF-8 whatever the declaration says; a document type declaration is refused."""
    parser = xml.parsers.expat.ParserCreate("utf-8", "}")
    parser.ordered_attributes = True
    parser.buffer_text = True

    def refuse(*_: object) -> None:
        raise Fault("it has a document type declaration, which 3MF forbids (it can hide a bomb); it is not read")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.StartNamespaceDeclHandler = namespaces
    parser.StartDoctypeDeclHandler = refuse
    if use is not None:
        use(parser)
    try:
        for piece in pieces:
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except xml.parsers.expat.ExpatError as error:
        why = xml.parsers.expat.ErrorString(error.code)
        raise Fault(f"{shown(name)} line {error.lineno}: its XML is broken ({why}); it is damaged, export it again") from None
    except Fault as fault:
        raise Fault(f"{shown(name)} line {parser.CurrentLineNumber}: {fault}") from None
    except (ValueError, OverflowError) as error:
        raise Fault(f"{shown(name)} line {parser.CurrentLineNumber}: it cannot be read ({decoded(str(error), 80)})") from None


def read_relationships(package: Package, name: str) -> list[tuple[str, str]]:
    """(type, target) of the relationships of a package. Raises Fault for a target outside the package."""
    found: list[tuple[str, str]] = []

    def start(tag: str, attributes: list[str]) -> None:
        if tag == _RELATIONSHIPS + "Relationship":
            said = _pairs(attributes)
            if said.get("TargetMode") == "External":
                raise Fault("it refers to something outside the package, which 3MF forbids; nothing is fetched")
            found.append((said.get("Type", ""), said.get("Target", "")))

    _parse(package.pieces(name), name, start)
    return found


def read_model(package: Package, name: str, limits: LoadLimits, texts: Texts) -> Model:
    """One model part. Raises Fault naming the part, the line and what is wrong."""
    reader = _ModelReader(limits, texts)
    _parse(package.pieces(name), name, reader.start, reader.end, reader.namespace, reader.use)
    if not reader.is_model:
        raise Fault(f"{shown(name)} holds no model; it is damaged or another kind of file")
    return reader.model


def _pairs(attributes: list[str]) -> dict[str, str]:
    return dict(zip(attributes[::2], attributes[1::2], strict=True))


class _ModelReader:
    """The handlers of one model part; vertices and triangles are gathered as words and parsed by the hundred thousand."""

    def __init__(self, limits: LoadLimits, texts: Texts) -> None:
        self.model = Model()
        self.is_model = False
        self._limits = limits
        self._texts = texts
        self._prefixes: dict[str, str] = {}
        self._object: Object | None = None
        self._path: list[str] = []
        self._words: list[str] = []
        self._numbers: list[NDArray[Any]] = []
        self._points = self._faces = 0
        self._metadata: tuple[str, list[str]] | None = None
        self._parser: Any = None

    def use(self, parser: Any) -> None:
        """The parser to switch the reading of text on and off in: between two million vertices there is text too, all blanks."""
        self._parser = parser

    def namespace(self, prefix: str | None, address: str) -> None:
        """Remember what a prefix stands for."""
        self._prefixes[prefix or ""] = address

    def start(self, tag: str, attributes: list[str]) -> None:
        """An element begins."""
        path = self._path
        if tag == _VERTEX and path[-1] == _VERTICES:
            if attributes[::2] == ["x", "y", "z"]:
                self._words += attributes[1::2]
            else:
                self._words += self._wanted(attributes, ("x", "y", "z"))
            if len(self._words) >= _FLUSH:
                self._flush(np.float64)
        elif tag == _TRIANGLE and path[-1] == _TRIANGLES:
            if attributes[:6:2] == ["v1", "v2", "v3"]:
                self._words += attributes[1:6:2]
            else:
                self._words += self._wanted(attributes, ("v1", "v2", "v3"))
            if len(self._words) >= _FLUSH:
                self._flush(np.int64)
        else:
            self._other(tag, attributes)
        path.append(tag)

    def end(self, tag: str) -> None:
        """An element ends."""
        self._path.pop()
        if tag in (_VERTICES, _TRIANGLES) and self._path[-1:] == [_MESH] and self._object is not None:
            self._flush(np.float64 if tag == _VERTICES else np.int64)
            if tag == _VERTICES:
                self._object.vertices = np.concatenate([np.zeros(0), *self._numbers]).reshape(-1, 3)
            else:
                self._object.faces = np.concatenate([np.zeros(0, dtype=np.int64), *self._numbers]).reshape(-1, 3)
            self._numbers = []
        elif tag == _OBJECT and self._object is not None and self._path[-1:] == [_RESOURCES]:
            thing, self._object = self._object, None
            if thing.vertices is None and thing.faces is None and not thing.components:
                raise Fault(f"object {thing.number} is empty; it is damaged")
            if (thing.vertices is None) != (thing.faces is None):
                raise Fault(f"object {thing.number} has no points or no triangles; it is damaged")
            self.model.objects[thing.number] = thing
        elif tag == _METADATA and self._metadata is not None:
            name, pieces = self._metadata
            self._texts.add(f"3MF metadata {decoded(name, 60)}", "".join(pieces))
            self._metadata = self._parser.CharacterDataHandler = None

    def _text(self, words: str) -> None:
        if self._metadata is not None and len(self._metadata[1]) < 1000:
            self._metadata[1].append(words[:1000])

    def _other(self, tag: str, attributes: list[str]) -> None:
        path = self._path
        if len(path) > _DEEPEST:
            raise Fault("its elements are nested too deep; it is damaged")
        if not path:
            if tag != _MODEL:
                raise Fault("it does not hold a 3MF model; it is damaged or another kind of file")
            self._begin_model(_pairs(attributes))
        elif tag == _METADATA and path[-1] != _METADATA:
            self._metadata = (_pairs(attributes).get("name", ""), [])
            self._parser.CharacterDataHandler = self._text
        elif tag == _OBJECT and path == [_MODEL, _RESOURCES]:
            self._begin_object(_pairs(attributes))
        elif (tag == _MESH and path[-1] == _OBJECT) or (tag == _VERTICES and path[-1] == _MESH):
            self._once("vertices")
        elif tag == _TRIANGLES and path[-1] == _MESH:
            self._once("faces")
        elif tag == _COMPONENT and path[-1] == _COMPONENTS and self._object is not None:
            self._object.components.append(self._item(_pairs(attributes)))
        elif tag == _ITEM and path == [_MODEL, _BUILD]:
            self.model.build.append(self._item(_pairs(attributes)))
        elif tag.rpartition("}")[2] in _SHAPING:
            raise Fault(f"it holds a {tag.rpartition('}')[2]}, which is not read; export it as a plain mesh")
        elif tag in (_VERTEX, _TRIANGLE):
            raise Fault(f"a {tag.rpartition('}')[2]} stands where none belongs; it is damaged")

    def _begin_model(self, said: dict[str, str]) -> None:
        self.is_model = True
        self.model.unit_said = "unit" in said
        self.model.unit = said.get("unit", "millimeter")
        for prefix in said.get("requiredextensions", "").split():
            if self._prefixes.get(prefix, prefix) not in _KNOWN:
                name = shown(self._prefixes.get(prefix, prefix)[-40:])
                raise Fault(f"it needs the extension {name}, which is not read; export it as a plain mesh")

    def _begin_object(self, said: dict[str, str]) -> None:
        number, kind = _whole(said.get("id", ""), "an object's id"), said.get("type", "model")
        if kind not in _KINDS:
            raise Fault(f"{shown(kind)} is no type of object; it takes {', '.join(_KINDS)}")
        if number in self.model.objects:
            raise Fault(f"object {number} is there twice; it is damaged")
        for name in ("name", "partnumber"):
            if said.get(name):
                self._texts.add(f"3MF object {number} {name}", said[name])
        self._object = Object(number, kind, decoded(said.get("name", ""), 200))

    def _once(self, name: str) -> None:
        if self._object is None or getattr(self._object, name) is not None:
            raise Fault("a mesh stands where none belongs; it is damaged")

    def _item(self, said: dict[str, str]) -> Item:
        number = _whole(said.get("objectid", ""), "objectid")
        return Item(number, _transform(said.get("transform")), said.get(_PRODUCTION + "path", ""))

    def _wanted(self, attributes: list[str], names: tuple[str, ...]) -> list[str]:
        said = _pairs(attributes)
        if not all(name in said for name in names):
            raise Fault(f"{', '.join(names)} belong here; it is damaged")
        return [said[name] for name in names]

    def _flush(self, kind: type[np.float64] | type[np.int64]) -> None:
        words, self._words = self._words, []
        if not words:
            return
        found = parsed(",".join(words).encode(), kind)
        if found is None or len(found) != len(words):
            bad = next((w for w in words if not _NUMBER.fullmatch(w)), words[0])
            raise Fault(f"before this line: {shown(bad)} is not {'a number' if kind is np.float64 else 'a whole number'}; it is damaged")
        self._numbers.append(found)
        if kind is np.float64:
            self._points += len(words) // 3
        else:
            self._faces += len(words) // 3
        check_count(self._faces, self._points, self._limits)


_MODEL, _METADATA, _RESOURCES, _OBJECT, _MESH, _VERTICES, _VERTEX, _TRIANGLES, _TRIANGLE, _COMPONENTS, _COMPONENT, _BUILD, _ITEM = (
    _CORE + name
    for name in (
        "model", "metadata", "resources", "object", "mesh", "vertices", "vertex", "triangles", "triangle", "components", "component",
        "build", "item",
    )
)  # fmt: skip


def _whole(text: str, what: str) -> int:
    if not text.isascii() or not text.isdecimal() or len(text) > 10:
        raise Fault(f"{what} is {shown(text)}, and a whole number belongs there; it is damaged")
    return int(text)


def _transform(text: str | None) -> FloatArray:
    """Twelve numbers, for row vectors, rows of three (clause 3.3), as a (4, 4) for column vectors."""
    move = np.eye(4)
    if text is None:
        return move
    words = text.split()
    if len(words) != 12 or not all(_NUMBER.fullmatch(w) for w in words):
        raise Fault(f"transform is {shown(text)}, and twelve numbers belong there; it is damaged")
    rows = np.array([float(w) for w in words]).reshape(4, 3)
    move[:3, :3], move[:3, 3] = rows[:3].T, rows[3]
    return move
