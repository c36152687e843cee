"""Rule 31 on gaps whose width is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight


def said(mesh: solids.Mesh) -> list[Finding]:
    part = Part(mesh[0].copy(), mesh[1].copy(), Source(Path("hand.stl"), "stl", "", 0), units="mm", units_from="the ticket")
    report = examine(part, {31: all_rules()[31]}, Settings())
    assert not [r for r in report.rules if r.outcome.value in ("broke", "not run")], report.rules
    return list(report.findings)


def slit(width: float, cuts: int = 0) -> solids.Mesh:
    mesh = solids.cut(solids.box((30, 20, 30)), solids.box((width, 22, 20), low=(15, -1, 10)))
    for _ in range(cuts):
        mesh = solids.halve(*mesh)
    return mesh


@pytest.mark.parametrize("cuts", [0, 2, 4])
@pytest.mark.parametrize(("width", "found"), [(0.1, True), (0.49, True), (0.5, False), (0.51, False)])
def test_a_slit_either_side_of_the_limit(width: float, found: bool, cuts: int) -> None:
    sayings = said(slit(width, cuts))
    assert bool(sayings) is found
    if found:
        (finding,) = sayings
        assert finding.measured == pytest.approx(width, abs=1e-6)
        assert (finding.weight, finding.sampled) == (Weight.CAUTION, True)
        assert finding.place is not None
        assert finding.place.centre == pytest.approx((15 + width / 2, 10, 20), abs=1.0)


def test_a_thin_hollow_is_a_gap_too() -> None:
    mesh = solids.joined(solids.box((40, 40, 40)), solids.flipped(solids.box((20, 20, 0.3), low=(10, 10, 20))))
    (finding,) = said(mesh)
    assert finding.measured == pytest.approx(0.3, abs=1e-6)


def test_two_blocks_side_by_side_are_one_gap() -> None:
    (finding,) = said(solids.joined(solids.box((20, 20, 20)), solids.box((20, 20, 20), low=(20.25, 0, 0))))
    assert finding.measured == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("degrees", [20, 60, 90])
def test_a_crease_is_no_gap(degrees: float) -> None:
    depth = 15.0
    half = depth * float(np.tan(np.radians(degrees / 2)))
    notch, faces = solids.turned([(0, 0), (half, depth), (0, depth)], sides=4)
    knife = (notch * (1, 10, 1) + (15, 10, 15.0001), faces)
    assert not said(solids.cut(solids.box((30, 20, 30)), knife))


def test_a_solid_without_a_gap_is_clean() -> None:
    assert not said(solids.ball(20))
    assert not said(solids.box((0.3, 20, 20)))
