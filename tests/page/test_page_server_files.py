"""What becomes of files that are given to the local page, and of work that does not end well."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")

from lint.page.sessions import Caps, sweep
from tests.page_server import SMALL, Served, cube, files_of, packed, serving

# Zips.


def test_a_zip_with_a_scan_and_its_files(shop: Served, bench: str) -> None:
    files = (("heron/heron.mtl", b"map_Kd skin.jpg\n"), ("heron/heron.obj", cube(".obj")), ("heron/skin.jpg", b"\xff\xd8" * 99))
    assert shop.drop(bench, "heron.zip", packed(*files))[0] == 200
    done = shop.work(bench, "open")["done"]
    assert done["name"] == "heron.obj"
    assert done["faces"] == 12
    assert files_of(shop) == ["scan.png", "scan.view", "scan.zip", "unpacked.obj"]  # the picture was never unpacked


def _lying() -> bytes:
    """A zip whose entry claims to be far shorter than it is."""
    bomb = bytearray(packed(("a.stl", b"\0" * (1 << 20))))
    for mark, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = bomb.index(mark) + offset
        bomb[at : at + 4] = (500).to_bytes(4, "little")
    return bytes(bomb)


@pytest.mark.parametrize(("name", "data", "words"), [
    ("bomb", packed(("a.stl", b"\0" * (20 << 20))), "unpacks to more"),
    ("lying", _lying(), "damaged"),
    ("nested", packed(("a.stl", cube()), ("more.zip", packed(("b.stl", cube())))), "another package"),
    ("outside", packed(("../../a.stl", cube())), "outside"),
    ("absolute", packed(("/etc/a.stl", cube())), "outside"),
    ("backslash", packed(("..\\a.stl", cube())), "outside"),
    ("crowd", packed(*((f"{k}.txt", b"") for k in range(50)), ("a.stl", cube())), "51 files"),
    ("two", packed(("a.stl", cube()), ("b.stl", cube())), "2 scans"),
    ("none", packed(("a.txt", b"hello")), "no scan"),
    ("cut", packed(("a.stl", cube()))[:-30], "cut off"),
    ("text", b"this is no zip at all", "no zip"),
])  # fmt: skip
def test_a_zip_that_is_not_honest_is_refused(shop: Served, bench: str, name: str, data: bytes, words: str) -> None:
    assert shop.drop(bench, f"{name}.zip", data)[0] == 200
    outcome = shop.work(bench, "open")
    assert words in outcome["fault"], outcome
    assert not any(f.startswith("unpacked") for f in files_of(shop))
    assert sum(p.stat().st_size for p in shop.within.rglob("*") if p.is_file()) <= SMALL.unpacked + len(data)


def test_a_link_in_a_zip_is_refused(shop: Served, bench: str) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        info = zipfile.ZipInfo("a.stl")
        info.external_attr = 0o120777 << 16
        package.writestr(info, "/etc/passwd")
    shop.drop(bench, "link.zip", out.getvalue())
    assert "link" in shop.work(bench, "open")["fault"]


# Where files go.


def test_a_closed_page_leaves_nothing(served: Served) -> None:
    page = served.begin()
    served.drop(page, "a.stl", cube())
    assert files_of(served) == ["scan.stl"]
    mode = next(p for p in served.within.rglob("scan.stl")).parent.stat().st_mode
    assert mode & 0o077 == 0
    assert served.ask(f"pages/{page}/bye", {})[0] == 200
    assert files_of(served) == []
    status, body = served.ask(f"pages/{page}/now")
    assert status == 410
    assert b"begin anew" in body


def test_two_pages_know_nothing_of_each_other(served: Served) -> None:
    one, two = served.begin(), served.begin()
    served.drop(one, "one.stl", cube())
    assert served.ask(f"pages/{two}/work", {"what": "open"})[0] == 409
    served.drop(two, "two.ply", cube(".ply"))
    assert served.work(one, "open")["done"]["name"] == "one.stl"
    assert served.work(two, "open")["done"]["name"] == "two.ply"
    served.ask(f"pages/{one}/bye", {})
    assert files_of(served) == ["scan.ply", "scan.png", "scan.view"]
    assert served.ask(f"pages/{two}/view/scan.view")[0] == 200
    served.ask(f"pages/{two}/bye", {})


def test_a_page_that_falls_silent_is_taken_for_closed(tmp_path: Path) -> None:
    with serving(tmp_path, Caps(silence=0.4)) as it:
        page = it.begin()
        it.drop(page, "a.stl", cube())
        for _ in range(200):
            if not files_of(it):
                break
            time.sleep(0.05)
        assert files_of(it) == []
        assert it.ask(f"pages/{page}/now")[0] == 410


def test_the_end_of_the_server_leaves_nothing(tmp_path: Path) -> None:
    with serving(tmp_path) as it:
        it.drop(it.begin(), "a.stl", cube())
        assert files_of(it) == ["scan.stl"]
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_server_left_is_swept_up_and_a_living_ones_files_are_not(tmp_path: Path) -> None:
    dead = tmp_path / "buckwright-page-dead"
    dead.mkdir()
    (dead / "in-use").touch()
    (dead / "scan.stl").write_bytes(cube())
    os.utime(dead, (time.time() - 3600,) * 2)
    with serving(tmp_path) as it:
        assert not dead.exists()
        it.drop(it.begin(), "a.stl", cube())
        (living,) = tmp_path.glob("buckwright-page-*")
        os.utime(living, (time.time() - 3600,) * 2)
        sweep(tmp_path)
        assert files_of(it) == ["scan.stl"]


# Work that does not end well.


def test_work_that_takes_too_long_is_given_up(tmp_path: Path) -> None:
    with serving(tmp_path, Caps(deadline=0.01)) as it:
        page = it.begin()
        it.drop(page, "a.stl", cube())
        assert "was given up" in it.work(page, "open")["fault"]
        assert it.ask(f"pages/{page}/now")[0] == 200


def test_work_that_takes_too_much_memory_is_told(tmp_path: Path) -> None:
    points = b"".join(b"v %d 0 0\n" % k for k in range(300_000))
    with serving(tmp_path, Caps(memory=0.005)) as it:
        page = it.begin()
        it.drop(page, "a.obj", points + b"f 1 2 3\n")
        outcome = it.work(page, "open")
        assert "memory" in outcome["fault"], outcome
        assert "bug" not in outcome


def test_work_stops_when_told(served: Served, page: str) -> None:
    served.drop(page, "a.stl", cube())
    assert served.ask(f"pages/{page}/work", {"what": "open"})[0] == 202
    status, body = served.ask(f"pages/{page}/work", {"what": "open"})
    assert status == 409
    assert b"one thing at a time" in body
    served.ask(f"pages/{page}/stop", {})
    outcome = served.wait(page)
    assert outcome.get("stopped") or "done" in outcome
    assert "done" in served.work(page, "open")


@pytest.mark.parametrize(("name", "data", "words"), [
    ("a.stl", b"", "a.stl: it is empty"),
    ("a.ply", b"ply\nnonsense", "a.ply: "),
    ("a.obj", b"hello world\n", "a.obj: "),
    ("a.3mf", b"PK nothing", "a.3mf: "),
    ("a.glb", b"glTF\0\0\0\0", "a.glb: "),
])  # fmt: skip
def test_a_wrong_file_is_told_in_one_line(shop: Served, bench: str, name: str, data: bytes, words: str) -> None:
    assert shop.drop(bench, name, data)[0] == 200
    fault = shop.work(bench, "open")["fault"]
    assert words in fault
    assert "\n" not in fault
    assert str(shop.within) not in fault


@pytest.mark.parametrize("name", ["a.exe", "a", "a.png", "a.mtl", "a.stl.gz", ""])
def test_what_is_no_scan_is_not_even_kept(served: Served, page: str, name: str) -> None:
    status, body = served.drop(page, name, b"data")
    assert status == 415
    assert b".stl" in body
    assert files_of(served) == []


@pytest.mark.parametrize(("ticket", "words"), [
    ({"print": {"nozzle": -1}}, "[print] nozzle"),
    ({"prnt": {}}, "prnt"),
    ({"part": {"body": "tail"}}, "[part] body"),
    ({"fix": {"steps": ["fly"]}}, "steps"),
    ({"length": [{"from": [0, 0], "to": [1, 0, 0], "true": 4}]}, "from"),
    ({"fix": {"crop": [{"low": [0, 0, 0], "away": [0, 0, 1]}]}}, "crop"),
    ("words", "ticket"),
])  # fmt: skip
def test_a_ticket_is_held_to_its_words(shop: Served, bench: str, ticket: object, words: str) -> None:
    shop.drop(bench, "a.stl", cube())
    outcome = shop.work(bench, "ticket", ticket=ticket)
    assert words in outcome["fault"], outcome
    assert "bug" not in outcome


# The command.


def test_the_command_serves_until_it_is_told_to_end(tmp_path: Path) -> None:
    env = {**os.environ, "TMPDIR": str(tmp_path), "BROWSER": "true"}
    command = [sys.executable, "-m", "lint.cli", "page", "--no-browser"]
    with subprocess.Popen(command, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        match = re.search(r"http://127\.0\.0\.1:\d+/[\w-]{40,}/", process.stdout.readline())
        assert match is not None
        it = Served(match[0], "", tmp_path)
        for _ in range(200):
            try:
                page = it.begin()
                break
            except ConnectionError:
                time.sleep(0.05)
        it.drop(page, "a.stl", cube())
        assert files_of(it) == ["scan.stl"]
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=30) == 0
        assert process.stderr is not None
        said = process.stderr.read()
    assert "Traceback" not in said
    assert "ended" in said
    assert not any(p.name.startswith("buckwright-page") for p in tmp_path.iterdir())


def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    from lint.cli import main

    monkeypatch.setitem(sys.modules, "uvicorn", None)
    assert main(["page", "--no-browser"]) == 2
    assert "pip install" in capsys.readouterr().err


def test_a_part_that_is_not_there_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from lint.cli import main

    assert main(["page", "--no-browser", str(tmp_path / "none.stl")]) == 2
    assert "no such file" in capsys.readouterr().err
