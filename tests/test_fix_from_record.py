"""A fix done over from its record: the same bytes, whatever has become of the ticket and the shop file; anything else is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corpus import solids
from lint.cli import main

TICKET = """[part]
body = "other"
code = "troll 7"
[[length]]
from = [-0.5, 0.0, 0.0]
to = [0.5, 0.0, 0.0]
true = 40.0
[use]
pull = [0.0, 0.0, 1.0]
[[fix.crop]]
point = [0.0, 0.0, -0.3]
away = [0.0, 0.1, -1.0]
"""
SHOP = """edition = 1
[print]
nozzle = 0.5
[rule.30]
caution = 0.7
because = "our machine"
[rule.39]
off = true
because = "solid"
"""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A ball of a unit's length with a hole, a ticket and a shop file; mended once."""
    vertices, faces = solids.ball(0.5, level=4)
    faces = faces[np.linalg.norm(vertices[faces].mean(axis=1) - [0, 0.3, 0.4], axis=1) > 0.07]
    lines = [*(f"v {x!r} {y!r} {z!r}" for x, y, z in vertices.tolist()), *(f"f {a} {b} {c}" for a, b, c in (faces + 1).tolist())]
    (tmp_path / "egg.obj").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "egg.obj.ticket.toml").write_text(TICKET, encoding="utf-8")
    from lint.rooms import all_rules

    limit = next(iter(all_rules()[30].limits))
    (tmp_path / "shop.toml").write_text(SHOP.replace("caution", limit), encoding="utf-8")
    assert main(["fix", str(tmp_path / "egg.obj"), "--to", str(tmp_path / "egg.3mf"), "--base", "6", "--step", "seat"]) in (0, 1)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(["fix", *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_same_bytes_after_the_ticket_and_the_shop_file_have_changed(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = shop / "egg.3mf.record.json"
    done = {s["name"]: s["outcome"] for s in json.loads(record.read_text())["steps"]}
    assert done["seat"] == done["close"] == done["resize"] == done["crop"] == "done"
    elsewhere = shop / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(shop / "egg.obj", elsewhere / "egg.obj")
    (elsewhere / "egg.obj.ticket.toml").write_text('[part]\nunits = "cm"\n', encoding="utf-8")
    (elsewhere / "shop.toml").write_text("edition = 1\n[use]\nbase = 22.0\n", encoding="utf-8")

    code, out, _ = run(capsys, str(elsewhere / "egg.obj"), "--to", str(elsewhere / "egg.3mf"), "--from-record", str(record))

    assert code == 0
    assert "byte for byte" in out
    assert " NOT " not in out
    for name in ("egg.3mf", "egg.3mf.ticket.toml"):
        assert (elsewhere / name).read_bytes() == (shop / name).read_bytes()
    first, second = (json.loads((folder / "egg.3mf.record.json").read_text()) for folder in (shop, elsewhere))
    for told in ("given", "settings", "input", "placement", "after"):
        assert _timeless(first[told]) == _timeless(second[told])
    anew, _, _ = run(capsys, str(elsewhere / "egg.obj"), "--to", str(elsewhere / "anew.3mf"))
    assert anew in (0, 1)
    assert (elsewhere / "anew.3mf").read_bytes() != (shop / "egg.3mf").read_bytes()


def _timeless(data: Any) -> Any:
    if isinstance(data, dict):
        return {k: _timeless(v) for k, v in data.items() if k != "seconds"}
    return [_timeless(v) for v in data] if isinstance(data, list) else data


def test_done_over_in_place_and_in_another_format(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (shop / "egg.3mf").read_bytes()
    words = (str(shop / "egg.obj"), "--from-record", str(shop / "egg.3mf.record.json"), "--as", "json")
    code, out, _ = run(capsys, *words, "--to", str(shop / "egg.stl"))
    assert code == 0
    assert "another format" in json.loads(out)["from_record"]
    code, out, _ = run(capsys, *words, "--to", str(shop / "egg.3mf"))
    assert code == 0
    assert "byte for byte" in json.loads(out)["from_record"]
    assert (shop / "egg.3mf").read_bytes() == before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: r["tool"].update(version="0.0.9"), "made by version 0.0.9"),
        (lambda r: r["tool"].update(edition=0), "edition 0"),
        (lambda r: r["input"].update(sha256="0" * 64), "not the file that changed.json was made from"),
        (lambda r: r.pop("given"), "does not hold the facts"),
        (lambda r: r["given"].update(ticket={"part": {"body": "wing"}}), "cannot be read"),
        (lambda r: r["given"]["settings"].update(colour=3), "cannot be read"),
        (lambda r: r.pop("output"), "no record of a fix"),
    ],
)
def test_a_record_that_does_not_fit_is_refused_in_one_line(
    shop: Path, capsys: pytest.CaptureFixture[str], change: Any, words: str
) -> None:
    record = json.loads((shop / "egg.3mf.record.json").read_text())
    change(record)
    (shop / "changed.json").write_text(json.dumps(record), encoding="utf-8")
    code, out, err = run(capsys, str(shop / "egg.obj"), "--to", str(shop / "new.3mf"), "--from-record", str(shop / "changed.json"))
    assert (code, out) == (2, "")
    assert words in err
    assert len(err.strip().splitlines()) == 1
    assert not (shop / "new.3mf").exists()


def test_what_the_record_says_is_not_said_otherwise(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for more in (["--base", "5"], ["--step", "hollow"], ["--allow", "record"], ["--ticket", str(shop / "egg.obj.ticket.toml")]):
        code, _, err = run(capsys, str(shop / "egg.obj"), "--to", str(shop / "new.3mf"), "--from-record",
                           str(shop / "egg.3mf.record.json"), *more)  # fmt: skip
        assert code == 2
        assert f"{more[0]} has no place beside it" in err
    code, _, err = run(capsys, str(shop / "egg.obj"), "--to", str(shop / "new.3mf"), "--from-record", str(shop / "absent.json"))
    assert (code, "absent.json" in err) == (2, True)
