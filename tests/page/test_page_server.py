"""Who the local page answers and who it does not: every refusal asked for over a real socket."""

from __future__ import annotations

import json
import re
import socket
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")

from lint.page.sessions import Caps
from lint.page.work import plain_name
from tests.page_server import SMALL, Served, cube, files_of, serving

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


def _raw(served: Served, request: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as link:
        link.sendall(request)
        return link.recv(65536)
