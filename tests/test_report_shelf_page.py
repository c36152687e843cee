"""The shelf as a page: every part in a row, nothing in it that runs or loads, and no name that does harm."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest

from corpus import solids
from lint.cli import main
from lint.report.shelf import HEAD, Row, as_page
from lint.save import encode
from lint.terms import Part, Source
from tests.reports import EVIL

lxml_html = pytest.importorskip("lxml.html")

ROWS = [
    Row("heron/beak.stl", "other", "left", (120.4, 33.0, 41.2), (12.3, 82.0), 2, 1, 3, accepted=4, changed="2026-10-01"),
    Row("king/nose.3mf", "nose", "", None, None, cautions=1),
    Row("king/crown.ply", unreadable="king/crown.ply: it is cut off; copy it again"),
]


def cells(text: str) -> list[list[str]]:
    return [[cell.text_content().strip() for cell in row] for row in lxml_html.fromstring(text).iter("tr")]


def test_every_part_has_its_row() -> None:
    head, *rows = cells(as_page(ROWS))
    assert head == list(HEAD)
    assert [r[0] for r in rows] == ["stop heron/beak.stl", "caution king/nose.3mf", "king/crown.ply"]
    assert rows[0][1:] == ["other", "left", "120 x 33 x 41", "12 to 82", "2", "1", "3", "4", "2026-10-01"]
    assert rows[2][3] == "not read"
    page = lxml_html.fromstring(as_page(ROWS))
    assert "3 parts, 1 with a stop, 1 not read" in page.text_content()
    assert [li.text_content() for li in page.iter("li")] == ["king/crown.ply: it is cut off; copy it again"]
    assert all(th.get("scope") in ("row", "col") for th in page.iter("th"))


def test_it_needs_nothing_and_runs_nothing() -> None:
    text = as_page(ROWS)
    page = lxml_html.fromstring(text)
    (policy,) = [m.get("content") for m in page.iter("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "script-src" not in policy
    for style in page.iter("style"):
        assert base64.b64encode(hashlib.sha256(style.text.encode()).digest()).decode() in policy
    assert not list(page.iter("script", "img", "link", "iframe", "object"))
    assert not re.search(r"https?:|\son\w+=|\sstyle=", text)


def test_a_name_is_only_ever_words() -> None:
    page = lxml_html.fromstring(as_page([Row(EVIL, body=EVIL, unreadable=EVIL)]))
    assert not list(page.iter("script", "img", "b", "a"))
    assert "\u202e" not in page.text_content()


def test_the_command_writes_it(tmp_path: Path) -> None:
    vertices, faces = solids.box((30, 30, 20))
    path = tmp_path / "plinth.stl"
    path.write_bytes(encode(Part(vertices, faces, Source(path, "x", "", 0), "mm"), ".stl"))
    out = tmp_path / "shelf.html"
    assert main(["shelf", str(path), "--as", "page", "--to", str(out), "--jobs", "1"]) == 0
    assert len(cells(out.read_text(encoding="utf-8"))) == 2
