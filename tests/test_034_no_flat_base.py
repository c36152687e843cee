"""Rule 34 on solids whose area on the bed is known."""

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
    part = Part(mesh[0].copy(), mesh[1].copy(), Source(Path("nose.stl"), "stl", "", 0), units="mm", units_from="the ticket")
    report = examine(part, {34: all_rules()[34]}, Settings())
    assert not report.unreadable
    return list(report.findings)


@pytest.mark.parametrize("level", [3, 4, 5])
def test_a_ball_touches_with_a_cap(level: int) -> None:
    """Area of a cap of height h is 2 pi R h (Archimedes): at most 2 pi 25 0.1 = 15.7 mm2 lies within 0.1 mm."""
    (finding,) = said(solids.ball(25, level=level))
    assert (finding.case, finding.weight, finding.fix) == ("nothing flat", Weight.STOP, "seat")
    assert finding.measured <= 2 * np.pi * 25 * 0.1
    assert finding.limit == pytest.approx(0.05 * np.pi * 625, rel=0.02)


@pytest.mark.parametrize(("radius", "clean"), [(4.2, False), (4.8, True)])
def test_the_share_of_the_shadow_decides(radius: float, clean: bool) -> None:
    """A disc of 20 mm radius on a foot: 5 % of its shadow is a foot of 20 * sqrt(0.05) = 4.47 mm."""
    mushroom = solids.turned([(0, 0), (radius, 0), (radius, 20), (20, 20), (20, 30), (0, 30)])
    found = said(mushroom)
    assert (not found) is clean
    if found:
        assert found[0].measured == pytest.approx(np.pi * radius**2, rel=2e-3)


@pytest.mark.parametrize("step", [None, 10, 2])
def test_a_block_is_clean_wherever_it_stands(step: float | None) -> None:
    assert not said(solids.box((40, 30, 20), low=(900, -700, 12), step=step))
    assert not said(solids.flipped(solids.box((40, 30, 20), step=step)))


def test_an_open_sheet_on_its_rim_rests_on_nothing() -> None:
    vertices, faces = solids.ball(30)
    upper = faces[(vertices[faces][:, :, 2] >= -1e-9).all(axis=1)]
    (finding,) = said((vertices, upper))
    assert (finding.case, finding.measured) == ("nothing flat", 0.0)


@pytest.mark.parametrize(("rise", "clean"), [(0.08, True), (0.12, False), (0.4, False)])
def test_an_uneven_base_says_how_uneven(rise: float, clean: bool) -> None:
    """A block whose underside is lowest along one side and lies `rise` mm higher over the rest."""
    vertices, faces = solids.box((60, 60, 20), step=5)
    foot = (vertices[:, 2] == 0) & (vertices[:, 0] > 6)
    vertices[foot, 2] = rise
    found = said((vertices, faces))
    assert (not found) is clean
    if found:
        assert found[0].case == "uneven"
        assert found[0].measured == pytest.approx(rise, abs=1e-9)
        assert found[0].limit == 0.1


def test_a_mark_sunk_into_the_base_is_no_fault() -> None:
    sunk = solids.cut(solids.box((40, 40, 20)), solids.box((20, 10, 0.6), low=(10, 10, -0.1)))
    assert not said(sunk)
