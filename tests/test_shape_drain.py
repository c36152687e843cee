"""Drain where no upright way leads from the base into a hollow: at a slant, with bends, through the side, or not at all and told so."""

from __future__ import annotations

import dataclasses
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from corpus import solids
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import Settings
from lint.shape.drain import fix as drain
from lint.shape.verify import thin_regions
from lint.shape.ways_out import pooled
from lint.terms import Declined, Job, Part, Shaped, Source, Touch

WALL = 3.0
Points = NDArray[np.float64]


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def settings(allow: Touch = Touch.INSIDE, process: str = "resin") -> Settings:
    return dataclasses.replace(Settings(), allow=allow, process=process)


def drained(part: Part, facts: Settings) -> Shaped:
    assert drain.function is not None
    return drain.function(Job(part, facts, (), (), Survey(part), asked=True))


def rod(radius: float, length: float, foot: tuple[float, float, float]) -> solids.Mesh:
    """A round rod that leans by 45 degrees towards +x."""
    points, faces = solids.turned([(0.0, 0.0), (radius, 0.0), (radius, length), (0.0, length)], 64)
    half = 0.5**0.5
    turn = np.array([[half, 0.0, half], [0.0, 1.0, 0.0], [-half, 0.0, half]])
    return points @ turn.T + np.array(foot), faces


def along(distance: float) -> tuple[float, float, float]:
    return 20.0 + distance * 0.5**0.5, 20.0, 80.0 + distance * 0.5**0.5


LEG = solids.box((40.0, 40.0, 100.0))


@cache
def boot() -> tuple[solids.Mesh, solids.Mesh]:
    """A leg with an arm that leans out at 45 degrees, 130 mm long, and the hollow in the arm, which lies nowhere above the base."""
    return solids.fused(LEG, rod(20.0, 130.0, along(0.0))), rod(10.0, 45.0, along(70.0))


@cache
def gallows() -> tuple[solids.Mesh, solids.Mesh]:
    """A leg with a level arm, and a hollow in the arm with a level floor 105 mm up: a way that falls cannot come in at its floor."""
    return solids.fused(LEG, solids.box((120.0, 40.0, 40.0), (0.0, 0.0, 100.0))), solids.box((40.0, 30.0, 30.0), (70.0, 5.0, 105.0))


@cache
def lollipop() -> tuple[solids.Mesh, solids.Mesh]:
    """A ball of 25 mm with a hollow of 15, on a neck 8 mm thick that has no room for a hole with its wall."""
    stick = solids.turned([(0.0, 0.0), (20.0, 0.0), (20.0, 6.0), (4.0, 6.0), (4.0, 60.0), (0.0, 60.0)], 96)
    return solids.fused(stick, solids.ball(25.0, (0.0, 0.0, 80.0), 3)), solids.ball(15.0, (0.0, 0.0, 80.0), 3)


def sealed(shape: tuple[solids.Mesh, ...]) -> Part:
    return part_of(solids.joined(shape[0], *(solids.flipped(hollow) for hollow in shape[1:])))


def holes_of(shaped: Shaped) -> list[Points]:
    """The axis of each hole, (k, 3)."""
    return [np.array(z.points) for z in shaped.zones if z.why.startswith("a drain hole through")]


def is_open_all_along(part: Part, axis: Points, radius: float) -> bool:
    """By trimesh: no point within 0.9 of the radius about the axis lies in the material."""
    solid = trimesh.Trimesh(part.vertices, part.faces, process=False)
    return not bool(solid.contains(rings(axis, 0.9 * radius)).any())


def rings(axis: Points, radius: float) -> Points:
    """Points on balls about the axis: the way may bend, and a ball needs no direction."""
    spread = [one + (two - one) * t for one, two in pairwise(axis) for t in np.linspace(0.02, 1, 12)]
    ball = trimesh.creation.icosphere(2, radius).vertices
    return np.asarray((np.array(spread)[:, None] + ball[None]).reshape(-1, 3))


@pytest.mark.parametrize("process", ["extrusion", "resin"])
def test_a_hollow_beside_the_base_is_drained_by_ways_that_bend(process: str) -> None:
    """One shell and one handle more (facts 6.4, 6.6); each way falls all along, is open, and keeps the wall to the outer skin."""
    outer, _ = boot()
    part = sealed(boot())
    shaped = drained(part, settings(process=process))
    after = Survey(shaped.part)
    skin, edges = after.get("skin"), after.get("edges")
    assert after.get("shells").count == 1
    assert edges.closed
    assert len(np.unique(skin.faces)) - len(edges.ends) + len(skin.faces) == 0
    whole = trimesh.Trimesh(*outer, process=False)
    ways = holes_of(shaped)
    assert len(ways) == 2
    for way in ways:
        assert way[0, 2] == 0.0
        assert (np.diff(way[:, 2]) > 0).all()
        assert is_open_all_along(shaped.part, way, 2.5)
        assert not is_open_all_along(part, way, 2.5)
        about = rings(way, 2.5 + WALL - 0.02)
        assert whole.contains(about[about[:, 2] > 1e-3]).all()
    assert pooled(Survey(part), after) < 30
    assert not thin_regions(after, 1.0)
    assert "both go up from the base at a slant or with bends" in shaped.did


def test_what_a_bent_way_takes_is_a_rod_of_its_length() -> None:
    """Volume lost, at most pi r^2 by the length of both axes and the balls at their ends, at least that outside the hollow."""
    part = sealed(boot())
    shaped = drained(part, settings())
    ways = holes_of(shaped)
    lost = float(Survey(part).get("volume")) - float(Survey(shaped.part).get("volume"))
    length = sum(float(np.linalg.norm(np.diff(way, axis=0), axis=1).sum()) for way in ways)
    assert 0.85 * np.pi * 2.5**2 * length < lost < 1.15 * np.pi * 2.5**2 * length


def test_the_mend_keeps_its_word_about_the_skin() -> None:
    """The whole engine: the step is done, no point of the outer skin moved, and rule 37 is silent."""
    done = mend(sealed(boot()), all_rules(), all_fixes(), dataclasses.replace(settings(), steps=("drain",)))
    step = next(s for s in done.steps if s.name == "drain")
    assert step.outcome == "done", step.why
    assert step.moved_max is not None
    assert step.moved_max < 1e-6
    assert not [f for f in done.after.findings if f.rule == 37]


def test_a_level_floor_far_from_the_base_is_drained_through_the_underside() -> None:
    """From the base only a way that ends over the floor; through the underside all runs out. Which of them decides what may be cut."""
    part = sealed(gallows())
    inside = drained(part, settings())
    assert all(way[0, 2] == 0.0 for way in holes_of(inside))
    left = pooled(Survey(part), Survey(inside.part))
    # the way falls 1 in 2.75 and keeps 5.5 mm off the corner at x = 40, z = 100, so it comes in at x = 70 no lower than 10 mm up
    assert 40 * 30 * 5 < left < 40 * 30 * 15
    assert "ml pools on its floor" in inside.did
    skin = drained(part, settings(Touch.SKIN))
    assert pooled(Survey(part), Survey(skin.part)) < 30
    assert "both go through the underside of the skin, up to 100 mm above the base" in skin.did
    for zone in (z for z in skin.zones if z.why == "a drain hole through the underside of the skin"):
        axis = np.array(zone.points)
        assert axis[1, 2] == pytest.approx(100.0, abs=1e-6)
        assert axis[-1, 2] > 105.0
        assert is_open_all_along(skin.part, axis, 2.5)
    assert any("plug it" in caution for caution in skin.cautions)


def test_a_hollow_on_a_thin_neck_is_told_of_or_opened_at_its_underside() -> None:
    part = sealed(lollipop())
    with pytest.raises(Declined, match=r"the hollow of 14\.\d cm3 with its floor 65 mm above the base cannot be drained") as told:
        drained(part, settings())
    assert "only the inside is allowed" in str(told.value)
    shaped = drained(part, settings(Touch.SKIN))
    after = Survey(shaped.part)
    assert not after.get("hollows").cavities
    assert after.get("shells").count == 1
    for way in holes_of(shaped):
        assert way[0, 2] < way[-1, 2] < 80.0
        assert np.linalg.norm(way[1] - [0.0, 0.0, 80.0]) == pytest.approx(25.0, abs=0.2)


def test_each_of_two_hollows_gets_its_own_two_holes() -> None:
    outer, aside = boot()
    part = sealed((outer, aside, solids.box((24.0, 24.0, 20.0), (8.0, 8.0, 6.0))))
    with pytest.raises(Declined, match=r"one of 2 hollows, that of 14\.\d cm3 .* none is opened while one stays shut"):
        drained(part, settings())  # the lower one takes all the room on the base
    small = sealed((outer, aside, solids.box((30.0, 10.0, 15.0), (5.0, 5.0, 6.0))))
    shaped = drained(small, settings())
    assert Survey(shaped.part).get("shells").count == 1
    assert len(holes_of(shaped)) == 4
    assert "into each of 2 hollows" in shaped.did
    assert not thin_regions(Survey(shaped.part), 1.0)
