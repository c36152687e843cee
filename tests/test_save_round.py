"""What is written is read back the same, by us and by others (trimesh; lib3mf, the 3MF Consortium's own reader)."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.load import read
from lint.save import SUFFIXES, encode, write_part
from lint.terms import BadInput, Part, Source
from tests.scans import SCANS

SCHEMA = SCANS.parent / "trade" / "schemas" / "3mf-core-1.4.0.lxml.xsd" if SCANS is not None else None
EXACT = (".obj", ".ply", ".off")


def part_of(vertices: np.ndarray, faces: np.ndarray, units: str | None = "mm") -> Part:
    return Part(np.array(vertices, dtype=np.float64), np.array(faces, dtype=np.int64), Source(Path("a.stl"), "STL", "", 0), units=units)


def troll() -> Part:
    """A ball with a hole through it, of coordinates that are no round numbers, away from the origin."""
    vertices, faces = solids.torus(31.7, 9.1, 48, 24)
    return part_of(vertices * 1.0123456789 + [100 / 3, 77.7, 9.3], faces)


def again(part: Part, suffix: str, folder: Path) -> Part:
    (folder / f"again{suffix}").write_bytes(encode(part, suffix))
    return read(folder / f"again{suffix}")


def corners(part: Part) -> np.ndarray:
    return part.vertices[part.faces]


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_same_faces_come_back(tmp_path: Path, suffix: str) -> None:
    part = troll()
    back = again(part, suffix, tmp_path)
    if suffix in (*EXACT, ".3mf"):
        assert np.array_equal(corners(back), corners(part))
    else:
        assert np.allclose(corners(back), corners(part), rtol=0, atol=1e-5)  # 32-bit floats of 140 mm: 8e-6 mm
    if suffix in EXACT:
        assert np.array_equal(back.vertices, part.vertices)
        assert np.array_equal(back.faces, part.faces)
    assert back.units == {".3mf": "mm", ".glb": "m"}.get(suffix)
    if suffix != ".glb":  # through metres and back, the last bit of a float may tip
        twice = again(back, suffix, tmp_path) if back.units else again(part_of(back.vertices, back.faces), suffix, tmp_path)
        assert np.array_equal(corners(twice), corners(back))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_points_that_were_one_stay_one(tmp_path: Path, suffix: str) -> None:
    part = troll()
    back = again(part_of(corners(part).reshape(-1, 3), np.arange(part.faces.size).reshape(-1, 3)), suffix, tmp_path)
    points = np.unique(corners(back).reshape(-1, 3), axis=0)
    assert len(points) == len(part.vertices)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_trimesh_reads_the_same(tmp_path: Path, suffix: str) -> None:
    import trimesh

    part = troll()
    write_part(part, tmp_path / f"a{suffix}")
    theirs = trimesh.load(tmp_path / f"a{suffix}", process=False)
    mesh = theirs.to_mesh() if isinstance(theirs, trimesh.Scene) else theirs
    found = np.asarray(mesh.vertices)[mesh.faces]
    if suffix == ".glb":
        found = np.stack((found[..., 0], -found[..., 2], found[..., 1]), axis=-1) * 1000
        assert theirs.units == "meters"
    if suffix == ".3mf":
        assert theirs.units == "millimeter"
    key = [tuple(np.round(np.sort(f.mean(axis=0)), 3)) for f in corners(part)]
    assert sorted(key) == sorted(tuple(np.round(np.sort(f.mean(axis=0)), 3)) for f in found) or np.allclose(found, corners(part), atol=1e-5)
    assert mesh.volume * (1e9 if suffix == ".glb" else 1) == pytest.approx(trimesh.Trimesh(part.vertices, part.faces).volume, rel=1e-5)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_same_part_gives_the_same_bytes(suffix: str, monkeypatch: pytest.MonkeyPatch) -> None:
    once = encode(troll(), suffix)
    monkeypatch.setattr("time.time", lambda: 2e9)
    monkeypatch.setattr("time.localtime", lambda *_: (2033, 5, 18, 3, 33, 20, 2, 138, 0))
    assert encode(troll(), suffix.upper()) == once


def test_a_binary_stl_says_mm_and_not_solid() -> None:
    data = encode(troll(), ".stl")
    assert data[:80].rstrip(b"\0") == b"buckwright, lengths in mm"
    assert len(data) == 84 + 50 * len(troll().faces)
    record = np.frombuffer(data, dtype="<f4", count=12, offset=84).astype(np.float64).reshape(4, 3)
    wanted = np.cross(record[2] - record[1], record[3] - record[1])
    assert np.allclose(record[0], wanted / np.linalg.norm(wanted), atol=1e-6)
    assert encode(part_of([[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 1, 2]]), ".stl")[84:96] == bytes(12)
    assert b"not known" in encode(part_of(troll().vertices, troll().faces, None), ".stl")[:80]


def test_what_cannot_be_written_is_refused(tmp_path: Path) -> None:
    part = troll()
    with pytest.raises(BadInput, match=r"\.step is not written; it takes \.3mf"):
        encode(part, ".step")
    with pytest.raises(BadInput, match=r"a\.tmp: \.tmp is not written"):
        write_part(part, tmp_path / "a.tmp")
    for suffix in SUFFIXES:
        with pytest.raises(BadInput, match="no faces"):
            encode(part_of(part.vertices, part.faces[:0]), suffix)
        with pytest.raises(BadInput, match="do not exist"):
            encode(part_of(part.vertices, part.faces + 1), suffix)
        with pytest.raises(BadInput, match="not finite"):
            encode(part_of(part.vertices * np.nan, part.faces), suffix)
    for suffix in (".3mf", ".glb"):
        with pytest.raises(BadInput, match="says its unit, and this part has none"):
            encode(part_of(part.vertices, part.faces, None), suffix)
    for suffix in (".stl", ".glb"):
        with pytest.raises(BadInput, match="too large"):
            encode(part_of(part.vertices * 1e300, part.faces), suffix)
    with pytest.raises(BadInput, match="four faces"):
        encode(part_of(part.vertices, part.faces[:3]), ".3mf")
    assert list(tmp_path.iterdir()) == []


# 3MF


def model_of(part: Part) -> bytes:
    with zipfile.ZipFile(io.BytesIO(encode(part, ".3mf"))) as package:
        return package.read("3D/3dmodel.model")


@pytest.mark.skipif(SCHEMA is None or not SCHEMA.is_file(), reason="the schema of 3MF Core 1.4.0 is absent")
def test_the_model_holds_to_the_schema_of_the_standard() -> None:
    from lxml import etree

    assert SCHEMA is not None
    schema = etree.XMLSchema(etree.parse(SCHEMA))
    tiny = part_of(troll().vertices * 1e-9, troll().faces)
    for part in (troll(), tiny):
        schema.assertValid(etree.fromstring(model_of(part)))
    with pytest.raises(etree.DocumentInvalid):
        schema.assertValid(etree.fromstring(model_of(troll()).replace(b' v2="', b' v9="', 1)))


def lib3mf_mesh(data: bytes):  # type: ignore[no-untyped-def]
    import lib3mf

    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(data)
    assert reader.GetWarningCount() == 0
    meshes = model.GetMeshObjects()
    assert meshes.MoveNext()
    mesh = meshes.GetCurrentMeshObject()
    assert not meshes.MoveNext()
    return model, mesh


def test_lib3mf_finds_a_sound_solid_sound_even_from_loose_faces() -> None:
    import lib3mf

    part = troll()
    loose = part_of(corners(part).reshape(-1, 3), np.arange(part.faces.size).reshape(-1, 3))
    for one in (part, loose):
        model, mesh = lib3mf_mesh(encode(one, ".3mf"))
        assert mesh.IsManifoldAndOriented()
        assert mesh.GetTriangleCount() == len(part.faces)
        assert mesh.GetVertexCount() == len(part.vertices)
        assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    open_part = part_of(part.vertices, part.faces[1:])
    assert not lib3mf_mesh(encode(open_part, ".3mf"))[1].IsManifoldAndOriented()


def test_two_solids_that_touch_along_an_edge_stay_sound() -> None:
    touching = part_of(*solids.joined(solids.box((10, 10, 10)), solids.box((10, 10, 10), (10, 10, 0))))
    _, mesh = lib3mf_mesh(encode(touching, ".3mf"))
    assert mesh.GetVertexCount() == 16
    assert mesh.IsManifoldAndOriented()


def test_faces_with_two_corners_on_one_point_are_left_out_and_nothing_opens() -> None:
    vertices, faces = solids.box((10, 10, 10))
    doubled = np.vstack((vertices, vertices[:1]))
    part = part_of(doubled, np.vstack((faces, [[0, 8, 1], [2, 2, 3]])))
    _, mesh = lib3mf_mesh(encode(part, ".3mf"))
    assert mesh.GetTriangleCount() == 12
    assert mesh.IsManifoldAndOriented()


def test_points_a_hair_apart_stay_apart(tmp_path: Path) -> None:
    vertices, faces = solids.box((1e-9, 1.0, 1.0), (100.0, 100.0, 100.0))
    assert len(np.unique(vertices[:, 0])) == 2
    for suffix in (".3mf", *EXACT):
        assert np.array_equal(corners(again(part_of(vertices, faces), suffix, tmp_path)), vertices[faces])


def test_minus_zero_is_written_as_zero() -> None:
    vertices, faces = solids.box((1, 1, 1))
    for suffix in (".obj", ".off"):
        assert b"-0" not in encode(part_of(np.where(vertices == 0, -0.0, vertices), faces), suffix)
    assert b"-0" not in model_of(part_of(np.where(vertices == 0, -0.0, vertices), faces))


def test_a_big_part_takes_seconds() -> None:
    import time

    vertices, faces = solids.ball(50.0, level=6)
    part = part_of(vertices, faces)
    for suffix in SUFFIXES:
        began = time.process_time()
        encode(part, suffix)
        assert time.process_time() - began < 5, suffix
