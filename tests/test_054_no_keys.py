"""Rule 54, no keys, and the fix that cuts them: sockets counted, told from drains, and cut where there is room."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.run import examine
from lint.settings import Settings
from lint.shape.key import fix as key
from lint.terms import Declined, Finding, Job, Part, Shaped, Source
from rules.rule_054_no_keys import rule

BLOCK = solids.box((80.0, 60.0, 30.0))


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(mesh: solids.Mesh) -> list[Finding]:
    report = examine(part_of(mesh), {54: dataclasses.replace(rule, after=())}, Settings())
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def keyed(part: Part) -> Shaped:
    assert key.function is not None
    return key.function(Job(part, Settings(), (), (), Survey(part), asked=True))


def rod(radius: float, low: tuple[float, float, float], height: float = 10.0, sides: int = 48) -> solids.Mesh:
    vertices, faces = solids.tube(radius, 0.0, height, sides=sides)
    return vertices + np.array(low), faces


def sockets(*at: tuple[float, float], radius: float = 4.0) -> solids.Mesh:
    mesh = BLOCK
    for x, y in at:
        mesh = solids.cut(mesh, rod(radius, (x, y, -5.0)))
    return mesh


@pytest.mark.parametrize(
    ("at", "cases"),
    [
        ((), ["few"]),
        (((15.0, 15.0), (65.0, 15.0)), ["few"]),
        (((15.0, 15.0), (65.0, 15.0), (40.0, 45.0)), []),
        (((15.0, 30.0), (65.0, 30.0), (40.0, 30.0)), ["in a line"]),
    ],
)
def test_three_sockets_not_in_a_line(at: tuple[tuple[float, float], ...], cases: list[str]) -> None:
    said = found(sockets(*at))
    assert [f.case for f in said] == cases
    for one in said:
        assert one.measured == len(at)


def test_pegs_on_the_land_count() -> None:
    mesh = solids.fused(solids.box((100.0, 100.0, 8.0)), solids.box((30.0, 30.0, 40.0), (35.0, 35.0, 0.0)))
    for x, y in ((12.0, 12.0), (88.0, 12.0), (50.0, 88.0)):
        mesh = solids.fused(mesh, rod(4.0, (x, y, 3.0)))
    assert not found(mesh)


def test_drains_and_square_holes_are_no_keys() -> None:
    hollow = solids.joined(BLOCK, solids.flipped(solids.box((70.0, 50.0, 20.0), (5.0, 5.0, 5.0))))
    for x, y in ((15.0, 15.0), (65.0, 15.0), (40.0, 45.0)):
        hollow = solids.cut(hollow, rod(2.5, (x, y, -2.0)))
    assert [f.case for f in found(hollow)] == ["few"]
    square = BLOCK
    for x, y in ((15.0, 15.0), (60.0, 15.0), (40.0, 45.0)):
        square = solids.cut(square, solids.box((8.0, 8.0, 10.0), (x, y, -5.0)))
    assert found(square)[0].measured == 0


def test_the_fix_cuts_three_where_there_is_wall_around_them() -> None:
    shaped = keyed(part_of(BLOCK))
    assert not found((shaped.part.vertices, shaped.part.faces))
    survey = Survey(shaped.part)
    keys = [loop for loop in survey.get("base_loops").base if not loop.outer]
    assert len(keys) == 3
    for one in keys:
        assert one.width == pytest.approx(8.5, rel=0.01)
        assert one.step == pytest.approx(6.4)
        assert min(one.x, 80 - one.x, one.y, 60 - one.y) >= 4.25 + 3.0 - 0.01
    volume = float(survey.get("volume"))
    cone = np.pi * 6.4 / 3 * (4.25**2 + 4.25 * 4.125 + 4.125**2)
    assert 80 * 60 * 30 - volume == pytest.approx(3 * cone, rel=0.01)


def test_the_fix_keeps_clear_of_a_hollow_and_its_drains() -> None:
    hollow = solids.joined(BLOCK, solids.flipped(solids.box((50.0, 40.0, 12.0), (15.0, 10.0, 12.0))))
    mesh = solids.cut(hollow, rod(2.5, (30.0, 30.0, -2.0), 20.0))
    shaped = keyed(part_of(mesh))
    assert Survey(shaped.part).get("shells").count == 1
    assert len([k for k in Survey(shaped.part).get("base_loops").base if not k.outer and k.blind]) == 3


def test_the_fix_declines() -> None:
    with pytest.raises(Declined, match="seat it first"):
        keyed(part_of(solids.ball(30.0)))
    with pytest.raises(Declined, match="do not fit"):
        keyed(part_of(solids.box((16.0, 16.0, 60.0))))
    with pytest.raises(Declined, match="already"):
        keyed(keyed(part_of(BLOCK)).part)
