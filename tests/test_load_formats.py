"""What each reader makes of a good file: the file's own points, faces in its order, polygons cut, words kept."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import msgspec
import numpy as np
import pytest

from lint.load import SUFFIXES, read
from lint.terms import Part
from lint.ticket import Ticket
from tests import samples
from tests.samples import BLOCK, FACES, POINTS, volume


def read_as(folder: Path, name: str, data: bytes, **said: str) -> Part:
    (folder / name).write_bytes(data)
    return read(folder / name, **said)  # type: ignore[arg-type]


def test_every_suffix_of_the_design_is_read() -> None:
    assert set(SUFFIXES) == {".stl", ".obj", ".ply", ".glb", ".gltf", ".3mf", ".off"}


def test_suffixes_may_be_in_capitals(tmp_path: Path) -> None:
    assert len(read_as(tmp_path, "PART.STL", samples.binary_stl()).faces) == 4


TEXT_STL = samples.text_stl()


@pytest.mark.parametrize("data", [samples.binary_stl(), TEXT_STL, TEXT_STL.replace(b"\n", b"\r\n"), TEXT_STL.upper()])
def test_stl_keeps_three_points_a_face(tmp_path: Path, data: bytes) -> None:
    part = read_as(tmp_path, "part.stl", data)
    assert np.array_equal(part.vertices[part.faces], POINTS[FACES])
    assert len(part.vertices) == 12
    assert part.units is None
    assert np.array_equal(part.placement, np.eye(4))
    assert part.source.sha256 == hashlib.sha256(data).hexdigest()
    assert part.source.size == len(data)
    assert not part.vertices.flags.writeable


def test_stl_header_and_names_are_kept(tmp_path: Path) -> None:
    assert read_as(tmp_path, "a.stl", samples.binary_stl()).source.texts == (("STL header", "the tin king"),)
    assert read_as(tmp_path, "b.stl", samples.binary_stl(header=b" \0\0")).source.texts == ()
    two = samples.text_stl(name="left") + samples.text_stl(name="right")
    part = read_as(tmp_path, "c.stl", two)
    assert part.source.objects == ("left", "right")
    assert len(part.faces) == 8


def test_a_binary_stl_whose_header_says_solid_is_told_by_its_size(tmp_path: Path) -> None:
    assert read_as(tmp_path, "a.stl", samples.binary_stl(header=b"solid not text at all")).source.format == "binary STL"


def test_stl_attribute_and_normal_do_not_matter(tmp_path: Path) -> None:
    data = bytearray(samples.binary_stl())
    data[84:96] = struct.pack("<3f", float("nan"), 9, 9)
    data[132:134] = b"\xff\xff"
    assert np.array_equal(read_as(tmp_path, "a.stl", bytes(data)).vertices, read_as(tmp_path, "b.stl", samples.binary_stl()).vertices)


def test_obj_keeps_points_and_faces_in_order(tmp_path: Path) -> None:
    part = read_as(tmp_path, "part.obj", samples.OBJ)
    assert np.array_equal(part.vertices, BLOCK)
    assert part.faces[:4].tolist() == [[3, 2, 1], [3, 1, 0], [4, 5, 6], [4, 6, 7]]
    assert part.faces[6:8].tolist() == [[1, 2, 6], [1, 6, 5]]
    assert part.source.split_polygons == 6
    assert volume(part.vertices, part.faces) == pytest.approx(6000)
    assert part.source.objects == ("block", "top")
    assert [t for _, t in part.source.texts] == ["a block for the troll, from the gauge"]
    assert part.source.attachments == ("troll.mtl",)


def test_obj_material_file_gives_its_pictures_only_from_the_own_folder(tmp_path: Path) -> None:
    home = tmp_path / "shelf"
    home.mkdir()
    (home / "troll.mtl").write_text("newmtl skin\nmap_Kd -s 1 1 1 face_of_troll.jpg\nmap_bump pores.png\n")
    (tmp_path / "secret.mtl").write_text("map_Kd secret.png\n")
    assert read_as(home, "a.obj", samples.OBJ).source.attachments == ("troll.mtl", "face_of_troll.jpg", "pores.png")
    assert read_as(home, "b.obj", samples.OBJ.replace(b"troll.mtl", b"../secret.mtl")).source.attachments == ("../secret.mtl",)


def test_obj_negative_numbers_count_back_from_where_they_stand(tmp_path: Path) -> None:
    part = read_as(tmp_path, "a.obj", b"v 0 0 0\nv 1 0 0\nv 1 1 0\nf -3 -2 -1\nv 0 0 1\nf -3 -2 -1\nf -9 1 2\nf 0 1 2\n")
    assert part.faces.tolist() == [[0, 1, 2], [1, 2, 3], [-1, 0, 1], [-1, 0, 1]]


def test_obj_seams_part_no_points_and_unused_points_stay(tmp_path: Path) -> None:
    points = b"v 9 9 9\nv 0 0 0\nv 1 0 0\nv 1 1 0\nvt 0 0\nvt 1 1\n"
    part = read_as(tmp_path, "a.obj", points + b"f 2/1 3/1 4/1\nf 4/2 3/2 2/2\nf 2 2 3\nf 2 3 4\n")
    assert len(part.vertices) == 4
    assert part.faces.tolist() == [[1, 2, 3], [3, 2, 1], [1, 1, 2], [1, 2, 3]]


def test_obj_lines_may_go_on_and_end_in_any_way(tmp_path: Path) -> None:
    plain = b"v 0 0 0\nv 1 0 0\nv 1 1 0\nf 1 2 3\n"
    ends = (plain.replace(b"\n", b"\r\n"), plain.replace(b"\n", b"\r"), b"\xef\xbb\xbf" + plain, plain[:-1])
    for data in (*ends, plain.replace(b"1 2 3", b"1 \\\n2 3")):
        assert read_as(tmp_path, "a.obj", data).faces.tolist() == [[0, 1, 2]]


@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_ply_of_mixed_polygons(tmp_path: Path, order: str) -> None:
    part = read_as(tmp_path, "part.ply", samples.ply(order))
    assert np.array_equal(part.vertices, BLOCK)
    assert part.faces.tolist() == [
        [3, 2, 1], [3, 1, 0], [4, 5, 6], [4, 6, 7], [0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6], [3, 0, 4], [3, 4, 7],
    ]  # fmt: skip
    assert part.source.split_polygons == 5
    assert [t for _, t in part.source.texts] == ["scanned for the heron", "block 7", "TextureFile heron skin.png"]
    assert part.source.attachments == ("heron skin.png",)


@pytest.mark.parametrize("order", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_ply_of_equal_polygons_and_of_points_alone(tmp_path: Path, order: str) -> None:
    part = read_as(tmp_path, "a.ply", samples.ply(order, POINTS, FACES.tolist()))
    assert np.array_equal(part.vertices, POINTS)
    assert np.array_equal(part.faces, FACES)
    alone = read_as(tmp_path, "b.ply", samples.ply(order, POINTS, []))
    assert len(alone.vertices) == 4
    assert len(alone.faces) == 0


def test_off(tmp_path: Path) -> None:
    part = read_as(tmp_path, "part.off", samples.OFF)
    assert np.array_equal(part.vertices, BLOCK)
    assert volume(part.vertices, part.faces) == pytest.approx(6000)
    assert part.source.texts == (("OFF remark", "a block"),)
    one_line = read_as(tmp_path, "b.off", samples.OFF.replace(b"OFF\n# a block\n8", b"COFF 8"))
    assert np.array_equal(one_line.faces, part.faces)


def test_numbers_keep_every_bit(tmp_path: Path) -> None:
    dice = np.random.default_rng(7)
    points = dice.normal(size=(300, 3)) * 10.0 ** dice.integers(-8, 8, size=(300, 1))
    lines = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in points.tolist())
    assert np.array_equal(read_as(tmp_path, "a.obj", (lines + "f 1 2 3\n").encode()).vertices, points)


def test_text_longer_than_a_bite_is_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    dice = np.random.default_rng(3)
    points = np.round(dice.normal(size=(500, 3)), 3)
    faces = dice.integers(0, 500, size=(900, 3))
    obj = "".join(f"v {x} {y} {z}\n" for x, y, z in points.tolist())
    obj += "".join(f"f {a + 1} {b - 500} {c + 1}\n" for a, b, c in faces.tolist())
    stl, ply = samples.text_stl(points, faces), samples.ply("ascii", points, faces.tolist())
    for bite in (40, 997):
        monkeypatch.setattr("lint.load.words.BITE", bite)
        part = read_as(tmp_path, "a.obj", obj.encode())
        assert np.array_equal(part.vertices, points)
        assert np.array_equal(part.faces, faces)
        assert np.array_equal(read_as(tmp_path, "a.stl", stl).vertices, points[faces].reshape(-1, 3))
        assert np.array_equal(read_as(tmp_path, "a.ply", ply).faces, faces)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.stl", samples.binary_stl(POINTS * [[np.nan], [1], [1], [1]])),
        ("a.obj", samples.OBJ.replace(b"v 10 0 0", b"v nan 0 0")),
        ("a.ply", samples.ply("ascii").replace(b"200 10 0 0", b"200 inf 0 0")),
        ("a.off", samples.OFF.replace(b"10 0 0\n", b"-inf 0 0\n", 1)),
    ],
)
def test_what_is_not_finite_is_handed_on(tmp_path: Path, name: str, data: bytes) -> None:
    part = read_as(tmp_path, name, data)
    assert not np.isfinite(part.vertices).all()
    assert len(part.faces)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.obj", samples.OBJ.replace(b"f 4 3 2 1", b"f 4 3 2 99")),
        ("a.ply", samples.ply("binary_little_endian", POINTS, [[0, 1, 2], [1, 2, 77]])),
        ("a.ply", samples.ply("binary_big_endian", POINTS, [[0, 1, 2], [1, 2, -1, 3]])),
        ("a.off", samples.OFF.replace(b"4 3 2 1 0", b"4 3 2 1 8")),
        ("a.3mf", samples.threemf(samples.model_xml(samples.THREEMF_BODY.replace('v3="3"', 'v3="4"', 1)))),
    ],
)
def test_a_corner_that_does_not_exist_is_handed_on(tmp_path: Path, name: str, data: bytes) -> None:
    part = read_as(tmp_path, name, data)
    assert ((part.faces < 0) | (part.faces >= len(part.vertices))).any()


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.stl", samples.binary_stl(faces=FACES[:0])),
        ("a.stl", b"solid nothing\nendsolid nothing\n"),
        ("a.obj", b"v 0 0 0\n"),
        ("a.ply", samples.ply("ascii", POINTS[:0], [])),
        ("a.off", b"OFF\n0 0 0\n"),
        ("a.glb", samples.glb_of(b'{"asset":{"version":"2.0"}}', b"")),
        ("a.3mf", samples.threemf(samples.model_xml("<resources/><build/>"))),
    ],
)
def test_a_valid_file_of_no_faces_gives_a_part_of_no_faces(tmp_path: Path, name: str, data: bytes) -> None:
    assert read_as(tmp_path, name, data).faces.shape == (0, 3)


# Units


def in_units(units: str) -> Ticket:
    return msgspec.convert({"part": {"units": units}}, Ticket)


def test_who_says_the_unit(tmp_path: Path) -> None:
    (tmp_path / "a.stl").write_bytes(samples.binary_stl())
    (tmp_path / "a.3mf").write_bytes(samples.threemf())

    def told(name: str, ticket: Ticket | None = None, **said: str) -> tuple[str | None, str, float]:
        part = read(tmp_path / name, ticket, **said)  # type: ignore[arg-type]
        extent = part.vertices[part.faces.ravel()].max(axis=0) - part.vertices[part.faces.ravel()].min(axis=0)
        return part.units, part.units_from, float(extent[2])

    assert told("a.stl") == (None, "", 30.0)
    assert told("a.3mf") == ("cm", "the file", 300.0)
    assert told("a.stl", shop_units="in") == ("in", "shop.toml", 762.0)
    assert told("a.3mf", shop_units="mm") == ("cm", "the file", 300.0)  # a default loses to a file that speaks
    assert told("a.3mf", in_units("mm"), shop_units="m") == ("mm", "the ticket", 30.0)
    assert told("a.stl", in_units("m"), shop_units="in") == ("m", "the ticket", 30000.0)
    assert told("a.stl", in_units("m"), shop_units="in", units="mm") == ("mm", "--units", 30.0)


def test_placement_takes_the_files_numbers_to_mm(tmp_path: Path) -> None:
    part = read_as(tmp_path, "a.stl", samples.binary_stl(), units="in")
    assert np.array_equal(part.placement, np.diag([25.4, 25.4, 25.4, 1.0]))
    assert np.allclose(part.place_points(POINTS[FACES].reshape(-1, 3)), part.vertices, rtol=0, atol=1e-12)
    metres = read_as(tmp_path, "a.glb", samples.glb())
    assert metres.place_points([[1.0, 2.0, 3.0]]).tolist() == [[1000.0, -3000.0, 2000.0]]
