"""3MF Core: the build of a package, with its components and moves, as one mesh in the file's own unit.

From the 3MF Core Specification 1.4.0 (3MF Consortium): clause 2 (package), 3.3 (transforms), 3.4 (unit, build), 4 (objects),
and of the Production Extension the paths to objects in other parts of the package. A reader of our own: trimesh 5.2 reads what
is not of type "model", takes a document type declaration, raises on a wrong index, and of a chain of eleven doubled
components shows 146 copies where the file says 2,048 (all tried). XML is read by Python's expat a piece at a time; a document type
declaration ends the reading, so there are no entities to expand.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lint.load.package import Package
from lint.load.raw import Context, Fault, LoadLimits, Raw, Texts, check_count, decoded, joined, shown
from lint.load.threemf_xml import Item, Model, Object, read_model, read_relationships
from lint.terms import FloatArray, IntArray

_START = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_UNITS = {"micron": "micron", "millimeter": "mm", "centimeter": "cm", "inch": "in", "foot": "ft", "meter": "m"}
_MOST_MODELS = 1000


def parse(data: bytes, context: Context) -> Raw:
    """Read a 3MF file: every item of the build that is of type "model". Raises Fault for what breaks the package or the model."""
    package = Package(data, context.limits)
    root = _start_part(package)
    texts = Texts()
    models = {root.casefold(): read_model(package, root, context.limits, texts)}
    model = models[root.casefold()]
    if model.unit not in _UNITS:
        raise Fault(f'unit="{decoded(model.unit, 20)}" is no unit of 3MF; it takes {", ".join(_UNITS)}')
    plan = _Plan(package, models, root.casefold(), context.limits, texts)
    parts = [mesh for item in model.build for mesh in plan.build(item)]
    vertices, faces = joined(parts)
    furniture = ("[content_types].xml", ".rels", ".model")
    attachments = tuple(decoded(n, 200) for n in package.names if not n.casefold().endswith((*furniture, "/")))
    return Raw(
        "3MF", vertices, faces, units=_UNITS[model.unit], texts=tuple(texts.found), attachments=attachments,
        objects=tuple(dict.fromkeys(plan.names)),
    )  # fmt: skip


def _start_part(package: Package) -> str:
    targets = [target for kind, target in read_relationships(package, "_rels/.rels") if kind == _START]
    if len(targets) != 1:
        raise Fault(f"its package names {len(targets)} models to start from, and it takes one; export it again")
    return "/" + targets[0].lstrip("/")


@dataclass
class _Count:
    """What placing an object once would add: known before anything is placed."""

    faces: int = 0
    points: int = 0
    instances: int = 1
    depth: int = 1


@dataclass
class _Plan:
    """Objects of all model parts, counted first, then placed."""

    package: Package
    models: dict[str, Model]
    root: str
    limits: LoadLimits
    texts: Texts
    names: list[str] = field(default_factory=list)
    total: _Count = field(default_factory=lambda: _Count(instances=0))
    counts: dict[tuple[str, int], _Count] = field(default_factory=dict)

    def build(self, item: Item) -> list[tuple[FloatArray, IntArray]]:
        """The meshes of one item of the build, in place. Items that are not of type "model" are not printed and not shown."""
        key = self._key(item, self.root)
        if self._object(key).kind != "model":
            return []
        self._count(key)
        count = self.counts[key]
        self.total.faces += count.faces
        self.total.points += count.points
        self.total.instances += count.instances
        check_count(self.total.faces, self.total.points, self.limits)
        if self.total.instances > self.limits.max_instances:
            raise Fault(f"it places {self.total.instances:,} copies of objects; at most {self.limits.max_instances:,} are read")
        found: list[tuple[FloatArray, IntArray]] = []
        waiting = [(key, item.move)]
        while waiting:
            where, move = waiting.pop()
            thing = self._object(where)
            if thing.name and len(self.names) < 10_000:
                self.names.append(thing.name)
            if thing.faces is not None and thing.vertices is not None and thing.kind == "model":
                found.append(_placed(thing.vertices, thing.faces, move))
            with np.errstate(over="ignore", invalid="ignore"):
                waiting += [(self._key(c, where[0]), move @ c.move) for c in reversed(thing.components)]
        return found

    def _key(self, item: Item, home: str) -> tuple[str, int]:
        return (("/" + item.path.lstrip("/")).casefold() if item.path else home, item.object)

    def _object(self, key: tuple[str, int]) -> Object:
        path, number = key
        if path not in self.models:
            if len(self.models) >= _MOST_MODELS:
                raise Fault(f"it is spread over more than {_MOST_MODELS:,} models; export it as one")
            model = read_model(self.package, path, self.limits, self.texts)
            unit = self.models[self.root].unit
            if model.unit != unit and model.unit_said:
                raise Fault(f"{shown(path)} is in {decoded(model.unit, 20)}, the main model in {decoded(unit, 20)}; export it in one unit")
            self.models[path] = model
        found = self.models[path].objects.get(number)
        if found is None:
            raise Fault(f"object {number} is placed and is not there; it is damaged")
        return found

    def _count(self, key: tuple[str, int]) -> None:
        """Count an object and all it is made of, from the bottom up, without recursion. Raises Fault for a circle."""
        waiting: list[tuple[tuple[str, int], bool]] = [(key, False)]
        open_now: set[tuple[str, int]] = set()
        while waiting:
            here, ready = waiting.pop()
            if here in self.counts:
                continue
            thing = self._object(here)
            inner = [self._key(c, here[0]) for c in thing.components]
            if ready:
                open_now.discard(here)
                self.counts[here] = self._sum(thing, [self.counts[k] for k in inner])
                continue
            if here in open_now:
                raise Fault(f"object {here[1]} is a component of itself; it is damaged")
            open_now.add(here)
            waiting.append((here, True))
            for k in inner:
                if k in open_now:
                    raise Fault(f"object {here[1]} is a component of itself; it is damaged")
                waiting.append((k, False))

    def _sum(self, thing: Object, inner: list[_Count]) -> _Count:
        own_faces = 0 if thing.faces is None else len(thing.faces)
        own_points = 0 if thing.vertices is None else len(thing.vertices)
        depth = 1 + max((c.depth for c in inner), default=0)
        if depth > self.limits.max_depth:
            raise Fault(f"object {thing.number} is built more than {self.limits.max_depth} components deep; export it flat")
        return _Count(
            own_faces + sum(c.faces for c in inner), own_points + sum(c.points for c in inner), 1 + sum(c.instances for c in inner), depth
        )


def _placed(vertices: FloatArray, faces: IntArray, move: FloatArray) -> tuple[FloatArray, IntArray]:
    """A mesh moved. A mirroring move turns the winding, so that the volume keeps its sign (clause 3.3)."""
    if np.array_equal(move, np.eye(4)):
        return vertices, faces
    with np.errstate(over="ignore", invalid="ignore"):
        points = vertices @ move[:3, :3].T + move[:3, 3]
        mirrored = float(np.linalg.det(move[:3, :3])) < 0
    return points, faces[:, ::-1].copy() if mirrored else faces
