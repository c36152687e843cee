"""Rule 36 against statics: the centre of mass of known solids and the angle at which they go over."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, NotRun, Part, Source, Weight


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("leg.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def said(mesh: solids.Mesh) -> list[Finding]:
    return list(examine(part_of(mesh), {36: all_rules()[36]}, Settings()).findings)


@pytest.mark.parametrize(("radius", "height", "angle"), [(20, 100, 21.80), (30, 60, 45.00)])
def test_tip_angle_of_a_cylinder(radius: float, height: float, angle: float) -> None:
    """Facts 1.4.6: atan(r / (h / 2))."""
    stance = Survey(part_of(solids.tube(radius, 0, height, sides=360))).get("stance")
    assert stance.angle == pytest.approx(angle, abs=0.01)
    assert stance.height == pytest.approx(height / 2, abs=1e-9)


def test_centre_of_mass_of_a_half_ball_and_a_cone() -> None:
    """Three eighths of the radius and a quarter of the height above the base (facts 6.30, any handbook of mechanics)."""
    arc = [(50 * float(np.cos(a)), 50 * float(np.sin(a))) for a in np.linspace(0, np.pi / 2, 91)]
    half = Survey(part_of(solids.turned([(0.0, 0.0), *arc[:-1], (0.0, 50.0)], sides=360))).get("stance")
    assert half.centre == pytest.approx((0, 0, 18.75), abs=0.01)
    cone = Survey(part_of(solids.turned([(0.0, 0.0), (30.0, 0.0), (0.0, 80.0)], sides=360))).get("stance")
    assert cone.height == pytest.approx(20.0, abs=1e-6)
    assert cone.angle == pytest.approx(np.degrees(np.arctan(30 * np.cos(np.pi / 360) / 20)), abs=0.01)


def test_a_hollow_counts_as_air() -> None:
    shell = solids.joined(solids.box((40, 40, 40)), solids.flipped(solids.box((20, 20, 20), low=(10, 10, 15))))
    centre = Survey(part_of(shell)).get("mass_centre")
    assert centre == pytest.approx((20, 20, (64000 * 20 - 8000 * 25) / 56000), abs=1e-9)


@pytest.mark.parametrize(("angle", "weight"), [(9.8, Weight.STOP), (10.2, Weight.CAUTION), (14.8, Weight.CAUTION), (15.2, None)])
@pytest.mark.parametrize("step", [None, 5])
def test_either_side_of_the_limits(angle: float, weight: Weight | None, step: float | None) -> None:
    foot = 2 * 50 * float(np.tan(np.radians(angle)))
    found = said(solids.box((foot, 60, 100), low=(1000, -1000, 4), step=step))
    assert [f.weight for f in found] == ([] if weight is None else [weight])
    if found:
        assert found[0].measured == pytest.approx(angle, abs=1e-6)


def test_three_feet_stand_as_wide_as_the_three() -> None:
    """A stool: small feet far apart do not tip, though little of it touches the bed."""
    stool = solids.box((80, 80, 10), low=(0, 0, 30))
    for x, y in ((0, 0), (60, 0), (0, 60), (60, 60)):
        stool = solids.fused(stool, solids.box((20, 20, 31), low=(x, y, 0)))
    assert not said(stool)


def test_a_part_whose_weight_hangs_out_falls_by_itself() -> None:
    lamp = solids.fused(solids.box((20, 20, 60)), solids.box((90, 20, 20), low=(0, 0, 50)))
    (finding,) = said(lamp)
    assert (finding.case, finding.weight) == ("falls", Weight.STOP)
    solid = 20 * 20 * 50
    arm = 90 * 20 * 20
    x = (solid * 10 + arm * 45) / (solid + arm)
    z = (solid * 25 + arm * 60) / (solid + arm)
    assert finding.measured == pytest.approx(np.degrees(np.arctan2(20 - x, z)), abs=1e-6)


def test_a_ball_is_left_to_the_rule_about_the_base() -> None:
    report = examine(part_of(solids.ball(20)), {n: all_rules()[n] for n in (34, 36)}, Settings())
    assert [f.rule for f in report.findings] == [34]
    assert "rule 34" in next(r.why for r in report.rules if r.number == 36)


def test_an_open_sheet_has_no_centre_of_mass() -> None:
    vertices, faces = solids.box((40, 40, 40))
    with pytest.raises(NotRun):
        Survey(part_of((vertices, faces[:-1]))).get("mass_centre")
