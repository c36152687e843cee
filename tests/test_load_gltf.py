"""glTF: the scene is stood up and put in place, buffers come from nowhere but the part's folder, the rest is refused."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lint.load import read
from lint.terms import BadInput, Part
from tests import samples
from tests.samples import FACES, POINTS, volume
from tests.scans import needs_scans, scan

Document = dict[str, Any]
TURN = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])


def part_of(folder: Path, change: Callable[[Document], object] = lambda d: None, *, buffer: bytes | None = None) -> Part:
    document, binary = samples.gltf_parts()
    change(document)
    (folder / "a.glb").write_bytes(samples.glb_of(json.dumps(document).encode(), binary if buffer is None else buffer))
    return read(folder / "a.glb")


def only(document: Document, *nodes: Document) -> None:
    """Replace the scene's nodes."""
    document["nodes"] = list(nodes)
    document["scenes"] = [{"nodes": [0]}]


def test_moves_mirrors_joints_metres_and_up(tmp_path: Path) -> None:
    part = part_of(tmp_path)
    turned = np.array([[0, -1, 0], [1, 0, 0], [0, 0, 1.0]])  # a quarter turn about z, as the rotation says
    first = (POINTS @ turned.T + [1, 2, 3]) * [-1, 1, 1]
    # Bound at +5; the joint doubles and hangs at -1000 under a node at +1000.
    second = np.add(POINTS, [-5, 0, 0]) * 2
    assert np.allclose(part.vertices, np.vstack((first, second)) @ TURN.T * 1000, atol=1e-3)
    assert part.faces.tolist() == [*FACES[:, ::-1].tolist(), *(FACES + 4).tolist()]
    assert volume(part.vertices, part.faces) == pytest.approx(1e12 * (1 + 8), rel=1e-6)
    assert (part.units, part.units_from) == ("m", "the file (glTF is in metres)")
    assert np.array_equal(part.placement[:3, :3], TURN * 1000)
    assert set(part.source.objects) == {"troll", "tetra", "bent"}
    said = dict(part.source.texts)
    assert said["asset.copyright"] == "the theatre"
    assert said["extras.seen by"] == "the tin king"
    assert said["nodes[3].name"] == "bone"
    assert part.source.attachments == ("face of the troll.jpg",)


def test_glb_and_inline_and_separate_buffer_agree(tmp_path: Path) -> None:
    document, binary = samples.gltf_parts()
    (tmp_path / "in.gltf").write_bytes(samples.gltf_inline())
    document["buffers"][0]["uri"] = "the%20data.bin"
    (tmp_path / "the data.bin").write_bytes(binary)
    (tmp_path / "out.gltf").write_text(json.dumps(document))
    wanted = part_of(tmp_path)
    for name in ("in.gltf", "out.gltf"):
        part = read(tmp_path / name)
        assert np.array_equal(part.vertices, wanted.vertices)
        assert np.array_equal(part.faces, wanted.faces)


OUTSIDE = [
    "../up.bin", "/etc/passwd", "file:///etc/passwd", "http://example.org/a.bin", "%2e%2e/up.bin", "link.bin", "C:\\a", "..\\up.bin",
]  # fmt: skip


@pytest.mark.parametrize("address", OUTSIDE)
def test_a_buffer_outside_the_folder_is_never_opened(tmp_path: Path, address: str) -> None:
    home = tmp_path / "home"
    home.mkdir()
    document, binary = samples.gltf_parts()
    (tmp_path / "up.bin").write_bytes(binary)
    (home / "link.bin").symlink_to(tmp_path / "up.bin")
    document["buffers"][0]["uri"] = address
    (home / "a.gltf").write_text(json.dumps(document))
    with pytest.raises(BadInput, match="own folder"):
        read(home / "a.gltf")


@pytest.mark.parametrize(
    ("mode", "corners", "faces"),
    [
        (4, [0, 1, 2, 2, 1, 3], [[0, 1, 2], [2, 1, 3]]),
        (5, [0, 1, 2, 3, 0], [[0, 1, 2], [1, 3, 2], [2, 3, 0]]),
        (6, [0, 1, 2, 3], [[1, 2, 0], [2, 3, 0]]),
        (1, [0, 1], []),
        (4, [0, 1, 9], [[0, 1, 9]]),
    ],
)
def test_ways_to_draw(tmp_path: Path, mode: int, corners: list[int], faces: list[list[int]]) -> None:
    data = POINTS.astype("<f4").tobytes() + np.array(corners, dtype="<u1").tobytes()

    def change(document: Document) -> None:
        only(document, {"mesh": 0})
        document["meshes"] = [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "mode": mode}]}]
        document["accessors"][1] = {"bufferView": 1, "componentType": 5121, "count": len(corners), "type": "SCALAR"}
        document["bufferViews"] = [{"buffer": 0, "byteLength": 48}, {"buffer": 0, "byteOffset": 48, "byteLength": len(corners)}]
        document["buffers"] = [{"byteLength": len(data)}]

    part = part_of(tmp_path, change, buffer=data)
    assert part.faces.tolist() == faces


def test_a_wrong_corner_does_not_reach_into_the_next_mesh(tmp_path: Path) -> None:
    _, binary = samples.gltf_parts()
    broken = bytearray(binary)
    broken[48:50] = (4).to_bytes(2, "little")
    part = part_of(tmp_path, buffer=bytes(broken))
    assert part.faces[0].max() == len(part.vertices)


def test_stride_quantised_points_and_morphs(tmp_path: Path) -> None:
    base = np.zeros((4, 4), dtype="<i2")
    base[:, :3] = (POINTS / 30 * 32767).round()
    shift = np.ones((4, 3), dtype="<f4")
    data = base.tobytes() + FACES.astype("<u4").tobytes() + shift.tobytes()

    def change(document: Document) -> None:
        only(document, {"mesh": 0, "weights": [0.5], "scale": [30, 30, 30]})
        document["extensionsRequired"] = ["KHR_mesh_quantization"]
        document["meshes"] = [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "targets": [{"POSITION": 2}]}]}]
        document["accessors"] = [
            {"bufferView": 0, "componentType": 5122, "normalized": True, "count": 4, "type": "VEC3"},
            {"bufferView": 1, "componentType": 5125, "count": 12, "type": "SCALAR"},
            {"bufferView": 1, "byteOffset": 48, "componentType": 5126, "count": 4, "type": "VEC3"},
        ]
        document["bufferViews"] = [{"buffer": 0, "byteLength": 32, "byteStride": 8}, {"buffer": 0, "byteOffset": 32, "byteLength": 96}]
        document["buffers"] = [{"byteLength": len(data)}]

    part = part_of(tmp_path, change, buffer=data)
    assert np.allclose(part.vertices, (POINTS + 15) @ TURN.T * 1000, atol=1.0)


def test_with_no_scene_every_root_is_shown(tmp_path: Path) -> None:
    def change(document: Document) -> None:
        del document["scenes"], document["scene"]

    assert len(part_of(tmp_path, change).faces) == 8


def sparse(d: Document) -> None:
    d["accessors"][0]["sparse"] = {"count": 1}


def draco(d: Document) -> None:
    d["meshes"][0]["primitives"][0]["extensions"] = {"KHR_draco_mesh_compression": {"bufferView": 0}}


def circle(d: Document) -> None:
    d["nodes"][1]["children"] = [0]


def twice(d: Document) -> None:
    d["nodes"][2]["children"] = [3, 1]


def deep(d: Document) -> None:
    only(d, *({"children": [k + 1]} for k in range(400)), {"mesh": 0})


def many(d: Document) -> None:
    only(d, {"children": list(range(1, 6_000))}, *({"mesh": 0} for _ in range(6_000)))
    d["meshes"][0]["primitives"] *= 1000


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (sparse, "sparse"),
        (draco, "draco"),
        (lambda d: d.update(extensionsRequired=["EXT_meshopt_compression"]), "EXT_meshopt_compression"),
        (lambda d: d.update(extensionsRequired=["VENDOR_something"]), "VENDOR_something"),
        (circle, "circle"),
        (twice, "two places"),
        (deep, "deep"),
        (many, "pieces"),
        (lambda d: d["asset"].update(version="1.0"), "version"),
        (lambda d: d["accessors"][0].update(count=5), "past the end"),
        (lambda d: d["accessors"][0].update(count=1 << 52), "past the end"),
        (lambda d: d["accessors"][0].update(count=-1), "whole number"),
        (lambda d: d["accessors"][0].update(type="VEC2"), "VEC3"),
        (lambda d: d["accessors"][1].update(componentType=5126, count=3), "whole numbers"),
        (lambda d: d["accessors"][1].update(count=11), "whole triangles"),
        (lambda d: d["bufferViews"][0].update(byteStride=2), "past the end"),
        (lambda d: d["bufferViews"][0].update(buffer=1), "buffers"),
        (lambda d: d["buffers"][0].update(byteLength=10**9), "cut off"),
        (lambda d: d["nodes"][0].update(scale=[1, 1]), "scale"),
        (lambda d: d["nodes"][0].update(scale=[1, 1, 10**400]), "finite"),
        (lambda d: d["nodes"][1].update(rotation=[0, 0, 0, 0]), "rotation"),
        (lambda d: d["nodes"][1].update(mesh=7), "meshes"),
        (lambda d: d["skins"][0].update(joints=[99]), "joint"),
        (lambda d: d.update(nodes=5), "list"),
    ],
)
def test_what_is_not_read_is_refused(tmp_path: Path, change: Callable[[Document], object], words: str) -> None:
    with pytest.raises(BadInput, match=words):
        part_of(tmp_path, change)


@pytest.mark.parametrize(
    "data",
    [
        b"{" * 100_000,
        b'{"asset":{"version":"2.0"},"nodes":' + b"[" * 100_000,
        b'{"asset":{"version":"2.0"},"a":NaN}',
        b'{"asset":{"version":"2.0"},"a":' + b"9" * 10_000 + b"}",
        b"[1]",
        b"\xff\xfe{",
        b"glTF",
    ],
)
def test_json_that_is_none(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a.gltf").write_bytes(data)
    with pytest.raises(BadInput):
        read(tmp_path / "a.gltf")


def test_broken_base64(tmp_path: Path) -> None:
    document, binary = samples.gltf_parts()
    document["buffers"][0]["uri"] = "data:;base64," + base64.b64encode(binary).decode()[:-3] + "*"
    (tmp_path / "a.gltf").write_text(json.dumps(document))
    with pytest.raises(BadInput, match="data: address"):
        read(tmp_path / "a.gltf")


@needs_scans
def test_a_real_rigged_hand_is_where_its_bones_hold_it() -> None:
    """Bound and shown in the same pose, so bending by the joints must give the stored points back (trimesh as the outside check)."""
    import trimesh

    path = scan("hand_rigged_left.glb")
    part = read(path)
    theirs = trimesh.load(path, process=False).to_mesh()
    assert part.faces.shape == theirs.faces.shape
    assert np.abs(part.vertices - theirs.vertices @ TURN.T * 1000).max() < 0.01
