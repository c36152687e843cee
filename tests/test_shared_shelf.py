"""A shelf that many people add to: accepted findings, a first run on an old collection, and the table of all parts."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.load.ticket import read_ledger


def put(path: Path, mesh: solids.Mesh, ticket: str = '[part]\nunits = "mm"\n') -> None:
    """An OBJ with its ticket."""
    path.parent.mkdir(parents=True, exist_ok=True)
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in mesh[0].tolist()] + [f"f {a} {b} {c}" for a, b, c in (mesh[1] + 1).tolist()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path.with_name(path.name + ".ticket.toml").write_text(ticket, encoding="utf-8")


def plate(thick: float, at: tuple[float, float, float] = (10.0, 10.0, 19.0)) -> solids.Mesh:
    """A block with a plate standing on it."""
    return solids.fused(solids.box((40, 30, 20), step=10), solids.box((20, thick, 20), at, step=10))


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    (tmp_path / "shop.toml").write_text("edition = 1\n", encoding="utf-8")
    put(tmp_path / "masks" / "thin crest.obj", plate(0.3))
    put(tmp_path / "masks" / "block.obj", solids.box((40, 30, 20), step=10))
    return tmp_path


def said(capsys: pytest.CaptureFixture[str]) -> dict[str, list[dict[str, object]]]:
    report = json.loads(capsys.readouterr().out)
    return {Path(p["path"]).name: p["findings"] for p in report["parts"]}


def test_an_accepted_finding_no_longer_counts_and_a_new_one_does(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lint", str(shelf), "--jobs", "1"]) == 1
    assert main(["accept", str(shelf), "--rule", "30", "--because", "cut by hand", "--until", "2999-01-01", "--jobs", "1"]) == 0
    assert {e.rule for e in read_ledger(shelf / "ledger.toml").accepted} == {30}
    capsys.readouterr()
    assert main(["lint", str(shelf), "--jobs", "1", "--as", "json"]) == 0
    assert {f["accepted"] for f in said(capsys)["thin crest.obj"] if f["rule"] == 30} == {"cut by hand"}
    # The same part, moved and renumbered, and with a second thin plate: the first is known again, the second counts.
    again = plate(0.3)
    more = solids.fused(again, solids.box((6, 0.3, 20), (2, 22, 19)))
    order = np.random.default_rng(1).permutation(len(more[1]))
    put(shelf / "masks" / "thin crest.obj", (more[0] + [500.0, 0, 0], more[1][order]))
    assert main(["lint", str(shelf), "--jobs", "1", "--as", "json"]) == 1
    thin = [f["accepted"] for f in said(capsys)["thin crest.obj"] if f["rule"] == 30]
    assert sorted(thin, key=str) == [None, "cut by hand"] or thin == ["cut by hand", None]


def test_a_mended_fault_is_told_as_paid(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["accept", str(shelf), "--rule", "30", "--because", "cut by hand", "--jobs", "1"])
    put(shelf / "masks" / "thin crest.obj", plate(3.0))
    capsys.readouterr()
    assert main(["lint", str(shelf), "--jobs", "1"]) == 0
    assert "paid" in " ".join(capsys.readouterr().out.split())


def test_accept_wants_to_know_which_and_why(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["accept", str(shelf), "--because", "x"]) == 2
    assert "--as-it-stands" in capsys.readouterr().err
    assert main(["accept", str(shelf), "--rule", "30", "--because", " ", "--jobs", "1"]) == 2
    assert "needs a reason" in capsys.readouterr().err
    (shelf / "masks" / "broken.stl").write_bytes(b"no mesh")
    assert main(["accept", str(shelf), "--rule", "30", "--because", "x", "--jobs", "1"]) == 2
    assert not (shelf / "ledger.toml").exists()


def test_the_table_of_the_shelf(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shelf", str(shelf), "--as", "csv", "--jobs", "1"]) == 0
    rows = {Path(r["part"]).name: r for r in csv.DictReader(io.StringIO(capsys.readouterr().out))}
    assert rows["block.obj"]["size mm"] == "40 x 30 x 20"
    assert rows["block.obj"]["print g"] == "4 to 30"  # 24 cm3 of PLA, 15 % filled to full
    assert rows["block.obj"]["stop"] == "0"
    assert rows["thin crest.obj"]["stop"] != "0"
    assert main(["shelf", str(shelf), "--as", "markdown", "--jobs", "1"]) == 0
    assert "2 parts, 1 with a stop" in capsys.readouterr().out
    (shelf / "masks" / "broken.stl").write_bytes(b"no mesh")
    assert main(["shelf", str(shelf), "--jobs", "1"]) == 2
    assert "1 not read" in capsys.readouterr().out


@pytest.mark.parametrize("count", [10, pytest.param(500, marks=pytest.mark.slow)])
def test_an_old_collection_starts_without_a_wall_of_noise(count: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "shop.toml").write_text("edition = 1\n", encoding="utf-8")
    jobs = ["--jobs", "1"] if count < 50 else []  # for a few, starting processes costs more than the work
    rng = np.random.default_rng(6)
    for k in range(count):
        thick = float(rng.uniform(0.1, 0.35) if k % 3 == 0 else rng.uniform(1.0, 3.0))
        put(tmp_path / f"drawer {k % 7}" / f"part {k}.obj", plate(thick))
    assert main(["lint", str(tmp_path), *jobs]) == 1
    assert main(["accept", str(tmp_path), "--as-it-stands", "--because", "on the shelf before the first check", *jobs]) == 0
    capsys.readouterr()
    assert main(["lint", str(tmp_path), "--line", "note", *jobs]) == 0
    put(tmp_path / "drawer 3" / "part 3.obj", plate(0.2, (5.0, 20.0, 19.0)))
    assert main(["lint", str(tmp_path), *jobs]) == 1
