"""Rule 39, solid and heavy: the saving of solids whose inner offset is known, and parts that are not worth hollowing."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from rules.rule_039_solid_and_heavy import rule


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(mesh: solids.Mesh, **facts: object) -> list[Finding]:
    report = examine(part_of(mesh), {39: dataclasses.replace(rule, after=())}, Settings(**facts))  # type: ignore[arg-type]
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


@pytest.mark.parametrize("wall", [2.0, 3.0, 6.0])
def test_a_box_loses_twice_the_wall_each_way(wall: float) -> None:
    """Volume of a box's inner offset: abc to (a-2t)(b-2t)(c-2t) (facts 6.9)."""
    (one,) = found(solids.box((60.0, 80.0, 100.0)), wall=wall)
    assert one.measured == pytest.approx((60 - 2 * wall) * (80 - 2 * wall) * (100 - 2 * wall) / 1000, rel=0.01)
    assert one.weight is Weight.NOTE
    assert one.sampled


def test_a_ring_by_pappus() -> None:
    """2 pi^2 R (r - t)^2 (facts 6.13)."""
    (one,) = found(solids.torus(60.0, 20.0))
    assert one.measured == pytest.approx(2 * np.pi**2 * 60 * 17**2 / 1000, rel=0.01)


def test_a_turned_block_says_the_same() -> None:
    vertices, faces = solids.box((60.0, 80.0, 100.0))
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    (one,), (two,) = found((vertices, faces)), found((vertices @ turn.T, faces))
    assert one.measured == pytest.approx(two.measured, rel=0.01)


def test_weight_and_hours() -> None:
    """54 x 74 x 94 mm: 375.6 cm3; 1.24 g/cm3; a bead of 0.44 x 0.2 mm at 40 mm/s lays 12.67 cm3 an hour."""
    (one,) = found(solids.box((60.0, 80.0, 100.0)))
    assert "93 to 46" in one.message
    slow = float(one.message.split(" to ")[-1].split(" hours")[0])
    assert slow == pytest.approx(375.6 / 12.672, rel=0.03)
    (resin,) = found(solids.box((60.0, 80.0, 100.0)), process="resin")
    assert "hours" not in resin.message


@pytest.mark.parametrize(("side", "count"), [(32.9, 0), (33.5, 1)])
def test_either_side_of_20_cm3(side: float, count: int) -> None:
    """(33.14 - 6)^3 is 20 cm3."""
    assert len(found(solids.box((side, side, side)))) == count


@pytest.mark.parametrize(
    "mesh",
    [
        solids.box((200.0, 200.0, 9.9)),
        solids.joined(solids.box((60.0, 60.0, 60.0)), solids.flipped(solids.box((50.0, 50.0, 50.0), (5.0, 5.0, 5.0)))),
        solids.cut(solids.box((80.0, 80.0, 80.0)), solids.box((66.0, 66.0, 73.0), (7.0, 7.0, -1.0))),
    ],
    ids=["a plate", "hollow", "a bell open below"],
)
def test_what_is_not_worth_it_or_is_hollow(mesh: solids.Mesh) -> None:
    assert not found(mesh)


def test_the_points_inside_add_up_to_the_volume() -> None:
    survey = Survey(part_of(solids.ball(40.0)))
    depths = survey.get("depths")
    assert len(depths.depth) * depths.cell == pytest.approx(float(survey.get("volume")), rel=2e-3)
    assert depths.deeper(0.0) == pytest.approx(float(survey.get("volume")), rel=0.02)
