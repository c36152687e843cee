"""Rule 38, suction cup: dips of known opening, depth and content, and what spills or drains."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source
from rules.rule_038_suction_cup import rule

SIDES = 96
ROUND = SIDES / (2 * np.pi) * np.sin(2 * np.pi / SIDES)  # a polygon of so many sides against its circle (facts 6.11)


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(mesh: solids.Mesh, process: str = "resin") -> list[Finding]:
    report = examine(part_of(mesh), {38: dataclasses.replace(rule, after=())}, Settings(process=process))
    return list(report.findings)


def beaker(radius: float, depth: float, floor: float = 5.0) -> solids.Mesh:
    top = floor + depth
    return solids.turned([(0.0, 0.0), (radius + 5, 0.0), (radius + 5, top), (radius, top), (radius, floor), (0.0, floor)], SIDES)


def test_opening_depth_and_force() -> None:
    (one,) = found(beaker(25.0, 35.0))
    assert one.measured == pytest.approx(np.pi * 625 * ROUND, rel=1e-9)
    assert "35 mm deep" in one.message
    assert "199 N" in one.message
    (cup,) = Survey(part_of(beaker(25.0, 35.0))).get("cups")
    assert cup.volume == pytest.approx(np.pi * 625 * 35 * ROUND, rel=1e-9)


@pytest.mark.parametrize(("radius", "depth", "count"), [(5.7, 20.0, 1), (5.6, 20.0, 0), (20.0, 5.01, 1), (20.0, 4.99, 0)])
def test_either_side_of_the_limits(radius: float, depth: float, count: int) -> None:
    assert len(found(beaker(radius, depth))) == count


def test_a_narrow_neck_does_not_hide_the_belly() -> None:
    bottle = [(0.0, 0.0), (30.0, 0.0), (30.0, 40.0), (10.0, 60.0), (8.0, 60.0), (8.0, 58.0), (25.0, 38.0), (25.0, 5.0), (0.0, 5.0)]
    (one,) = found(solids.turned(bottle, SIDES))
    assert one.measured == pytest.approx(np.pi * 625 * ROUND, rel=1e-3)


def test_a_pillar_in_the_cup_takes_its_part() -> None:
    (one,) = found(solids.fused(beaker(25.0, 35.0), solids.box((10.0, 10.0, 60.0), (-5.0, -5.0, 0.0))))
    assert one.measured == pytest.approx(np.pi * 625 * ROUND - 100, rel=1e-6)


def test_a_side_hole_lets_the_air_in_above_its_lower_edge() -> None:
    (one,) = found(solids.cut(beaker(25.0, 35.0), solids.box((60.0, 8.0, 8.0), (0.0, -4.0, 20.0))))
    assert "15 mm deep" in one.message


@pytest.mark.parametrize(
    "mesh",
    [
        solids.cut(beaker(25.0, 35.0), solids.box((4.0, 4.0, 20.0), (-2.0, -2.0, -5.0))),
        solids.cut(beaker(25.0, 35.0), solids.box((60.0, 8.0, 8.0), (0.0, -4.0, 5.0))),
        (beaker(25.0, 35.0)[0] * [1, 1, -1], beaker(25.0, 35.0)[1][:, ::-1]),
        solids.box((40.0, 40.0, 40.0)),
        solids.ball(30.0),
        solids.torus(30.0, 8.0),
        solids.joined(solids.box((40.0, 40.0, 40.0)), solids.flipped(solids.box((20.0, 20.0, 20.0), (10.0, 10.0, 10.0)))),
    ],
    ids=["drained through its base", "open at the side", "mouth down", "a cube", "a ball", "a ring", "sealed: rule 37"],
)
def test_what_does_not_suck(mesh: solids.Mesh) -> None:
    assert not found(mesh)


def test_it_is_for_resin_only() -> None:
    assert not found(beaker(25.0, 35.0), "extrusion")


def test_a_dip_on_a_slope_holds_what_geometry_says() -> None:
    """A block with a pocket 20 x 20 mm, tilted by 20 degrees: it spills over the low side of the rim."""
    block = solids.cut(solids.box((60.0, 60.0, 30.0)), solids.box((20.0, 20.0, 20.0), (20.0, 20.0, 15.0)))
    angle = np.radians(20.0)
    turn = np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])
    (cup,) = Survey(part_of((block[0] @ turn.T, block[1]))).get("cups")
    wedge = 20 * 20 * 15 - 20 * 20 * (20 * np.tan(angle)) / 2
    assert cup.volume == pytest.approx(wedge, rel=1e-6)
