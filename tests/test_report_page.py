"""The page as a file: complete in itself, closed to everything else, and unmoved by what a name or a message holds."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from lint.cli import main
from lint.measure.nearest import distance_to_faces
from lint.report import page
from lint.terms import Finding, Place
from lint.view import frame
from lint.view.pack import unpack
from lint.view.scene import Scene, faces_each, in_order, scene_of
from tests.reports import EVIL, RULES, broke_report, finding, full_report, part, part_report


class Elements(HTMLParser):
    """The elements of a page with their attributes, and the text of each script and style."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[tuple[str, str]] = []
        self.words = ""
        self._raw: str | None = None
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._raw = tag
            self.inside.append((tag, ""))

    def handle_endtag(self, tag):
        if tag == self._raw:
            self._raw = None

    def handle_data(self, data):
        if self._raw is None:
            self.words += data
        else:
            self.inside[-1] = (self._raw, self.inside[-1][1] + data)


def _drawn(found: Finding) -> Finding:
    """A finding on faces that the part of four faces has."""
    place = found.place
    return found if place is None or place.faces is None else replace(found, place=replace(place, faces=place.faces % 4))


def seen(name: str = EVIL):
    """A whole report with a picture."""
    report = full_report(name)
    first = report.parts[0]
    first = replace(first, findings=tuple(_drawn(f) for f in first.findings))
    scene = scene_of(part(name), in_order(first.findings), first.settings)
    return replace(report, parts=(replace(first, scene=scene), *report.parts[1:]))


def test_every_script_and_style_that_runs_is_named_by_its_hash_and_nothing_else_may():
    elements = Elements(page.render(seen(), RULES, {}))
    (policy,) = [a["content"] for t, a in elements.found if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert not re.search(r"https?:|\*", policy)
    kinds = iter(elements.inside)
    for tag, attrs in elements.found:
        if tag in ("script", "style"):
            kind, text = next(kinds)
            digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
            runs = attrs.get("type") != "application/json"
            assert (f"'sha256-{digest}'" in policy) == runs, kind


def test_nothing_is_fetched_and_no_style_or_handler_stands_in_an_element():
    html = page.render(seen(), RULES, {})
    for tag, attrs in Elements(html).found:
        assert not any(name.startswith("on") or name == "style" for name in attrs), (tag, attrs)
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            if attrs.get(name):
                assert attrs[name].startswith(("data:image/png;base64,", "#")), (tag, attrs)
    assert not re.search(r"url\(|@import|fetch\(|XMLHttp|WebSocket|import\(", re.sub(r"base64,[\w+/=]+", "", html))


def test_what_a_name_holds_is_only_ever_text():
    html = page.render(seen(), RULES, {})
    elements = Elements(html)
    plain = Elements(page.render(seen("troll.stl"), RULES, {}))
    assert [t for t, _ in elements.found] == [t for t, _ in plain.found]
    assert "<b>|`*_@everyone_#12" in elements.words
    for char in "\x1b\u202e":
        assert char not in html
    assert "\\x1b[2Jll\\u202e" in elements.words


def test_words_in_data_cannot_end_their_element():
    content = json.dumps({"name": "</script><!--<script>\u2028&"})
    assert json.loads(frame.data(content)) == json.loads(content)
    assert not re.search("[<>&\u2028]", frame.data(content))
    with pytest.raises(ValueError):
        frame.document("x", "", scripts=("a</script>",), styles=())


def test_every_finding_is_told_with_its_place_and_what_is_not_counted_says_why():
    report = seen("troll.stl")
    words = " ".join(Elements(page.render(report, RULES, {})).words.split())
    for found in report.parts[0].findings:
        assert found.message[1:] in words
    for text in ("reaching 2.5 mm around", "Accepted, not counted", "On trial, not counted", "Not judged:", "Clean: 1 rule found nothing",
                 "resin dust harms the lungs", "What could not be judged", "Say in the ticket"):  # fmt: skip
        assert text in words


def test_a_rule_that_broke_is_told():
    assert "Broke, rule 4, open edge: ValueError: <oh>" in Elements(page.render(broke_report(), RULES, {})).words


def test_numbers_on_list_pins_and_patches_agree():
    report = seen("troll.stl")
    html = page.render(report, RULES, {})
    elements = Elements(html)
    (room,) = json.loads(next(text for tag, text in elements.inside if tag == "script" and text.startswith('{"rooms"')))["rooms"]
    findings = in_order(report.parts[0].findings)
    for pin in room["pins"]:
        found = findings[pin["number"] - 1]
        assert pin["weight"] == int(found.weight)
        assert found.place is not None
    numbers = {int(a["data-number"]) for t, a in elements.found if t == "button" and a.get("data-number")}
    assert {p["number"] for p in room["pins"]} <= numbers == {k for k, f in enumerate(findings, 1) if f.place is not None}
    points, faces, _ = unpack(base64.b64decode(room["mesh"]))
    assert {p["number"] for p in room["patches"]} == {k for k, f in enumerate(findings, 1) if f.place and f.place.faces is not None}
    middles = points[faces].mean(axis=1)
    thin = next(k for k, f in enumerate(findings, 1) if f.rule == 30)
    (patch,) = [p for p in room["patches"] if p["number"] == thin]
    first, length = patch["ranges"]
    assert length == 1
    assert middles[first] == pytest.approx(part().vertices[part().faces[2]].mean(axis=0), abs=1e-3)


def test_the_same_report_is_the_same_file():
    assert page.render(seen(), RULES, {}) == page.render(seen(), RULES, {})


def test_a_heavy_part_is_thinned_and_its_findings_and_the_reader_are_told():
    from corpus import solids

    vertices, faces = solids.ball(30.0, level=5)
    heavy = part().with_mesh(vertices, faces)
    cap = np.flatnonzero(vertices[faces].mean(axis=1)[:, 2] > 25)
    found = replace(finding(30), place=Place((0.0, 0.0, 30.0), 5.0, cap))
    scene = scene_of(heavy, [found], None, most=5_000)
    assert scene is not None
    assert scene.shown <= 5_000 < scene.whole == len(faces)
    points, thin_faces, closed = unpack(scene.mesh)
    (patch,) = scene.patches
    held = np.concatenate([np.arange(f, f + n) for f, n in zip(patch.runs[::2], patch.runs[1::2], strict=True)])
    assert closed
    assert points[thin_faces[held]].mean(axis=1)[:, 2].min() > 25 - scene.off
    report = replace(full_report("troll.stl"), parts=(replace(part_report("troll.stl", (found,)), scene=scene),))
    assert f"drawn with {scene.shown:,} of its {len(faces):,} faces" in page.render(report, RULES, {})


@pytest.mark.parametrize("most", [300_000, 4_000])
def test_the_map_of_movement_tells_what_moved_and_nothing_else(most):
    """Also where a heavy part is thinned: a thin copy lies off the skin, and must not be said to have moved."""
    from corpus import solids

    vertices, faces = solids.ball(30.0, level=5)
    cap = vertices[:, 2] > 20
    ball = part().with_mesh(vertices + np.where(cap[:, None], [[0.0, 0.0, 0.3]], 0.0), faces)
    scene = scene_of(ball, [], None, most=most, stills=0, away=lambda points: distance_to_faces(points, vertices, faces))
    assert scene is not None
    assert scene.moved is not None
    assert scene.scale == 0.5
    points, _, _ = unpack(scene.mesh)
    planes = np.frombuffer(zlib.decompress(scene.moved), dtype=np.uint8).astype(int).reshape(2, len(points))
    values = (planes[0] | planes[1] << 8) / 1000
    assert values[points[:, 2] < 20 - 3 * scene.off].max() == 0
    assert values[points[:, 2] > 20 + 3 * scene.off].min() > 0.15


def test_a_file_that_would_be_too_large_keeps_the_worst_parts_and_says_what_it_left_out():
    big = Scene(bytes(7_000_000), 1, 1, 0.0)
    assert page.embedded([big] * 4, [1, 3, 1, 2]) == {1, 3}
    assert page.embedded([big, None, Scene(b"small", 1, 1, 0.0)], [3, 3, 1]) == {0, 2}
    parts = tuple(replace(part_report(f"{k}.stl", (finding(4),)), scene=big) for k in range(3))
    words = Elements(page.render(replace(full_report(), parts=parts), RULES, {})).words
    assert "1 part of 3 is told in words only" in words


def test_many_parts_are_shown_with_fewer_faces_each():
    assert faces_each(1) == 300_000
    assert faces_each(40) == 60_000
    assert faces_each(10_000) == 20_000


def test_the_command_writes_it(tmp_path, capsys, monkeypatch):
    from corpus import solids
    from lint.save import encode_for

    vertices, faces = solids.box((30.0, 20.0, 10.0))
    subject = part("troll.stl").with_mesh(vertices, faces)
    path = tmp_path / "troll.stl"
    path.write_bytes(encode_for(subject, path))
    out = tmp_path / "troll.html"
    code = main(["lint", str(path), "--units", "mm", "--rule", "34", "--rule", "54", "--as", "page", "--to", str(out)])
    html = out.read_text(encoding="utf-8")
    assert code == 0
    assert "no keys" in html
    assert 'id="scene-0"' in html
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    assert main(["lint", str(path), "--rule", "4", "--as", "page"]) == 2
    assert "say where it goes with --to FILE" in capsys.readouterr().err


def test_fix_writes_before_and_after(tmp_path, capsys):
    from corpus import solids
    from lint.save import encode_for

    vertices, faces = solids.box((30.0, 30.0, 12.0), (0.0, 0.0, 5.0))
    subject = part("troll.stl").with_mesh(vertices, faces)
    path, out = tmp_path / "troll.stl", tmp_path / "out.stl"
    path.write_bytes(encode_for(subject, path))
    said = ["fix", str(path), "--units", "mm", "--to", str(out), "--allow", "piece", "--as", "page"]
    for name, why in ((out.name, "not written over a part"), ("out.stl.record.json", "where the record of the fix goes"),
                      ("none/fix.html", "there is no folder"), ("x.ticket.toml", "not written over a part or a ticket")):  # fmt: skip
        assert main([*said, "--report", str(tmp_path / name)]) == 2
        assert why in capsys.readouterr().err
        assert not out.exists()
    main([*said, "--report", str(tmp_path / "fix.html")])
    elements = Elements((tmp_path / "fix.html").read_text(encoding="utf-8"))
    scene = json.loads(next(text for tag, text in elements.inside if tag == "script" and text.startswith('{"rooms"')))
    before, after = scene["rooms"]
    assert (before["name"], after["name"]) == ("before", "after")
    to = np.array(before["to"]).reshape(4, 4).T
    was, now = (unpack(base64.b64decode(r["mesh"]))[0] for r in (before, after))
    assert (was @ to[:3, :3].T + to[:3, 3]).min(axis=0) == pytest.approx(now.min(axis=0), abs=1e-3)
    assert now.min(axis=0)[2] == pytest.approx(0, abs=1e-3)
    assert out.exists()
