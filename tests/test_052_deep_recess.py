"""Rule 52, deep recess: blind holes and slits of known depth and width, and what is wide, shallow, or below."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.recess import Recess
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from rules.rule_052_deep_recess import rule

BLOCK = solids.box((60.0, 60.0, 60.0))


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(mesh: solids.Mesh) -> list[Finding]:
    report = examine(part_of(mesh), {52: dataclasses.replace(rule, after=())}, Settings())
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def recesses(mesh: solids.Mesh) -> tuple[Recess, ...]:
    result: tuple[Recess, ...] = Survey(part_of(mesh)).get("recesses")
    return result


def bored(radius: float, depth: float, from_below: bool = False) -> solids.Mesh:
    vertices, faces = solids.tube(radius, 0.0, depth + 5, sides=64)
    low = -5.0 if from_below else 60.0 - depth
    return solids.cut(BLOCK, (vertices + np.array([30.0, 30.0, low]), faces))


@pytest.mark.parametrize(("radius", "depth"), [(2.0, 10.0), (4.0, 20.0), (5.5, 30.0)])
def test_a_bore_has_its_depth_and_width(radius: float, depth: float) -> None:
    (one,) = recesses(bored(radius, depth))
    assert one.width == pytest.approx(2 * radius * np.cos(np.pi / 64), rel=0.01)
    assert one.depth == pytest.approx(depth, rel=1e-3)


def test_a_slit_has_its_depth_and_width() -> None:
    (one,) = recesses(solids.cut(BLOCK, solids.box((40.0, 3.0, 16.0), (10.0, 28.0, 45.0))))
    assert one.width == pytest.approx(3.0, abs=0.01)
    assert one.depth == pytest.approx(15.0, abs=0.2)


@pytest.mark.parametrize(("depth", "count"), [(6.8, 0), (7.2, 1)])
def test_either_side_of_as_deep_as_wide(depth: float, count: int) -> None:
    said = found(bored(3.5, depth))
    assert len(said) == count
    assert all(f.weight is Weight.NOTE for f in said)


def test_a_tunnel_is_as_deep_as_half_its_length() -> None:
    (one,) = recesses(solids.cut(BLOCK, solids.box((70.0, 8.0, 8.0), (-5.0, 26.0, 26.0))))
    assert one.depth == pytest.approx(30.0, abs=0.5)
    assert one.width == pytest.approx(8.0, abs=0.05)


@pytest.mark.parametrize(
    "mesh",
    [BLOCK, solids.ball(30.0), solids.torus(30.0, 8.0), bored(7.0, 30.0), bored(4.0, 3.5), bored(2.5, 20.0, from_below=True)],
    ids=["a cube", "a ball", "a ring", "wide enough for a finger", "a dimple", "a hole in the base"],
)
def test_what_is_no_deep_recess(mesh: solids.Mesh) -> None:
    assert not found(mesh)


def test_a_valley_that_opens_wide_is_none() -> None:
    """Two slopes at 90 degrees to each other."""
    turn = np.array([[0.5**0.5, 0, 0.5**0.5], [0, 1, 0], [-(0.5**0.5), 0, 0.5**0.5]])
    wedge = solids.box((20.0, 80.0, 20.0), (-10.0, -10.0, -10.0))
    assert not found(solids.cut(BLOCK, (wedge[0] @ turn.T + np.array([30.0, 0.0, 60.0]), wedge[1])))


@pytest.mark.parametrize("open_below", [False, True], ids=["sealed", "drained"])
def test_the_inside_of_a_hollow_is_no_recess(open_below: bool) -> None:
    """A flat hollow 10 mm high and 50 mm wide: narrower than a recess may be, and out of the clay's reach."""
    mesh = solids.joined(BLOCK, solids.flipped(solids.box((50.0, 50.0, 10.0), (5.0, 5.0, 5.0))))
    for x in (12.0, 45.0):
        mesh = solids.cut(mesh, solids.box((4.0, 4.0, 10.0), (x, 28.0, -2.0))) if open_below else mesh
    assert not found(mesh)


def test_a_nick_in_an_inner_corner_is_no_recess() -> None:
    """A scratch of 0.03 mm down a wall that stands on a floor: the floor beside it cannot be touched by a wide ball, and is no recess."""
    step = solids.cut(BLOCK, solids.box((40.0, 40.0, 20.0), (-5.0, -5.0, 45.0)))
    points, faces = solids.tube(0.03, 0.0, 20.0, sides=3)
    scratched = solids.cut(step, (points + np.array([15.0, 35.0, 45.0]), faces))
    assert len(scratched[1]) > len(step[1])
    assert recesses(scratched) == ()
