"""Who the local page answers and who it does not, and what becomes of files: every refusal asked for over a real socket."""

from __future__ import annotations

import io
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")

from corpus import solids
from lint.page.sessions import Caps, sweep
from lint.page.work import plain_name
from lint.save import encode
from lint.terms import Part, Source
from tests.page_server import Served, serving

SMALL = Caps(upload=300_000, unpacked=2_000_000, entries=20, pages=4, silence=60.0, deadline=60.0)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("pages"), SMALL) as it:
        yield it


@pytest.fixture
def page(served: Served) -> Iterator[str]:
    name = served.begin()
    yield name
    served.ask(f"pages/{name}/bye", {})


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Another server, with one page."""
    with serving(tmp_path_factory.mktemp("shop"), SMALL) as it:
        yield it


@pytest.fixture(scope="module")
def bench(shop: Served) -> str:
    """A page that keeps its process: starting one takes a second."""
    return shop.begin()


def cube(suffix: str = ".stl") -> bytes:
    vertices, faces = solids.box((20, 20, 20))
    return encode(Part(vertices, faces, Source(Path(f"cube{suffix}"), "x", "", 0), "mm"), suffix)


def packed(*files: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in files:
            package.writestr(name, data)
    return out.getvalue()


def files_of(served: Served) -> list[str]:
    return sorted(p.name for p in served.within.rglob("*") if p.is_file() and p.name != "in-use")


# Who is let in.


def test_the_page_and_its_headers(served: Served) -> None:
    status, body = served.ask("")
    assert status == 200
    assert b"<!doctype html>" in body.lower()
    policy = served.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert served.headers["cache-control"] == "no-store"
    assert served.headers["x-content-type-options"] == "nosniff"
    assert not any(name.startswith("access-control") for name in served.headers)
    assert "server" not in served.headers


def test_no_script_or_style_stands_in_the_page_itself(served: Served) -> None:
    html = served.ask("")[1].decode()
    assert not re.search(r"<script(?![^>]*\bsrc=)", html)
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", html)
    assert not re.search(r"https?://(?!127\.0\.0\.1)", html)


@pytest.mark.parametrize("host", [
    "evil.example", "evil.example:{port}", "localhost:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1:{port}.evil.example", "",
])  # fmt: skip
def test_a_foreign_host_is_refused(served: Served, host: str) -> None:
    status, body = served.ask("", Host=host.format(port=served.port))
    assert status in (400, 421)
    assert b"doctype" not in body


def test_two_hosts_are_refused(served: Served) -> None:
    right = f"127.0.0.1:{served.port}"
    raw = f"GET {served.secret} HTTP/1.1\r\nHost: {right}\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    assert _raw(served, raw.encode()).split()[1] in (b"400", b"421")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "http://localhost:{port}"])
def test_a_foreign_origin_is_refused(served: Served, origin: str) -> None:
    said = origin.format(port=served.port)
    for path, words in (("", None), ("pages", {})):
        status, body = served.ask(path, words, Origin=said)
        assert status == 403, path
        assert b"refused" in body


def test_whoever_changes_something_must_say_where_he_comes_from(served: Served) -> None:
    assert served.ask("pages", {}, Origin="")[0] == 403
    assert served.ask("pages", {}, Sec_Fetch_Site="cross-site")[0] == 403
    assert served.ask("pages", {}, Sec_Fetch_Site="same-site")[0] == 403


@pytest.mark.parametrize("path", ["!/", "!/pages", "!/wrong/", "!/wrong/pages", "!//", "!/page.js", "!/favicon.ico", "!/once/wrong", "!*"])
def test_without_the_secret_nothing_is_given(served: Served, path: str) -> None:
    status, body = served.ask(path)
    assert status in (400, 403)
    assert b"doctype" not in body.lower()
    assert b"buckwright" not in body.lower() or status == 400
    assert served.ask(path, {})[0] in (400, 403)


def test_a_secret_that_is_nearly_right_is_wrong(served: Served) -> None:
    secret = served.secret
    for wrong in (secret[:-2] + "/", secret[:-1] + "x/", secret.swapcase(), secret[1:], "/" + secret):
        assert served.ask(f"!{wrong}")[0] in (400, 403, 404), wrong


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_ways_of_asking_are_refused(served: Served, method: str) -> None:
    assert served.ask("", method=method, Origin=served.origin)[0] in (405, 501)


def test_the_started_browsers_address_works_once(tmp_path: Path) -> None:
    with serving(tmp_path) as it:
        once = "!" + it.once.removeprefix(it.origin)
        assert it.ask("!/once/guess")[0] == 403  # and does not use it up
        assert it.ask(once)[0] == 303
        assert it.headers["location"] == it.address
        assert it.ask(once)[0] == 403


def test_a_socket_that_wants_more_than_http_is_refused(served: Served) -> None:
    raw = (
        f"GET {served.secret} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
        "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    assert b" 101 " not in _raw(served, raw.encode()).split(b"\r\n")[0]


# What is never given away.


@pytest.mark.parametrize("name", [
    "../guard.py", "..%2f..%2fcli.py", "%2e%2e/%2e%2e/cli.py", "....//cli.py", "..\\cli.py", "..%5c..%5ccli.py", "%2fetc%2fpasswd",
    "/etc/passwd", "static/page.css", "page.css%00.js", "__init__.py", "guard.py",
])  # fmt: skip
def test_no_words_lead_into_a_folder(served: Served, page: str, name: str) -> None:
    for path in (name, f"pages/{page}/view/{name}", f"pages/{page}/save/{name}", f"pages/{name}/now"):
        status, body = served.ask(path)
        assert status in (400, 403, 404, 410), path
        assert b"import" not in body
        assert b"root:" not in body


@pytest.mark.parametrize("name", [
    "../../../tmp/evil.stl", "..\\..\\evil.stl", "/etc/cron.d/evil.stl", "C:\\evil.stl", "evil\0.stl", "a/b/c.stl", ".stl", "..stl",
    "con.stl", "-rf.stl", "nose\n.stl", "x" * 5000 + ".stl", "\u202egpj.stl",
])  # fmt: skip
def test_what_a_file_is_called_is_never_where_it_goes(shop: Served, bench: str, name: str) -> None:
    status, body = shop.drop(bench, name, cube())
    if status == 200:
        assert files_of(shop) == ["scan.stl"]
        assert not (Path("/tmp/evil.stl").exists())
        assert "/" not in json.loads(body)["name"]
        assert len(json.loads(body)["name"]) <= 101
        assert "done" in shop.work(bench, "open")
        assert files_of(shop) == ["scan.png", "scan.stl", "scan.view"]
    else:
        assert status in (400, 415)


def test_a_name_for_people_keeps_its_letters() -> None:
    assert plain_name("Trolls Näse 3.STL") == "Trolls Näse 3.stl"
    assert plain_name("../x/..\\heron.ply") == "heron.ply"
    assert plain_name("...") == "scan"


# How much is taken.


def test_a_file_that_says_it_is_too_long_is_refused_before_it_comes(served: Served, page: str) -> None:
    status, body = served.ask(f"pages/{page}/file?name=a.stl", method="POST", Content_Length=str(SMALL.upload + 1))
    assert status == 413
    assert b"thin the scan out" in body
    assert files_of(served) == []


def test_a_file_that_does_not_say_is_cut_off_while_it_comes(served: Served, page: str) -> None:
    """In pieces and without a length, far more than is taken: the answer comes while the sender is still sending."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=30) as link:
        link.sendall(
            f"POST {served.secret}pages/{page}/file?name=a.stl HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
            f"Origin: {served.origin}\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
        )
        piece, sent = b"10000\r\n" + b"\0" * 65536 + b"\r\n", 0
        try:
            while sent < 100 * SMALL.upload:
                link.sendall(piece)
                sent += 65536
        except ConnectionError:
            pass
        assert sent < 100 * SMALL.upload
    assert files_of(served) == []
    assert served.drop(page, "a.stl", cube())[0] == 200  # the page is none the worse


def test_a_length_that_is_no_number_is_refused(served: Served, page: str) -> None:
    for length in ("-1", "1e3", "99999999999999999999999999", "0x10"):
        assert served.ask(f"pages/{page}/file?name=a.stl", method="POST", Content_Length=length)[0] in (400, 413), length


def test_all_files_of_a_page_count_together(served: Served, page: str) -> None:
    assert served.drop(page, "a.stl", b"\0" * (SMALL.upload - 1000))[0] == 200
    assert served.drop(page, "a.ticket.toml", b"#" * 2000)[0] == 413


def test_too_many_words_are_refused(served: Served, page: str) -> None:
    assert served.ask(f"pages/{page}/work", body=b"[" * (2 << 20))[0] == 413
    assert served.ask(f"pages/{page}/work", body=b"[" * 5000)[0] == 400
    assert served.ask(f"pages/{page}/work", body=b"[]")[0] == 400
    assert served.ask(f"pages/{page}/work", {"what": "rm"})[0] == 400
    assert served.ask(f"pages/{page}/work", {"what": "open"})[0] == 409  # there is no scan


def test_there_is_an_end_to_open_pages(tmp_path: Path) -> None:
    with serving(tmp_path, Caps(pages=2)) as it:
        it.begin(), it.begin()
        status, body = it.ask("pages", {})
        assert status == 503
        assert b"close one" in body


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
    with serving(tmp_path) as it:
        assert not dead.exists()
        it.drop(it.begin(), "a.stl", cube())
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


def _raw(served: Served, request: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as link:
        link.sendall(request)
        return link.recv(65536)
