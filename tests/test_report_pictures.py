"""The picture sheets and the sketch, and the commands that write them: what is on them, what is refused, what is never written."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image

from corpus import solids
from lint.cli import main
from lint.commands import screen
from lint.mend import mend
from lint.report import before_after, card, sketch, terminal
from lint.report.pencil import drawable
from lint.rooms import all_fixes, all_rules
from lint.save import write_part
from lint.settings import Settings
from lint.terms import Part, PartReport, Place, Report
from tests import meshes, reports
from tests.reports import EVIL


def size_of(data: bytes) -> tuple[int, int]:
    with Image.open(io.BytesIO(data)) as read:
        read.load()
        assert read.format == "PNG"
        return read.size


def block(name: str = "tin king.stl") -> Part:
    part = meshes.part(solids.box((40, 30, 20), step=5.0))
    return replace(part, source=replace(part.source, path=Path(name)))


def saved(folder: Path, name: str, mesh: solids.Mesh) -> Path:
    write_part(meshes.part(mesh), folder / name)
    return folder / name


def open_block() -> solids.Mesh:
    mesh = solids.box((40, 30, 20), step=5.0)
    return mesh[0], mesh[1][10:]


def test_a_card_takes_one_of_each_rule_before_a_second_and_what_counts_before_the_rest() -> None:
    many = [reports.finding(4, float(k)) for k in range(9)]
    others = [reports.finding(n) for n in (1, 13, 30, 37, 38, 23, 51, 54)]
    kept = card.chosen([*many, *others, reports.finding(4, accepted="an old shelf"), reports.finding(13, trial=True)])
    assert len(kept) == card.MOST
    assert {f.rule for f in kept if f.counts} == {4, 1, 13, 30, 37, 38, 23, 51, 54}
    assert [f.measured for f in kept if f.rule == 4][:2] == [0.0, 1.0]
    assert [f.weight for f in kept if f.counts] == sorted((f.weight for f in kept if f.counts), reverse=True)
    few = card.chosen([reports.finding(4, accepted="an old shelf"), reports.finding(13)])
    assert [f.counts for f in few] == [True, False]


def test_a_card_is_the_same_bytes_again_and_whatever_the_report_says_it_is_drawn() -> None:
    report = reports.full_report().parts[0]
    subject = report.part
    assert subject is not None
    data = card.render(report, subject, version="0.1.0")
    assert data == card.render(report, subject, version="0.1.0")
    assert size_of(data)[0] == card.WIDE
    assert EVIL.encode() not in data
    size_of(card.render(replace(report, findings=(), path=Path("鼻" * 300)), block()))
    nothing = meshes.part((np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)))
    size_of(card.render(PartReport(nothing, Path("a.stl")), nothing))


def test_a_close_up_is_drawn_from_a_side_that_shows_it() -> None:
    part = meshes.part(solids.ball(40.0, level=4))
    mesh = drawable(part)
    middle = mesh.vertices[mesh.faces].mean(axis=1)
    for spot, wanted in (((0, 1, 0), "back"), ((-1, 0, 0), "left"), ((0, 0, -1), "under")):
        faces = np.argsort(-(middle @ np.array(spot, dtype=float)))[:6]
        place = Place(tuple(40.0 * np.array(spot)), 4.0, faces)
        found = [replace(reports.finding(4), place=place)]
        assert card.worst(found, mesh) == [(1, place)]
        assert card.best_view(part, mesh, found, 1, place) == wanted
    inside = replace(reports.finding(4), place=Place((0.0, 0.0, 0.0), 2.0))
    assert card.best_view(part, mesh, [inside], 1, Place((0.0, 0.0, 0.0), 2.0)) is None


@pytest.mark.parametrize("by", [0.3, -0.3, 0.05])
def test_the_map_measures_a_known_movement_and_its_side(by: float) -> None:
    old, new = (drawable(meshes.part(solids.ball(r, level=5))) for r in (20.0, 20.0 + by))
    moved = before_after.moved_at(new.vertices, old)
    assert np.abs(moved.by - by).max() < 0.02
    assert (np.sign(moved.by) == np.sign(by)).all()
    assert set(before_after.moved_at(old.vertices, old).step()) == {0}


def test_the_map_hatches_what_moved_and_leaves_the_rest_bare() -> None:
    before = block()
    vertices = before.vertices.copy()
    vertices[vertices[:, 2] == 20.0, 2] += 0.3
    after = before.with_mesh(vertices, before.faces)
    mended = SimpleNamespace(part=after, steps=(), before=PartReport(before, Path("a.stl")), after=PartReport(after, Path("a.stl")))
    sheet = before_after.sheet_of(mended, before).bytes().astype(int)  # type: ignore[arg-type]
    assert np.array_equal(sheet, before_after.sheet_of(mended, before).bytes())  # type: ignore[arg-type]
    maps = sheet[before_after._HEAD + 2 * (before_after._VIEW[1] + 8) :][: before_after._VIEW[1]]
    views = [maps[:, before_after._EDGE + k * (before_after._VIEW[0] + 8) :][:, : before_after._VIEW[0]] for k in range(3)]
    red = [((v[:, :, 0] - v[:, :, 2]) > 60).sum() for v in views]
    assert red[2] > 20 * max(red[0], red[1], 1) / 4  # the top was raised by 0.3 mm; the walls only grew


def test_points_of_the_old_part_are_carried_to_the_new_with_scale_and_mirror() -> None:
    part = replace(block(), units=None)
    matrix = np.diag([-25.4, 25.4, 25.4, 1.0])
    matrix[:3, 3] = 3, 4, 5
    moved = part.with_mesh(part.vertices @ matrix[:3, :3].T + matrix[:3, 3], part.faces[:, ::-1], moved=matrix, units="mm")
    old, told = before_after.carried(part, moved)
    assert np.allclose(told, matrix)
    assert np.allclose(old.vertices, moved.vertices)
    assert np.array_equal(old.faces, moved.faces)


def test_a_sketch_holds_colour_codes_and_nothing_else_that_steers() -> None:
    report = reports.full_report().parts[0]
    text = sketch.sketch(block(EVIL), report.findings)
    bare = re.sub(r"\x1b\[[0-9;]+m", "", text)
    assert "\x1b" not in bare
    rows = [line for line in bare.splitlines() if "\u2580" in line]
    assert len(rows) == sketch.COLUMNS * 2 // 5
    assert {len(row) for row in rows} == {sketch.COLUMNS}
    assert text == sketch.sketch(block(EVIL), report.findings)


def test_a_sketch_is_shown_with_colour_and_room_and_never_otherwise() -> None:
    part = replace(reports.full_report().parts[0], pictures={"sketch": b"\x1b[1m\xe2\x96\x80\x1b[0m\n"})
    shown = [terminal.render(Report((part,), 1, "0.1.0"), all_rules(), all_fixes(), width=w, colour=c)
             for w, c in ((80, True), (80, False), (44, True))]  # fmt: skip
    assert ["\u2580" in text for text in shown] == [True, False, False]


def test_lint_draws_a_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = saved(tmp_path, "heron.stl", open_block())
    code = main(["lint", str(part), "--units", "mm", "--rule", "4", "--as", "png", "--to", str(tmp_path / "heron.png")])
    assert code == 1
    assert capsys.readouterr().out == ""
    assert size_of((tmp_path / "heron.png").read_bytes())[0] == card.WIDE


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--as", "png"], "--to FILE.png"),
        (["--as", "png", "--to", "card.jpg"], "written as .png"),
        (["--as", "png", "--to", "nowhere/card.png"], "there is no folder"),
        (["troll.stl", "--as", "png", "--to", "card.png"], "draws one part, and there are 2"),
        (["--pictures"], "goes with --as markdown"),
        (["--pictures", "--as", "markdown"], "goes with --as markdown and --to"),
    ],
)
def test_words_that_do_not_go_together(words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                       monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    for name in ("heron.stl", "troll.stl"):
        saved(tmp_path, name, open_block())
    assert main(["lint", "heron.stl", *words, "--units", "mm", "--jobs", "1"]) == 2
    assert said in capsys.readouterr().err
    assert {p.name for p in tmp_path.iterdir()} == {"heron.stl", "troll.stl"}


def test_a_part_that_cannot_be_read_has_no_card(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "torn.stl").write_bytes(b"solid tin king\nfacet normal 0 0")
    assert main(["lint", str(tmp_path / "torn.stl"), "--as", "png", "--to", str(tmp_path / "torn.png")]) == 2
    assert "torn.stl" in capsys.readouterr().err
    assert not (tmp_path / "torn.png").exists()


def test_markdown_links_to_pictures_beside_it(tmp_path: Path) -> None:
    parts = [saved(tmp_path, name, mesh) for name, mesh in (("a b.stl", open_block()), ("sound.stl", solids.box((30, 30, 30))))]
    report = tmp_path / "out" / "the (tin) king #1.md"
    report.parent.mkdir()
    words = ["--units", "mm", "--rule", "4", "--as", "markdown", "--to", str(report)]
    assert main(["lint", *map(str, parts), *words, "--jobs", "1"]) == 1
    assert [p.name for p in report.parent.iterdir()] == [report.name]
    assert main(["lint", *map(str, parts), *words, "--jobs", "2", "--pictures"]) == 1
    links = re.findall(r"!\[[^\]]*\]\(<([^>]*)>\)", report.read_text(encoding="utf-8"))
    assert [unquote(link) for link in links] == ["the (tin) king #1.1.png"]
    assert sorted(p.name for p in report.parent.iterdir()) == ["the (tin) king #1.1.png", report.name]
    assert size_of((report.parent / unquote(links[0])).read_bytes())[0] == card.WIDE


def test_a_sketch_is_drawn_on_a_colour_terminal_only(tmp_path: Path, capsys: pytest.CaptureFixture[str],
                                                     monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    part = saved(tmp_path, "heron.stl", open_block())
    words = ["lint", str(part), "--units", "mm", "--rule", "4", "--sketch"]
    assert main(words) == 1
    assert not set("\x1b\u2580") & set(capsys.readouterr().out)
    monkeypatch.setattr(screen, "colour", lambda: True)
    assert main(words[:-1]) == 1
    assert "\u2580" not in capsys.readouterr().out
    assert main(words) == 1
    assert "\u2580" in capsys.readouterr().out
    assert main([*words, "--as", "json"]) == 1
    assert not set("\x1b\u2580") & set(capsys.readouterr().out)


def test_fix_draws_before_and_after(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CI", raising=False)
    mesh = solids.box((40, 30, 20), (0, 0, 7), step=5.0)
    part = saved(tmp_path, "heron.stl", mesh)
    words = ["fix", str(part), "--units", "mm", "--to", str(tmp_path / "out.stl"), "--picture"]
    for wrong in ("p.jpg", "nowhere/p.png"):
        assert main([*words, str(tmp_path / wrong)]) == 2
    assert not (tmp_path / "out.stl").exists()
    capsys.readouterr()
    assert main([*words, str(tmp_path / "p.png"), "--plan"]) == 0
    assert "and no part" in " ".join(capsys.readouterr().out.split())
    assert not (tmp_path / "out.stl").exists()
    first = (tmp_path / "p.png").read_bytes()
    assert main([*words, str(tmp_path / "p.png")]) == 0
    assert "p.png" in capsys.readouterr().out
    assert (tmp_path / "p.png").read_bytes() == first
    assert size_of(first)[0] == before_after.WIDE


def test_a_broken_promise_writes_no_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from lint.commands import fix as command

    part = saved(tmp_path, "heron.stl", solids.box((40, 30, 20), (0, 0, 7)))
    done = mend(meshes.part(solids.box((40, 30, 20))), {1: all_rules()[1]}, {}, Settings())
    monkeypatch.setattr(command, "mend", lambda *_, **__: replace(done, broke=True))
    assert main(["fix", str(part), "--units", "mm", "--to", str(tmp_path / "out.stl"), "--picture", str(tmp_path / "p.png")]) == 2
    assert [p.name for p in tmp_path.iterdir()] == ["heron.stl"]
