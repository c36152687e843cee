"""The scene of a glTF file: nodes with their moves, the meshes they show, and skins bent by their joints.

From the glTF 2.0 specification: node transforms (3.5.2), skins (3.7.3: the node's own transform is not applied to a skinned
mesh), primitive modes and winding under a mirrored node (3.7.2.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lint.load.raw import Fault, check_count, decoded, joined
from lint.terms import FloatArray, IntArray

if TYPE_CHECKING:
    from lint.load.gltf import Document

_TRIANGLES, _STRIP, _FAN = 4, 5, 6


@dataclass
class Primitive:
    """One piece of a mesh, before any move, with the joints and weights (k sets of four) that bend it."""

    points: FloatArray
    faces: IntArray
    joints: list[IntArray]
    weights: list[FloatArray]


def build(document: Document) -> tuple[FloatArray, IntArray, list[str]]:
    """All meshes the scene shows, in place, as one; and the names of meshes and nodes that show them."""
    shown = _shown(document)
    where_of = {node: move for node, move, _ in shown}
    known: dict[tuple[int, bytes], list[Primitive]] = {}
    bones_of: dict[int, FloatArray] = {}
    names: list[str] = []
    plan: list[tuple[int, list[Primitive], FloatArray | None]] = []
    faces = points = pieces = 0
    for node in where_of:
        entry = document.one("nodes", node)
        if "mesh" not in entry:
            continue
        mesh_number = document.whole(entry, "mesh", f"nodes[{node}]")
        mesh = document.one("meshes", mesh_number)
        weights = _morph_weights(document, entry, mesh, node)
        key = (mesh_number, weights.tobytes())
        if key not in known:
            entries = document.items(mesh, "primitives", f"meshes[{mesh_number}].primitives")
            known[key] = [p for k, e in enumerate(entries) for p in _primitive(document, mesh_number, k, e, weights)]
        faces += sum(len(p.faces) for p in known[key])
        points += sum(len(p.points) for p in known[key])
        pieces += len(known[key])
        check_count(faces, points, document.context.limits)
        if pieces > document.context.limits.max_instances:
            raise Fault(f"it places more than {document.context.limits.max_instances:,} pieces of meshes; export it as one mesh")
        names += [decoded(str(e["name"]), 200) for e in (mesh, entry) if isinstance(e.get("name"), str)]
        bones = None
        if "skin" in entry:
            skin = document.whole(entry, "skin", f"nodes[{node}]")
            bones = bones_of[skin] = bones_of[skin] if skin in bones_of else _bones(document, skin, where_of)
        plan.append((node, known[key], bones))
    # Only now, when all is counted and within bounds, is anything placed.
    parts = [
        _moved(p, where_of[node]) if bones is None or not p.joints else _bend(p, bones, node)
        for node, primitives, bones in plan
        for p in primitives
    ]
    return (*joined(parts), [n for n in names if n])


def _shown(document: Document) -> list[tuple[int, FloatArray, int]]:
    """(node, its move to the scene (4, 4), depth) of every node shown, parents first. Raises Fault for a node shown twice."""
    nodes = document.items(document.root, "nodes", "nodes")
    scenes = document.items(document.root, "scenes", "scenes")
    if scenes:
        number = document.whole(document.root, "scene", "glTF", 0)
        roots = document.items(document.one("scenes", number), "nodes", f"scenes[{number}].nodes")
    else:
        below = [c for k in range(len(nodes)) for c in document.items(document.one("nodes", k), "children", f"nodes[{k}].children")]
        children = {c for c in below if isinstance(c, int)}
        roots = [k for k in range(len(nodes)) if k not in children]
    found: list[tuple[int, FloatArray, int]] = []
    seen: set[int] = set()
    waiting: list[tuple[Any, FloatArray, int]] = [(r, np.eye(4), 1) for r in reversed(roots)]
    while waiting:
        node, above, depth = waiting.pop()
        entry = document.one("nodes", node)
        if node in seen:
            raise Fault(f"nodes[{node}] hangs in two places or in a circle; it is damaged")
        if depth > document.context.limits.max_depth:
            raise Fault(f"nodes[{node}] hangs more than {document.context.limits.max_depth} deep; export it flat")
        seen.add(node)
        with np.errstate(over="ignore", invalid="ignore"):
            move = above @ _local(document, entry, node)
        found.append((node, move, depth))
        waiting += [(c, move, depth + 1) for c in reversed(document.items(entry, "children", f"nodes[{node}].children"))]
    return found


def _local(document: Document, entry: dict[str, Any], node: int) -> FloatArray:
    where = f"nodes[{node}]"
    matrix = document.numbers(entry, "matrix", where, 16)
    if matrix is not None:
        return matrix.reshape(4, 4).T
    local = np.eye(4)
    turn = document.numbers(entry, "rotation", where, 4)
    if turn is not None:
        length = float(np.linalg.norm(turn))
        if not 0.5 < length < 2:
            raise Fault(f"{where}.rotation is no turn (four numbers of length one); it is damaged")
        local[:3, :3] = _rotation(turn / length)
    scale = document.numbers(entry, "scale", where, 3)
    if scale is not None:
        local[:3, :3] *= scale
    shift = document.numbers(entry, "translation", where, 3)
    if shift is not None:
        local[:3, 3] = shift
    return local


def _rotation(q: FloatArray) -> FloatArray:
    x, y, z, w = q
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def _morph_weights(document: Document, node: dict[str, Any], mesh: dict[str, Any], number: int) -> FloatArray:
    for owner, where in ((node, f"nodes[{number}]"), (mesh, "meshes")):
        found = document.numbers(owner, "weights", where, None)
        if found is not None:
            return found
    return np.zeros(0)


def _primitive(document: Document, mesh: int, number: int, entry: object, weights: FloatArray) -> list[Primitive]:
    where = f"meshes[{mesh}].primitives[{number}]"
    if not isinstance(entry, dict):
        raise Fault(f"{where} is not what it should be; it is damaged")
    if "KHR_draco_mesh_compression" in (entry.get("extensions") or {}):
        raise Fault(f"{where} is compressed (draco), which is not read; export it without compression")
    mode = document.whole(entry, "mode", where, _TRIANGLES)
    if mode > _FAN:
        raise Fault(f"{where}.mode: {mode} is no way to draw; it is damaged")
    attributes = entry.get("attributes")
    if mode < _TRIANGLES or not isinstance(attributes, dict) or "POSITION" not in attributes:
        return []  # points and lines are no skin
    points = _floats(document, attributes["POSITION"], "VEC3", where)
    if weights.any():
        points = points + _morphed(document, entry, weights, len(points), where)
    if "indices" in entry:
        table = document.accessor(entry["indices"], "SCALAR", where)
        if table.dtype.kind != "u":
            raise Fault(f"{where}.indices are not whole numbers; it is damaged")
        index = table[:, 0].astype(np.int64)
    else:
        index = np.arange(len(points), dtype=np.int64)
    joints: list[IntArray] = []
    bends: list[FloatArray] = []
    while f"JOINTS_{len(joints)}" in attributes and f"WEIGHTS_{len(joints)}" in attributes:
        k = len(joints)
        joints.append(document.accessor(attributes[f"JOINTS_{k}"], "VEC4", where).astype(np.int64))
        bends.append(_floats(document, attributes[f"WEIGHTS_{k}"], "VEC4", where))
        if len(joints[k]) != len(points) or len(bends[k]) != len(points):
            raise Fault(f"{where}: joints and weights are not as many as the points; it is damaged")
    return [Primitive(points, _faces(index, mode, where), joints, bends)]


def _floats(document: Document, index: object, shape: str, where: str) -> FloatArray:
    with np.errstate(invalid="ignore"):
        return document.accessor(index, shape, where).astype(np.float64)


def _morphed(document: Document, entry: dict[str, Any], weights: FloatArray, count: int, where: str) -> FloatArray:
    total: FloatArray = np.zeros((count, 3))
    targets = document.items(entry, "targets", f"{where}.targets")
    for weight, target in zip(weights, targets, strict=False):
        if weight and isinstance(target, dict) and "POSITION" in target:
            shift = _floats(document, target["POSITION"], "VEC3", where)
            if len(shift) != count:
                raise Fault(f"{where}: its targets have not as many points as it has; it is damaged")
            total += weight * shift
    return total


def _faces(index: IntArray, mode: int, where: str) -> IntArray:
    if mode == _TRIANGLES:
        if len(index) % 3:
            raise Fault(f"{where} has {len(index):,} corners, which do not make whole triangles; it is cut off or damaged")
        return index.reshape(-1, 3)
    if len(index) < 3:
        return np.zeros((0, 3), dtype=np.int64)
    if mode == _FAN:
        return np.stack((index[1:-1], index[2:], np.broadcast_to(index[0], len(index) - 2)), axis=1)
    odd = np.arange(len(index) - 2) % 2
    at = np.arange(len(index) - 2)
    return np.stack((index[at], index[at + 1 + odd], index[at + 2 - odd]), axis=1)


def _moved(primitive: Primitive, move: FloatArray) -> tuple[FloatArray, IntArray]:
    with np.errstate(over="ignore", invalid="ignore"):
        points = primitive.points @ move[:3, :3].T + move[:3, 3]
        mirrored = float(np.linalg.det(move[:3, :3])) < 0
    return points, primitive.faces[:, ::-1].copy() if mirrored else primitive.faces


def _bones(document: Document, skin_number: int, where_of: dict[int, FloatArray]) -> FloatArray:
    """The move of each joint of a skin, (j, 4, 4): joint in the scene after the inverse of where it was bound."""
    skin = document.one("skins", skin_number)
    joints = document.items(skin, "joints", f"skins[{skin_number}].joints")
    if not joints or any(not isinstance(j, int) or j not in where_of for j in joints):
        raise Fault(f"skins[{skin_number}] names a joint that the scene does not show; it is damaged")
    moves = np.stack([where_of[j] for j in joints])
    if "inverseBindMatrices" in skin:
        bound = _floats(document, skin["inverseBindMatrices"], "MAT4", f"skins[{skin_number}]")
        if len(bound) < len(joints):
            raise Fault(f"skins[{skin_number}] has fewer matrices than joints; it is damaged")
        with np.errstate(over="ignore", invalid="ignore"):
            moves = moves @ bound[: len(joints)].reshape(-1, 4, 4).transpose(0, 2, 1)
    return moves


def _bend(primitive: Primitive, bones: FloatArray, node: int) -> tuple[FloatArray, IntArray]:
    joints, weights = np.hstack(primitive.joints), np.hstack(primitive.weights)
    used = weights != 0
    if (joints[used] >= len(bones)).any():
        raise Fault(f"nodes[{node}]: a point hangs on a joint that its skin does not have; it is damaged")
    joints = np.where(used, joints, 0)
    bent = np.zeros_like(primitive.points)
    with np.errstate(all="ignore"):
        total = weights.sum(axis=1)
        weights = weights / np.where(total == 0, 1.0, total)[:, None]
        for k in range(joints.shape[1]):
            move = bones[joints[:, k]]
            bent += weights[:, k, None] * (np.einsum("nij,nj->ni", move[:, :3, :3], primitive.points) + move[:, :3, 3])
        first = joints[0, 0] if len(joints) else 0
        mirrored = float(np.linalg.det(bones[first, :3, :3])) < 0
    return bent, primitive.faces[:, ::-1].copy() if mirrored else primitive.faces
