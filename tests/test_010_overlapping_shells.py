"""Rule 10 and unite: volumes that geometry gives, cavities kept, and the skin that is seen kept to the last bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from corpus.solids import Mesh, ball, box, flipped, joined
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Mended, Part, Source
from tests.scans import needs_scans, scan

RULES = {n: all_rules()[n] for n in (9, 10)}
CUBE = box((10, 10, 10))


def part_of(mesh: Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units="mm")


def said(mesh: Mesh) -> list[Finding]:
    return list(examine(part_of(mesh), RULES, Settings()).findings)


def united(mesh: Mesh) -> Mended:
    return mend(part_of(mesh), RULES, {"unite": all_fixes()["unite"]}, Settings())


def lens(radius: float, apart: float) -> float:
    """What two equal balls share (facts 6.15: solid geometry)."""
    return float(np.pi * (4 * radius + apart) * (2 * radius - apart) ** 2 / 12)


CASES: dict[str, tuple[Mesh, str, float, float, float]] = {
    # mesh, case, measured, within, volume once united
    "a shared corner": (joined(CUBE, box((10, 10, 10), (5, 5, 5))), "share", 125, 1e-6, 1875),
    "sides in one plane": (joined(CUBE, box((10, 10, 10), (5, 0, 0))), "share", 500, 1e-6, 1500),  # facts 6.14
    "two balls": (joined(ball(20, level=4), ball(20, (24, 0.1, 0.2), level=4)), "share", lens(20, 24), 70, 0),
    "one in another": (joined(box((30, 30, 30)), box((10, 10, 10), (7, 8, 9))), "buried", 1000, 1e-6, 27000),
    "one on another": (joined(box((10, 10, 10), step=5), box((4, 4, 4), (3, 3, 10), step=2)), "touch", 16, 1e-6, 1064),
    "a bar into a hollow": (
        joined(box((30, 30, 30)), flipped(box((10, 10, 10), (10, 10, 10))), box((4, 4, 30), (13, 13, 15))),
        "share", 4 * 4 * 10, 1e-6, 26000 + 4 * 4 * (5 + 15),
    ),
    "a row of twenty": (joined(*[box((3, 4, 5), (2 * k, 0.1 * k, 0.13 * k)) for k in range(20)]), "share", 19 * 3.9 * 4.87, 1e-6, 0),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_what_is_shared_is_what_geometry_gives(name: str) -> None:
    mesh, case, measured, within, _ = CASES[name]
    got = said(mesh)
    assert [(f.rule, f.case) for f in got] == [(10, case)]
    assert got[0].measured == pytest.approx(measured, abs=within)
    assert got[0].fix == "unite"


SEPARATE: dict[str, Mesh] = {
    "a true cavity": joined(box((30, 30, 30)), flipped(box((10, 10, 10), (7, 8, 9)))),
    "a ball rattling in a hollow": joined(ball(20, level=3), flipped(ball(15, level=3)), ball(5, level=3)),
    "two blocks a hundredth apart": joined(CUBE, box((10, 10, 10), (10.01, 0, 0))),
    "boxes overlap, solids do not": joined(ball(10, level=3), ball(10, (12, 12, 12), level=3)),
}


@pytest.mark.parametrize("name", SEPARATE)
def test_what_does_not_overlap_is_not_told_of(name: str) -> None:
    assert not said(SEPARATE[name])
    step = united(SEPARATE[name]).steps
    assert not step


@pytest.mark.parametrize("name", CASES)
def test_unite_makes_one_solid_of_the_right_volume(name: str) -> None:
    mesh, _, _, _, volume = CASES[name]
    mended = united(mesh)
    assert [s.outcome for s in mended.steps] == ["done"], mended.steps
    assert not mended.after.findings
    survey = Survey(mended.part)
    shells = survey.get("shells")
    assert shells.closed.all()
    assert int((shells.volume > 0).sum()) == 1
    if volume:
        assert survey.get("volume") == pytest.approx(volume, abs=0.15 if name == "one on another" else 1e-6)
    again = mend(mended.part, RULES, {"unite": all_fixes()["unite"]}, Settings(steps=("unite",)))
    assert [s.outcome for s in again.steps] == ["declined"]


@pytest.mark.parametrize("name", CASES)
def test_the_united_part_is_still_sound_in_single_precision_a_metre_away(name: str) -> None:
    part = united(CASES[name][0]).part
    narrow = (part.vertices + np.array([1000, -1000, 1000])).astype(np.float32).astype(np.float64)
    survey = Survey(part.with_mesh(narrow, part.faces))
    assert survey.get("edges").closed
    assert not len(survey.get("crossings").pairs)


def test_a_hollow_stays_a_hollow() -> None:
    mended = united(joined(box((30, 30, 30)), flipped(box((8, 8, 8), (4, 4, 4))), box((10, 10, 10), (25, 10, 10))))
    shells = Survey(mended.part).get("shells")
    assert shells.volume[shells.volume < 0] == pytest.approx([-512])
    assert "keeping 1 hollows" in mended.steps[0].why


def test_skin_that_is_seen_keeps_its_points() -> None:
    one, two = ball(20, level=4), ball(20, (24, 0.1, 0.2), level=4)
    mended = united(joined(one, two))
    kept = {p.tobytes() for p in mended.part.vertices + 0.0}
    for mesh, other in ((one, (24, 0.1, 0.2)), (two, (0, 0, 0))):
        outside = mesh[0][np.linalg.norm(mesh[0] - other, axis=1) > 20.01] + 0.0
        assert all(p.tobytes() in kept for p in outside)
    assert mended.steps[0].moved_max == pytest.approx(0, abs=1e-9)


def test_shells_that_stand_apart_are_left_alone() -> None:
    mesh = joined(CUBE, box((10, 10, 10), (5, 5, 5)), box((3, 3, 3), (40, 0, 0)), box((3, 3, 3), (60, 0, 0))[:2])
    mended = united(mesh)
    shells = Survey(mended.part).get("shells")
    assert shells.count == 3
    assert sorted(shells.volume) == pytest.approx([27, 27, 1875])


def test_a_shell_inside_out_is_turned_first() -> None:
    mesh = joined(CUBE, flipped(box((10, 10, 10), (5, 5, 5))))
    mended = united(mesh)
    assert [s.outcome for s in mended.steps] in ([], ["declined"])


@needs_scans
def test_a_real_mask_of_three_shells_becomes_one() -> None:
    import trimesh

    mesh = trimesh.load(scan("mask_hannya.ply"), process=False, force="mesh")
    mended = united((np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.int64)))
    assert [s.outcome for s in mended.steps] == ["done"]
    assert Survey(mended.part).get("shells").count == 1
    assert not mended.after.findings
    assert mended.steps[0].moved_max is not None
    assert mended.steps[0].moved_max < 1e-6


def test_air_shut_in_between_united_shells_is_filled_and_said() -> None:
    """Two bowls rim to rim make a hollow that neither had: nobody could drain it."""
    bowl = solids.cut(solids.ball(20, level=4), solids.ball(15, level=4))
    lower = solids.cut(bowl, solids.box((60, 60, 30), low=(-30, -30, 1)))
    upper = solids.cut(bowl, solids.box((60, 60, 30), low=(-30, -30, -31)))
    upper = upper[0] + [0.13, 0.07, 0.0], upper[1]
    rules = {n: all_rules()[n] for n in (8, 9, 10)}
    done = mend(part_of(solids.joined(lower, upper)), rules, {"unite": all_fixes()["unite"]}, Settings())
    assert [s.outcome for s in done.steps] == ["done"]
    assert "pockets of air" in done.steps[0].why
    survey = Survey(done.part)
    assert survey.get("shells").count == 1
    assert survey.get("volume") == pytest.approx(4 / 3 * np.pi * 8000, rel=0.01)


def test_skin_of_the_largest_shell_that_another_takes_in_is_told_and_is_a_zone() -> None:
    """A box that a smaller one swallows a corner of: the corner's skin went, and only the count of shells told of it."""
    from lint.measure.displacement import in_zones

    mended = united(joined(box((30, 30, 30), step=3.0), box((14, 14, 14), (22, 22, 22), step=2.0)))
    step = mended.steps[0]
    gone = np.array([[30.0, 26.0, 26.0], [26.0, 30.0, 28.0], [29.9, 29.9, 30.0]])
    seen = np.array([[30.0, 10.0, 10.0], [36.0, 30.0, 30.0], [15.0, 30.0, 15.0]])
    assert in_zones(gone, step.zones).all()
    assert not in_zones(seen, step.zones).any()
    told = float(step.why.split("; ")[1].split(" mm2 of skin of the largest shell")[0])
    assert told == pytest.approx(3 * 8 * 8, rel=0.15)  # asked at three places a face
    assert any("look whether that other belongs to the part" in c for c in step.cautions)


def test_a_shell_wholly_inside_takes_no_skin_of_the_largest() -> None:
    """Its own skin is told to be gone: through a hole that was closed since, it may have been seen."""
    from lint.measure.displacement import in_zones

    block, inner = box((30, 30, 30), step=3.0), box((10, 10, 10), (7, 8, 9), step=2.0)
    step = united(joined(block, inner)).steps[0]
    assert "largest" not in step.why
    assert not step.cautions
    assert in_zones(inner[0], step.zones).all()
    assert not in_zones(block[0], step.zones).any()


@pytest.mark.parametrize(("tipped", "outcome"), [(0.003, "done"), (0.05, "declined")])
def test_skin_that_tips_a_little_is_measured_before_a_word_is_given(tipped: float, outcome: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It promised a thousandth whatever came; 0.0015 mm of tipping broke its word, and the whole run wrote nothing."""
    from lint.measure.displacement import Moved
    from lint.shape import unite

    monkeypatch.setattr(unite, "measured_move", lambda *_: Moved(tipped, 0.0, 1, 0.0))
    monkeypatch.setattr("lint.mend.skin_moved", lambda *_: Moved(tipped, 0.0, 1, 0.0))
    mended = united(joined(CUBE, box((10, 10, 10), (5, 5, 5))))
    assert (mended.steps[0].outcome, mended.broke) == (outcome, False), mended.steps[0].why


def test_skin_that_a_hollow_breaks_through_is_a_zone_even_where_the_breach_is_small() -> None:
    """The tip of a dent reaches into a hollow, off all places that were asked: unite broke its word, and the whole run wrote nothing."""
    points, faces = box((40, 40, 40), step=20.0)
    points = points.copy()
    points[np.linalg.norm(points - (20.0, 20.0, 40.0), axis=1) < 1e-6] = (20.0, 20.0, 31.3)
    mended = united(joined((points, faces), flipped(box((12, 12, 12), (14.2, 13.7, 20.0)))))
    assert [(s.name, s.outcome) for s in mended.steps] == [("unite", "done")], mended.steps[0].why
    assert not mended.broke
