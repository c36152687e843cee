"""A whole report told again: only while nothing that it depends on has changed, and word for word what would be put together."""

from __future__ import annotations

import datetime
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.commands import whole
from lint.commands.keys import OnDisk
from lint.commands.running import Run
from lint.commands.shelves import Facts
from lint.commands.whole import Told, Whole
from lint.report import terminal
from lint.report.sheet import Sheet
from lint.save import write_part
from lint.store import open_store
from lint.terms import Part, PartReport, Source

Capsys = pytest.CaptureFixture[str]


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BUCKWRIGHT_STORE", str(tmp_path / "store"))
    folder = tmp_path / "shelf"
    (folder / "trolls").mkdir(parents=True)
    monkeypatch.chdir(folder)
    put(folder / "heron.stl", 40)
    put(folder / "trolls" / "troll.ply", 42)
    (folder / "heron.stl.ticket.toml").write_text('[part]\nbody = "nose"\n')
    gltf(folder / "trolls" / "king.gltf", 44)
    return folder


@pytest.fixture
def hits(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Whether each look at an earlier report found it to stand."""
    seen: list[bool] = []
    real = Whole.told

    def told(self: Whole, doubted: Callable[[], None]) -> Told | None:
        found = real(self, doubted)
        seen.append(found is not None)
        return found

    monkeypatch.setattr(Whole, "told", told)
    return seen


def put(path: Path, height: float) -> Path:
    vertices, faces = solids.box((20, 30, height), step=10)
    write_part(Part(vertices.copy(), faces.copy(), Source(path, path.suffix[1:], "", 0), units="mm"), path)
    return path


def gltf(path: Path, height: float) -> None:
    """A block whose points lie in a file beside it, in metres as the format has it."""
    vertices, faces = solids.box((20, 30, height))
    points, corners = (vertices / 1000).astype("<f4"), faces.astype("<u4").ravel()
    path.with_suffix(".bin").write_bytes(points.tobytes() + corners.tobytes())
    views = [{"buffer": 0, "byteOffset": at, "byteLength": size} for at, size in ((0, points.nbytes), (points.nbytes, corners.nbytes))]
    reach = {"min": points.min(0).tolist(), "max": points.max(0).tolist()}
    accessors = [
        {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3", **reach},
        {"bufferView": 1, "componentType": 5125, "count": len(corners), "type": "SCALAR"},
    ]
    path.write_text(json.dumps({
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0]}], "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [{"uri": path.with_suffix(".bin").name, "byteLength": points.nbytes + corners.nbytes}],
        "bufferViews": views, "accessors": accessors,
    }))  # fmt: skip


def lint(capsys: Capsys, *words: str, parts: tuple[str, ...] = (".",)) -> tuple[int, str]:
    code = main(["lint", *parts, "--jobs", "1", *words])
    return code, capsys.readouterr().out


@pytest.mark.parametrize("form", ["terminal", "json", "sarif", "junit", "markdown"])
def test_it_is_told_as_it_would_be_put_together(
    shelf: Path, hits: list[bool], capsys: Capsys, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    lint(capsys, "--as", form)
    again = lint(capsys, "--as", form)
    assert hits == [False, True]
    monkeypatch.setattr(Whole, "told", lambda self, doubted: None)
    assert again == lint(capsys, "--as", form)
    assert again[0] == 0


def test_to_a_file_too(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    text = (lint(capsys, "--as", "markdown"), lint(capsys, "--as", "markdown"))[1][1]
    lint(capsys, "--as", "markdown", "--to", "report.md")
    assert hits == [False, True, True]
    assert (shelf / "report.md").read_text(encoding="utf-8") == text


def move(old: str, new: str) -> Callable[[Path], object]:
    return lambda shelf: (shelf / old).rename(shelf / new)


def write(name: str, text: str) -> Callable[[Path], object]:
    return lambda shelf: (shelf / name).write_text(text)


CHANGES: dict[str, Callable[[Path], object]] = {
    "a part": lambda shelf: put(shelf / "heron.stl", 41),
    "another part": lambda shelf: put(shelf / "another.stl", 50),
    "no longer a part": lambda shelf: (shelf / "heron.stl").unlink(),
    "a part in another folder": move("heron.stl", "trolls/heron.stl"),
    "what a part refers to": lambda shelf: gltf(shelf / "trolls" / "king.gltf", 45),
    "no longer what a part refers to": lambda shelf: (shelf / "trolls" / "king.bin").unlink(),
    "a ticket": write("heron.stl.ticket.toml", '[part]\nbody = "ear"\n'),
    "another ticket": write("trolls/troll.ticket.toml", '[part]\nbody = "head"\n'),
    "no longer a ticket": lambda shelf: (shelf / "heron.stl.ticket.toml").unlink(),
    "a ticket of another name": move("heron.stl.ticket.toml", "heron.ticket.toml"),
    "a shop file": write("shop.toml", "edition = 1\n[print]\nbed = [100.0, 100.0, 100.0]\n"),
    "a nearer shop file": write("trolls/shop.toml", "edition = 1\n[print]\nbed = [100.0, 100.0, 100.0]\n"),
    "a ledger": write("ledger.toml", ""),
    "a nearer ledger": write("trolls/ledger.toml", ""),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_heard(shelf: Path, hits: list[bool], capsys: Capsys, monkeypatch: pytest.MonkeyPatch, change: str) -> None:
    lint(capsys, "--as", "json")
    lint(capsys, "--as", "json")
    assert hits == [False, True]
    CHANGES[change](shelf)
    after = lint(capsys, "--as", "json")
    assert hits == [False, True, False]
    monkeypatch.setenv("BUCKWRIGHT_STORE", "off")
    assert timeless(after) == timeless(lint(capsys, "--as", "json"))


def timeless(told: tuple[int, str]) -> object:
    """A report without its times, and without who was told from an earlier run."""

    def bare(value: object) -> object:
        if isinstance(value, dict):
            return {k: bare(v) for k, v in value.items() if k not in ("seconds", "measured_seconds", "stored")}
        return [bare(v) for v in value] if isinstance(value, list) else value

    return told[0], bare(json.loads(told[1])["parts"])


def test_what_the_ledger_accepts_changes_what_is_told(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    lint(capsys)
    main(["accept", "heron.stl", "--as-it-stands", "--because", "it is a block", "--until", "2099-01-01"])
    capsys.readouterr()
    assert "accepted" in lint(capsys)[1]
    assert hits == [False, False]
    again = lint(capsys)
    assert hits[-1]
    assert "accepted" in again[1]


def test_another_day_is_another_report(shelf: Path, hits: list[bool], capsys: Capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    lint(capsys)

    class Tomorrow(datetime.date):
        @classmethod
        def today(cls) -> Tomorrow:
            return cls(2099, 1, 2)

    monkeypatch.setattr(whole.datetime, "date", Tomorrow)
    lint(capsys)
    assert hits == [False, False]


def test_other_words_are_another_report(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    lint(capsys)
    for words in (("--line", "note"), ("--rule", "2"), ("--wall", "4"), ("--as", "json"), ("--units", "cm")):
        lint(capsys, *words)
    assert not any(hits)
    hits.clear()
    for words in ((), ("--line", "note"), ("--rule", "2"), ("--wall", "4"), ("--as", "json"), ("--units", "cm"), ("--jobs", "2")):
        lint(capsys, *words)
    assert all(hits)


def test_what_is_not_finished_is_not_kept(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    (shelf / "torn.stl").write_bytes(b"solid")
    for _ in range(3):
        code, _text = lint(capsys)
        assert code == 2
    assert not any(hits)


def test_fresh_looks_at_everything_and_is_kept(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    lint(capsys)
    assert "an earlier run" not in lint(capsys, "--fresh")[1]
    assert "all told from an earlier run" in lint(capsys)[1]
    assert hits == [False, True]


def test_a_touched_part_raises_a_doubt_and_no_more(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    store, paths = open_store(), [shelf / "heron.stl", shelf / "trolls" / "troll.ply"]
    assert store is not None
    lint(capsys, parts=tuple(map(str, paths)))
    run = Run(Facts(), None, tuple(paths))
    doubts: list[int] = []
    for touched, doubted in ((False, []), (True, [1]), (False, [1])):
        if touched:
            os.utime(paths[1], ns=(1, 1))
        again = Whole(store, OnDisk(run.keys(), run.facts_of), paths, {"form": "terminal", "line": "stop", "width": 80, "colour": False})
        assert again.told(lambda: doubts.append(1)) is not None
        assert doubts == doubted


def test_a_torn_entry_is_passed_over(shelf: Path, hits: list[bool], capsys: Capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    first = lint(capsys)
    for entry in (shelf.parent / "store").rglob("*"):
        if entry.is_file() and entry.stat().st_size:
            data = bytearray(entry.read_bytes())
            data[-1] ^= 1
            entry.write_bytes(data)
    assert lint(capsys) == first
    assert not any(hits)


def test_what_is_said_of_single_parts_is_not_written_anew(shelf: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    """One part of three changes: the texts of the others are those of the earlier report, and the report is what it would be."""
    lint(capsys)
    written: list[str] = []
    real = terminal.show_part

    def show_part(sheet: Sheet, part: PartReport, *more: Any) -> None:
        written.append(part.path.name)
        real(sheet, part, *more)

    monkeypatch.setattr(terminal, "show_part", show_part)
    put(shelf / "heron.stl", 41)
    told = lint(capsys)[1]
    assert written == ["heron.stl"]
    monkeypatch.setenv("BUCKWRIGHT_STORE", "off")
    anew = lint(capsys)[1]
    assert [line for line in told.splitlines() if "an earlier run" not in line] == anew.splitlines()


def test_a_text_follows_the_ledger_and_the_papers(shelf: Path, capsys: Capsys, monkeypatch: pytest.MonkeyPatch) -> None:
    lint(capsys)
    main(["accept", "heron.stl", "--as-it-stands", "--because", "it is a block"])
    (shelf / "trolls" / "troll.ticket.toml").write_text('[part]\nbody = "head"\n')
    capsys.readouterr()
    for change in (lambda: put(shelf / "trolls" / "troll.ply", 48), lambda: (shelf / "ledger.toml").unlink(), lambda: None):
        change()
        told = lint(capsys)[1]
        with monkeypatch.context() as without:
            without.setenv("BUCKWRIGHT_STORE", "off")
            assert [line for line in told.splitlines() if "an earlier run" not in line] == lint(capsys)[1].splitlines()


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links")
def test_a_link_that_leads_elsewhere_is_heard(shelf: Path, hits: list[bool], capsys: Capsys) -> None:
    (shelf / "kept away").mkdir()
    other = put(shelf / "kept away" / "one.obj", 60)
    (shelf / "twin.obj").symlink_to(other)
    lint(capsys, parts=("heron.stl", "twin.obj"))
    lint(capsys, parts=("heron.stl", "twin.obj"))
    assert hits == [False, True]
    moved = other.rename(other.with_name("two.obj"))
    (shelf / "twin.obj").unlink()
    (shelf / "twin.obj").symlink_to(moved)
    lint(capsys, parts=("heron.stl", "twin.obj"))
    assert hits == [False, True, False]


def test_the_blocks_hold_different_points(shelf: Path) -> None:
    """The gltf of these tests is read as it is meant."""
    from lint.load import read
    from lint.ticket import Ticket

    part = read(shelf / "trolls" / "king.gltf", Ticket())
    assert np.ptp(part.vertices, axis=0).max() == pytest.approx(44, abs=1e-3)
