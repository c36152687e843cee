"""Mirror: the other side, and nothing else. Kept volume, skin and pieces; the ticket's side turned once; no second mirroring."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.commands import shelves
from lint.load.ticket import read_ticket
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.save import write_part
from lint.settings import Settings
from lint.terms import Declined, Job, Part, Source
from lint.ticket import PartTable, Ticket

RULES = {n: all_rules()[n] for n in (1, 2, 4, 5, 6, 7, 8, 9, 10, 11)}


def wedge() -> solids.Mesh:
    """A block with a smaller one on its right front corner: not its own mirror image."""
    return solids.fused(solids.box((30, 20, 10), step=5), solids.box((8, 6, 14), (20, 2, 5), step=2))


def part(mesh: solids.Mesh, side: str = "left") -> Part:
    table = PartTable(side=side, units="mm", pair="right.stl")  # type: ignore[arg-type]
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("left.stl"), "stl", "", 0), units="mm", ticket=Ticket(part=table))


def test_it_keeps_every_promise_and_the_skin_faces_out() -> None:
    before = part(wedge())
    done = mend(before, RULES, {"mirror": all_fixes()["mirror"]}, Settings(steps=("mirror",)))
    assert [(s.name, s.outcome) for s in done.steps] == [("mirror", "done")], [s.why for s in done.steps]
    assert not done.broke
    assert done.steps[0].moved_max == pytest.approx(0, abs=1e-9)
    assert Survey(done.part).get("volume") == pytest.approx(Survey(before).get("volume"), rel=1e-12)
    assert Survey(done.part).get("volume") > 0
    low, high = before.vertices.min(axis=0), before.vertices.max(axis=0)
    assert np.allclose(done.part.vertices.min(axis=0), low)
    assert np.allclose(done.part.vertices.max(axis=0), high)
    top = done.part.vertices[:, 2] > 15
    assert done.part.vertices[top, 0].min() == pytest.approx(2)
    assert done.part.vertices[top, 0].max() == pytest.approx(10)
    assert done.part.ticket.part.side == "right"
    assert done.part.ticket.part.pair is None


def test_marks_of_the_ticket_go_with_it() -> None:
    before = part(wedge())
    done = mend(before, RULES, {"mirror": all_fixes()["mirror"]}, Settings(steps=("mirror",)))
    assert done.part.place_points([(30, 20, 10)])[0] == pytest.approx((0, 20, 10))


def test_a_second_time_in_one_run_is_declined() -> None:
    fix = all_fixes()["mirror"]
    assert fix.function is not None
    before = part(wedge())
    once = fix.function(Job(before, Settings(), (), (), Survey(before)))
    with pytest.raises(Declined, match="mirrored already"):
        fix.function(Job(once.part, Settings(), (), (), Survey(once.part)))


def test_nothing_is_mirrored_unasked() -> None:
    done = mend(part(wedge()), RULES, {"mirror": all_fixes()["mirror"]}, Settings())
    assert done.steps == ()


def test_written_and_mended_again_it_is_mirrored_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CI", raising=False)
    given = part(wedge())
    write_part(replace(given, ticket=Ticket()), Path("left.stl"))
    Path("left.stl.ticket.toml").write_text('[part]\nside = "left"\nunits = "mm"\npair = "right.stl"\n[fix]\nsteps = ["mirror"]\n')
    assert main(["fix", "left.stl", "--to", "right.stl"]) in (0, 1)
    assert read_ticket(Path("right.stl.ticket.toml")).part.side == "right"
    once = shelves.read_part(Path("right.stl"), shelves.Facts()).part
    assert main(["fix", "right.stl", "--to", "again.stl"]) in (0, 1)
    assert read_ticket(Path("again.stl.ticket.toml")).part.side == "right"
    again = shelves.read_part(Path("again.stl"), shelves.Facts()).part
    top_once, top_again = (p.vertices[p.vertices[:, 2] > p.vertices[:, 2].max() - 1, 0].mean() for p in (once, again))
    assert top_once < np.ptp(once.vertices[:, 0]) / 2 + once.vertices[:, 0].min()
    assert top_again == pytest.approx(top_once, abs=1e-3)
