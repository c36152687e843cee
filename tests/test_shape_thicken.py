"""Thicken: thin walls come out as thick as asked, the rest of the skin stays, and a second time there is nothing to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.narrow import Narrow
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import Settings
from lint.terms import Declined, Job, Mended, Part, Source

RULES = {n: all_rules()[n] for n in (30, 34, 35)}
FIX = {"thicken": all_fixes()["thicken"]}


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("wing.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def thickened(mesh: solids.Mesh, **facts: object) -> Mended:
    return mend(part_of(mesh), RULES, FIX, Settings(steps=("thicken",), **facts))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "mesh"),
    [
        ("a fin on a block", solids.fused(solids.box((20, 20, 10)), solids.box((0.5, 12, 6), low=(10, 4, 9), step=2))),
        ("a plate lying down", solids.box((15, 10, 0.5))),
        ("a plate standing up", solids.box((15, 0.5, 10))),
        ("a pocket", solids.cut(solids.box((20, 20, 4)), solids.box((6, 5, 4), low=(7, 8, 0.3)))),
        ("a wire of five sides", solids.tube(0.3, 0, 12, sides=5)),
    ],
)
def test_a_thin_wall_is_mended(name: str, mesh: solids.Mesh) -> None:
    mended = thickened(mesh)
    assert [f.rule for f in mended.before.findings if f.rule == 30]
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("done", False), (name, step.why)
    assert step.moved_max is not None
    assert step.moved_max < 1e-3
    assert not [f for f in mended.after.findings if f.rule == 30]
    assert bool(Survey(mended.part).get("edges").closed)
    low, high = mended.part.vertices.min(axis=0), mended.part.vertices.max(axis=0)
    assert low[2] == pytest.approx(0, abs=1e-9)
    assert (high - low <= np.ptp(mesh[0], axis=0) + 1.0).all()


def test_only_the_missing_half_is_added_on_each_side() -> None:
    mesh = solids.fused(solids.box((20, 20, 10)), solids.box((0.6, 12, 6), low=(10, 4, 9), step=2))
    mended = thickened(mesh)
    fin = mended.part.vertices[(mended.part.vertices[:, 2] > 11) & (mended.part.vertices[:, 2] < 14)]
    assert np.ptp(fin[:, 0]) == pytest.approx(0.8 * 1.06, abs=0.01)
    assert (fin[:, 0].min() + fin[:, 0].max()) / 2 == pytest.approx(10.3, abs=0.01)


@pytest.mark.parametrize("mesh", [solids.box((20, 20, 20)), solids.box((15, 10, 0.9))])
def test_a_thick_part_is_left_alone(mesh: solids.Mesh) -> None:
    make = FIX["thicken"].function
    assert make is not None
    part = part_of(mesh)
    with pytest.raises(Declined):
        make(Job(part, Settings(), (), (), Survey(part)))


def test_a_wall_too_large_is_declined_with_its_size() -> None:
    mended = thickened(solids.joined(solids.ball(40, level=4), solids.flipped(solids.ball(39.5, level=4))))
    (step,) = mended.steps
    assert step.outcome == "declined"
    assert "too large" in step.why


def test_it_runs_only_when_asked() -> None:
    mended = mend(part_of(solids.box((15, 10, 0.5))), RULES, FIX, Settings())
    assert not mended.steps


@pytest.mark.parametrize(("folded", "spare"), [([True, False], 1.09), ([True] * 4, 1.06)])
def test_the_thickness_is_taken_that_leaves_no_fold_at_all(folded: list[bool], spare: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of folds that no rule judges another thickness may be free; where none is, the first sound one stands."""
    from lint.shape import thicken

    answers = iter(folded)
    monkeypatch.setattr(thicken, "any_crosses", lambda vertices, faces, new: next(answers))
    mended = thickened(solids.fused(solids.box((20, 20, 10)), solids.box((0.6, 12, 6), low=(10, 4, 9), step=2)))
    fin = mended.part.vertices[(mended.part.vertices[:, 2] > 11) & (mended.part.vertices[:, 2] < 14)]
    assert np.ptp(fin[:, 0]) == pytest.approx(0.8 * spare, abs=0.01)
    assert not list(answers)


def test_for_a_stop_it_runs_unasked_and_leaves_weak_walls_alone() -> None:
    block = solids.box((30, 20, 10))
    mesh = solids.fused(block, solids.box((0.2, 12, 6), low=(8, 4, 9), step=2))
    mesh = solids.fused(mesh, solids.box((0.6, 12, 6), low=(20, 4, 9), step=2))
    mended = mend(part_of(mesh), RULES, FIX, Settings())
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("done", False), step.why
    assert [f.weight.word for f in mended.before.findings if f.rule == 30] == ["stop", "caution"]
    assert [f.weight.word for f in mended.after.findings if f.rule == 30] == ["caution"]
    points = mended.part.vertices
    high = points[(points[:, 2] > 11) & (points[:, 2] < 14)]
    weak, strong = high[high[:, 0] > 15], high[high[:, 0] < 15]
    assert not len(weak) or np.ptp(weak[:, 0]) == pytest.approx(0.6)
    assert np.ptp(strong[:, 0]) >= 0.8


@pytest.mark.parametrize(("left", "outcome"), [([0.3], "declined"), ([], "done")])
def test_a_wall_that_stays_thin_is_told_before_a_word_is_given(left: list[float], outcome: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another skin is sampled at other points, so a wall may show that did not before; then fewer are promised, or none."""
    seen: list[Survey] = []

    def thin(survey: Survey, thick: float) -> list[float]:
        seen.append(survey)
        return [0.5] if len(seen) % 2 else left

    monkeypatch.setattr("lint.shape.thicken._thin", thin)
    mended = thickened(solids.fused(solids.box((20, 20, 10)), solids.box((0.5, 12, 6), low=(10, 4, 9), step=2)))
    assert [s.outcome for s in mended.steps] == [outcome]
    assert ("by hand" in mended.steps[0].why) == (outcome == "declined")


def test_a_slanting_plate_takes_no_more_cells_than_one_lying_straight(monkeypatch: pytest.MonkeyPatch) -> None:
    """The box round a plate at 45 degrees holds many times the cells of the box along it: it was declined as too large."""
    from lint.shape import thicken

    monkeypatch.setattr(thicken, "CELLS", 150_000)
    plate, faces = solids.box((14.0, 14.0, 0.3))
    turn = np.array([[0.5**0.5, 0.0, -(0.5**0.5)], [0.0, 1.0, 0.0], [0.5**0.5, 0.0, 0.5**0.5]])
    mended = thickened(((plate @ turn.T) + (0.0, 0.0, 3.0), faces))
    assert [s.outcome for s in mended.steps if s.name == "thicken"] == ["done"]
    assert not [f for f in mended.after.findings if f.rule == 30]


@pytest.mark.parametrize("side", [0, 1])
def test_a_wall_of_which_one_side_alone_was_found_thin_is_cored_all_over(side: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever side it is: of a slanting wall the patches of one side can all look past the other."""
    from lint.shape import thicken
    from lint.shape.verify import thin_regions

    survey = Survey(part_of(solids.box((15, 10, 0.5), step=5)))
    skin = survey.get("skin")
    below = (skin.vertices[skin.faces][:, :, 2] == 0).all(axis=1)

    def one_sided(survey: Survey, limit: float) -> list[Narrow]:
        return [replace(r, faces=r.faces[below[r.faces] == bool(side)]) for r in thin_regions(survey, limit)]

    monkeypatch.setattr(thicken, "thin_regions", one_sided)
    (core,) = thicken._cores(survey, 0.8, np.inf)
    assert len(core) > 5000
    assert np.ptp(core[:, 0]) > 14
    assert np.ptp(core[:, 1]) > 9


def test_skin_that_stays_keeps_its_points_to_the_last_bit_wherever_the_part_lies() -> None:
    vertices, faces = solids.fused(solids.box((20, 20, 10), step=3), solids.box((0.6, 12, 6), low=(10, 4, 9), step=2))
    away = np.array([-101.30188093, 37.7721, 0.0])
    mended = thickened((vertices + away, faces))
    assert mended.steps[0].outcome == "done"
    kept = {tuple(p) for p in mended.part.vertices.tolist()}
    block = (vertices[:, 2] < 9) & (vertices[:, 2] > 0)
    assert all(tuple(p) in kept for p in (vertices + away)[block].tolist())


@pytest.mark.parametrize(("tipped", "outcome"), [(0.006, "done"), (0.05, "declined")])
def test_skin_that_tips_a_little_beside_the_wall_is_promised_and_not_refused(
    tipped: float, outcome: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hand with a wall of 0.01 mm was refused because a face beside it tipped by 0.006 mm."""
    from lint.measure.displacement import Moved
    from lint.shape import thicken

    monkeypatch.setattr(thicken, "measured_move", lambda *_: Moved(tipped, 0.0, 1, 0.0))
    monkeypatch.setattr("lint.mend.skin_moved", lambda *_: Moved(tipped, 0.0, 1, 0.0))
    mended = thickened(solids.fused(solids.box((20, 20, 10)), solids.box((0.5, 12, 6), low=(10, 4, 9), step=2)))
    assert (mended.steps[0].outcome, mended.broke) == (outcome, False), mended.steps[0].why
