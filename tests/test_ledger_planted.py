"""Two hundred faults planted on eight parts, accepted, and the parts exported again: the rules find them and the ledger knows them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.load.ticket import read_ledger, write_ledger
from lint.ticket import Ledger
from tests import samples

# Five rows of five on each part; the faults lie at least this far apart, mm.
APART = 18.0
SHIFT = np.array([1000.0, -1000.0, 250.0])
RULES = ("--rule", "4", "--rule", "11", "--rule", "30")


def spots(dice: np.random.Generator) -> np.ndarray:
    """(25, 2) places on a plate of 110 by 110 mm, off the grid by up to 2 mm."""
    grid = np.stack(np.meshgrid(np.arange(5), np.arange(5), indexing="ij"), axis=-1).reshape(-1, 2)
    return 15.0 + (APART + 2) * grid + dice.uniform(-1, 1, (25, 2))


def with_plates(dice: np.random.Generator) -> tuple[solids.Mesh, np.ndarray]:
    """Thin plates standing on a base: rule 30."""
    mesh = solids.box((110, 110, 10))
    places = spots(dice)
    for x, y in places:
        thick, turned = dice.uniform(0.1, 0.35), dice.random() < 0.5
        size = (thick, 8, 8) if turned else (8, thick, 8)
        mesh = solids.fused(mesh, solids.box(size, (x - size[0] / 2, y - size[1] / 2, 9), step=4))
    return mesh, np.column_stack((places, np.full(25, 14.0)))


def with_holes(dice: np.random.Generator) -> tuple[solids.Mesh, np.ndarray]:
    """Faces torn out of the top of a base: rule 4."""
    vertices, faces = solids.box((110, 110, 10), step=2)
    middle = vertices[faces].mean(axis=1)
    wanted = np.column_stack((spots(dice), np.full(25, 10.0)))
    torn = [int(np.argmin(np.linalg.norm(middle - spot, axis=1))) for spot in wanted]
    return (vertices, np.delete(faces, torn, axis=0)), middle[torn]


def with_specks(dice: np.random.Generator) -> tuple[solids.Mesh, np.ndarray]:
    """Specks floating above a base: rule 11."""
    at = np.column_stack((spots(dice), dice.uniform(15, 20, 25)))
    specks = [solids.ball(float(dice.uniform(0.6, 1.5)), spot, level=1) for spot in at]
    return solids.joined(solids.box((110, 110, 10)), *specks), at


PLANTED = (with_plates, with_plates, with_plates, with_plates, with_holes, with_holes, with_specks, with_specks)


def exported_again(mesh: solids.Mesh, dice: np.random.Generator) -> bytes:
    """Moved by a metre, renumbered, every face begun at another corner, in 32-bit numbers."""
    faces = mesh[1][dice.permutation(len(mesh[1]))]
    faces = np.take_along_axis(faces, (np.arange(3) + dice.integers(0, 3, len(faces))[:, None]) % 3, axis=1)
    return samples.binary_stl(mesh[0] + SHIFT, faces)


def nearest(spot: Iterable[float], places: np.ndarray) -> int:
    away = np.linalg.norm(places - np.asarray(tuple(spot)), axis=1)
    assert away.min() < APART / 3, "a finding that nobody planted"
    return int(np.argmin(away))


def test_two_hundred_planted_faults_are_known_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    dice = np.random.default_rng(30)
    (tmp_path / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n', encoding="utf-8")
    shelf = {f"part {k}.stl": plant(dice) for k, plant in enumerate(PLANTED)}
    for name, (mesh, _) in shelf.items():
        (tmp_path / name).write_bytes(samples.binary_stl(*mesh))
    assert main(["accept", str(tmp_path), *RULES, "--because", "planted", "--jobs", "1"]) == 0

    # Each entry is given a reason of its own, so that what accepts a finding can be told from its neighbours.
    ledger = read_ledger(tmp_path / "ledger.toml")
    named = []
    for entry in ledger.accepted:
        assert entry.spot is not None
        mesh, places = shelf[entry.part]
        named.append(msgspec.structs.replace(entry, because=f"{entry.part} {nearest(mesh[0].min(axis=0) + entry.spot, places)}"))
    assert len({e.because for e in named}) == len(named) == 200, "each fault was found once"
    write_ledger(tmp_path / "ledger.toml", Ledger(accepted=named))

    for name, (mesh, _) in shelf.items():
        (tmp_path / name).write_bytes(exported_again(mesh, dice))
    capsys.readouterr()
    code = main(["lint", str(tmp_path), *RULES, "--jobs", "1", "--as", "json", "--line", "note"])
    right = wrong = found = 0
    for part in json.loads(capsys.readouterr().out)["parts"]:
        name = Path(part["path"]).name
        for finding in part["findings"]:
            is_really = f"{name} {nearest(finding['place']['centre'] - SHIFT, shelf[name][1])}"
            found += 1
            right += finding["accepted"] == is_really
            wrong += finding["accepted"] not in (is_really, None)
    print(f"{found} found again, {right} known, {wrong} taken for another")
    assert found == 200
    assert wrong == 0
    assert right >= 198
    assert code == (0 if right == 200 else 1)
