"""Rule 37, trapped hollow: sealed cavities of known volume, and what only looks like one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from rules.rule_037_trapped_hollow import rule

BLOCK = solids.box((60.0, 60.0, 60.0))


def found(mesh: solids.Mesh, process: str = "resin") -> list[Finding]:
    part = Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")
    alone = dataclasses.replace(rule, after=())
    report = examine(part, {37: alone}, Settings(process=process))
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def inside(size: float, low: float = 20.0) -> solids.Mesh:
    return solids.flipped(solids.box((size, size, size), (low, low, low)))


def test_the_volume_is_that_of_the_box_left_out() -> None:
    (one,) = found(solids.joined(BLOCK, inside(10.0)))
    assert one.measured == pytest.approx(1000.0, abs=1e-9)
    assert one.weight is Weight.STOP
    assert one.place is not None
    assert one.place.centre == pytest.approx((25.0, 25.0, 25.0))
    assert one.fix == "drain"


def test_extrusion_holds_air_and_is_a_caution() -> None:
    (one,) = found(solids.joined(BLOCK, inside(10.0)), "extrusion")
    assert one.weight is Weight.CAUTION
    assert one.case == "air"


@pytest.mark.parametrize(("size", "count"), [(2.14, 0), (2.17, 1)])
def test_a_bubble_is_let_be(size: float, count: int) -> None:
    assert len(found(solids.joined(BLOCK, inside(size)))) == count


def test_two_cavities_are_two_findings_largest_first() -> None:
    volumes = [f.measured for f in found(solids.joined(BLOCK, inside(5.0, 5.0), inside(10.0, 30.0)))]
    assert volumes == pytest.approx([1000.0, 125.0])


def test_a_crumb_in_the_cavity_takes_room() -> None:
    crumb = solids.box((5.0, 5.0, 5.0), (22.0, 22.0, 22.0))
    (one,) = found(solids.joined(BLOCK, inside(10.0), crumb))
    assert one.measured == pytest.approx(875.0)


@pytest.mark.parametrize(
    "mesh",
    [
        BLOCK,
        solids.joined(BLOCK, solids.box((5.0, 5.0, 5.0), (80.0, 0.0, 0.0))),
        solids.cut(BLOCK, solids.box((20.0, 20.0, 50.0), (20.0, 20.0, 20.0))),
        solids.torus(30.0, 8.0),
    ],
    ids=["solid", "two blocks apart", "an open pocket", "a ring"],
)
def test_what_has_no_cavity_is_clean(mesh: solids.Mesh) -> None:
    assert not found(mesh)


def test_two_holes_let_it_out_and_the_count_of_holes_proves_it() -> None:
    """Through-wall holes n: one shell of genus n - 1, so points - edges + faces = 4 - 2n (facts 6.6)."""
    hollow = solids.joined(BLOCK, inside(20.0))
    vertices, faces = hollow
    for n in (1, 2):
        vertices, faces = solids.cut((vertices, faces), solids.box((3.0, 3.0, 30.0), (18.0 + 6.0 * n, 25.0, -5.0)))
        assert len(vertices) - len(faces) // 2 == 4 - 2 * n
        assert not found((vertices, faces))
