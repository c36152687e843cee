"""Files that cannot be read: each is told in one line with the file, the place and what to do, and in no time."""

from __future__ import annotations

import os
import socket
import struct
import time
from pathlib import Path

import pytest

from lint.load import SUFFIXES, LoadLimits, read
from lint.terms import BadInput
from tests import fuzz, samples
from tests.samples import FACES, OBJ, OFF, POINTS, binary_stl, ply, text_stl


def refused(path: Path, limits: LoadLimits | None = None) -> str:
    """The one line said of a file that is refused."""
    began = time.perf_counter()
    with pytest.raises(BadInput) as caught:
        read(path, limits=limits) if limits else read(path)
    assert time.perf_counter() - began < 5
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith(f"{path}: "), text
    assert text.isprintable()
    assert not text.endswith(".")
    return text.removeprefix(f"{path}: ")


BAD = [
    ("a.stl", binary_stl()[:-1], "byte 80: it counts 4 faces, but its 283 bytes hold 3"),
    ("a.stl", binary_stl() + b"x", "byte 80"),
    ("a.stl", binary_stl()[:80] + struct.pack("<I", 0xFFFFFFFF) + binary_stl()[84:], "4,294,967,295 faces"),
    ("a.stl", b"\x89PNG\r\n", "too short"),
    ("a.stl", b"x" * 1000, "cut off or damaged"),
    ("a.stl", binary_stl(header=b"solid")[:-20], "byte 80"),
    ("a.stl", text_stl()[:300], "line"),
    ("a.stl", text_stl()[: text_stl().rindex(b"endsolid")], "stops before 'endsolid'"),
    ("a.stl", text_stl().replace(b"outer loop\n", b"", 1), "line 3: here stands 'vertex' where 'outer' belongs"),
    ("a.stl", text_stl().replace(b"vertex 0 0 0\n", b"vertex 0 0\n", 1), "line 4: a vertex takes three numbers"),
    ("a.stl", text_stl().replace(b"vertex 0 0 0\n", b"vertex 0 zero 0\n", 1), 'line 4: "zero" is not a number'),
    ("a.stl", text_stl().replace(b"vertex 0 0 0\n", b"vertex 0 1,5 0\n", 1), 'line 4: "1,5" is not a number'),
    ("a.stl", text_stl().replace(b"endfacet", b"endfacets", 1), "does not belong in an STL"),
    ("a.stl", text_stl().replace(b"solid heron beak\n", b"solid\nsolid\n", 1), "line 2: 'solid' is out of place"),
    ("a.stl", text_stl() + text_stl()[17:-20], "line"),
    ("a.stl", text_stl().decode().encode("utf-16"), "UTF-16"),
    ("a.stl", b"\xef\xbb\xbf", "no word"),
    ("a.stl", b"solid and then a love letter\nwith no mesh in it\n", "line 2"),
    ("a.obj", b"dear sculptor,\n", 'line 1: "dear" is no word of an OBJ'),
    ("a.obj", OBJ.replace(b"v 10 0 0", b"v 10 0"), "line 5: a point (v) takes three numbers"),
    ("a.obj", OBJ.replace(b"v 10 0 0", b"v 10 0 0.0.1"), 'line 5: "0.0.1" is not a number'),
    ("a.obj", OBJ.replace(b"f 4 3 2 1", b"f 4 3"), "line 18: a face (f) takes three corners"),
    ("a.obj", OBJ.replace(b"f 4 3 2 1", b"f 4 3 2.5 1"), 'line 18: "2.5" is not a whole number'),
    ("a.obj", OBJ.replace(b"f 4 3 2 1", b"f 4 3 /2 1"), "line 18"),
    ("a.obj", OBJ + b"cstype bezier\n", "curved surfaces"),
    ("a.obj", OBJ.replace(b"v 10 20 0", b"w 10 20 0"), 'line 6: "w" is no word'),
    ("a.obj", b"# only words\n", "no point"),
    ("a.ply", b"plywood\n", 'does not begin with "ply"'),
    ("a.ply", b"ply\nformat ascii 1.0\nelement vertex 3\n", "header ends"),
    ("a.ply", b"ply\nformat packed 1.0\nend_header\n", "no format of PLY"),
    ("a.ply", b"ply\nelement vertex 0\nend_header\n", "text or binary"),
    ("a.ply", b"ply\nformat ascii 1.0\nend_header\n", '"vertex"'),
    ("a.ply", ply("ascii").replace(b"element vertex 8", b"element vertex -8"), "line 6"),
    ("a.ply", ply("ascii").replace(b"element vertex 8", b"element vertex 7"), "line"),
    ("a.ply", ply("ascii").replace(b"element face 7", b"element face 6"), "line"),
    ("a.ply", ply("ascii").replace(b"element face 7", b"element face 99999999999"), "more than its"),
    ("a.ply", ply("ascii").replace(b"element face 7", b"element face 9"), "line"),
    ("a.ply", ply("ascii") + b"1 2 3\n", "line"),
    ("a.ply", ply("ascii").replace(b"property double y", b"property double w"), "lacks x, y or z"),
    ("a.ply", ply("ascii").replace(b"vertex_indices", b"corners"), "vertex_indices"),
    ("a.ply", ply("ascii").replace(b"\n4 3 2 1 0 3", b"\n2 3 2 3"), "line 26: a face takes"),
    ("a.ply", ply("ascii").replace(b"\n4 3 2 1 0 3", b"\n4 3 2 1 0"), "line 26"),
    ("a.ply", ply("binary_little_endian")[:-40], "cut off"),
    ("a.ply", ply("binary_little_endian", POINTS, FACES.tolist())[:-20], "cut off"),
    ("a.ply", ply("binary_big_endian") + b"more", "left over"),
    ("a.ply", ply("binary_big_endian").replace(b"element face 7", b"element face 6"), "left over"),
    ("a.ply", ply("binary_little_endian").replace(b"element vertex 8", b"element vertex 4000000000"), "more than its"),
    ("a.ply", ply("binary_little_endian", POINTS, [[0, 1]]), "face 1 has 2 corners"),
    ("a.off", b"ON\n3 1 0\n", "begins with OFF"),
    ("a.off", b"OFF BINARY\n\0\0\0", "binary OFF"),
    ("a.off", OFF.replace(b"8 6 12", b"8 7 12"), "counts 7 faces but ends after 6"),
    ("a.off", OFF.replace(b"8 6 12", b"8 5 12"), "after the last face"),
    ("a.off", OFF.replace(b"8 6 12", b"9 6 12"), "ends after 5"),
    ("a.off", OFF.replace(b"8 6 12", b"8 999999999999 12"), "more than its"),
    ("a.off", OFF.replace(b"8 6 12", b"-8 6 12"), "negative"),
    ("a.off", OFF.replace(b"8 6 12", b"8"), "number of points and the number of faces"),
    ("a.off", OFF.replace(b"4 3 2 1 0", b"9 3 2 1 0"), "line 13: a face says it has 9 corners"),
    ("a.glb", samples.glb()[:-4], "cut off"),
    ("a.glb", samples.glb()[:10], "too short"),
    ("a.glb", b"glTF" + struct.pack("<I", 1) + samples.glb()[8:], "version 1"),
    ("a.glb", samples.glb()[:12] + struct.pack("<I", 0xFFFFFFF0) + samples.glb()[16:], "past the end"),
    ("a.gltf", b"{}", "version"),
    ("a.gltf", b"hello", "JSON is broken"),
    ("a.3mf", b"PK\x03\x04" + b"\0" * 100, "not a whole zip"),
    ("a.3mf", samples.threemf()[:-30], "not a whole zip"),
    *((f"empty{s}", b"", "it is empty") for s in SUFFIXES),
    *((f"pointer{s}", b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 5\n", "large-file pointer") for s in SUFFIXES),
    ("a.step", b"x", ".step is not read; it takes .stl"),
    ("part", b"x", "without a suffix"),
]


@pytest.mark.parametrize(("name", "data", "words"), BAD, ids=[f"{k}-{n}" for k, (n, _, _) in enumerate(BAD)])
def test_what_is_said_of_a_bad_file(tmp_path: Path, name: str, data: bytes, words: str) -> None:
    (tmp_path / name).write_bytes(data)
    assert words in refused(tmp_path / name)


def test_what_is_not_an_ordinary_file(tmp_path: Path) -> None:
    assert "there is no such file" in refused(tmp_path / "absent.stl")
    (tmp_path / "folder.stl").mkdir()
    assert "it is a folder" in refused(tmp_path / "folder.stl")
    os.mkfifo(tmp_path / "pipe.stl")
    assert "pipe or a device" in refused(tmp_path / "pipe.stl")
    (tmp_path / "device.stl").symlink_to("/dev/zero")
    assert "pipe or a device" in refused(tmp_path / "device.stl")
    (tmp_path / "round.stl").symlink_to("round.stl")
    assert "cannot be read" in refused(tmp_path / "round.stl")
    (tmp_path / "lost.stl").symlink_to("nowhere.stl")
    assert "there is no such file" in refused(tmp_path / "lost.stl")
    with pytest.raises(BadInput, match="cannot be read"):
        read(Path("a\0b.stl"))
    with pytest.raises(BadInput, match="cannot be read"):
        read(tmp_path / ("long" * 100 + ".stl"))


def test_a_socket_is_not_a_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("socket.stl")
        assert "pipe or a device" in refused(Path("socket.stl"))


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_what_may_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "a.stl").write_bytes(binary_stl())
    (tmp_path / "a.stl").chmod(0)
    assert "may not be read" in refused(tmp_path / "a.stl")


def test_a_refusal_by_the_system_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.stl").write_bytes(binary_stl())

    def forbidden(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("lint.load.doors.os.open", forbidden)
    assert "may not be read" in refused(tmp_path / "a.stl")


def test_a_name_that_cannot_be_printed_is_escaped(tmp_path: Path) -> None:
    path = tmp_path / "no\nse\x1b[31m.stl"
    path.write_bytes(b"x")
    with pytest.raises(BadInput) as caught:
        read(path)
    assert str(caught.value).isprintable()
    assert "no\\nse\\x1b[31m.stl" in str(caught.value)


def test_a_unit_nobody_knows(tmp_path: Path) -> None:
    (tmp_path / "a.stl").write_bytes(binary_stl())
    with pytest.raises(BadInput, match="--units says its unit is 'ell'"):
        read(tmp_path / "a.stl", units="ell")


def test_limits(tmp_path: Path) -> None:
    for name, data in samples.every_sample().items():
        if name.endswith(".toml"):
            continue
        path = tmp_path / Path(name).name
        path.write_bytes(data)
        assert "at most 3 are read" in refused(path, LoadLimits(max_faces=3))
        assert "at most 100 are read" in refused(path, LoadLimits(max_bytes=100))


# Seeded, so that a failure can be had again: `python -m tests.fuzz --count N` goes on from here.
@pytest.mark.parametrize("name", samples.every_sample())
def test_mutants_are_read_or_refused(tmp_path: Path, name: str) -> None:
    tally = fuzz.run(name, samples.every_sample()[name], 250, 1, tmp_path)
    assert not tally.failures
    assert sum(tally.ends.values()) == 250
    assert tally.ends["refused"] > 25
    assert tally.ends["read"] > 0


@pytest.mark.parametrize("name", samples.every_sample())
def test_the_samples_themselves_are_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / Path(name).name
    path.write_bytes(samples.every_sample()[name])
    assert fuzz.judge(path) == "read"
