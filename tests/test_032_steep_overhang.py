"""Rule 32 on solids whose steep skin is known, and the fix that turns the part."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.overhang import farthest_from
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.shape.lay import turn_down
from lint.terms import Declined, Finding, Job, Part, Source, Weight


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("ear.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def said(mesh: solids.Mesh, **facts: object) -> list[Finding]:
    report = examine(part_of(mesh), {32: all_rules()[32]}, Settings(**facts))  # type: ignore[arg-type]
    assert not [r for r in report.rules if r.outcome.value in ("broke", "not run")], report.rules
    return list(report.findings)


def turned_up(mesh: solids.Mesh, turn: np.ndarray) -> solids.Mesh:
    vertices = mesh[0] @ turn.T
    return vertices - (0, 0, vertices[:, 2].min()), mesh[1]


@pytest.mark.parametrize(("level", "rel"), [(4, 0.02), (5, 0.01), (6, 0.01)])
def test_the_steep_share_of_a_ball(level: int, rel: float) -> None:
    """Facts 6.20: (1 - cos 45) / 2 of a ball, a cap by Archimedes; the cap within 0.1 mm of the bed lies on it."""
    (finding,) = said(solids.ball(50, level=level))
    cap = 4 * np.pi * 50**2 * (1 - np.cos(np.radians(45))) / 2
    assert finding.measured == pytest.approx(cap - 2 * np.pi * 50 * 0.1, rel=rel)
    assert finding.weight is Weight.CAUTION
    assert finding.place is not None
    assert finding.place.centre[:2] == pytest.approx((0, 0), abs=1.0)


@pytest.mark.parametrize("sides", [48, 360])
@pytest.mark.parametrize(("half", "clean"), [(44, True), (45, True), (46, False)])
def test_a_cone_on_its_tip(half: float, clean: bool, sides: int) -> None:
    """Facts 6.21: the whole side overhangs by the half-angle. Measured across the flats, so that each facet has just that angle."""
    radius = 20 * float(np.tan(np.radians(half))) / float(np.cos(np.pi / sides))
    found = said(solids.turned([(0, 0), (radius, 20), (0, 20)], sides=sides))
    assert (not found) is clean
    if found:
        slant = 20 / np.cos(np.radians(half))
        assert found[0].measured == pytest.approx(sides * radius * np.sin(np.pi / sides) * slant, rel=0.01)


@pytest.mark.parametrize("cuts", [0, 2, 4])
@pytest.mark.parametrize("long", [4.0, 12.0])
def test_a_ledge_reaches_as_far_as_it_is_long(cuts: int, long: float) -> None:
    mesh = solids.fused(solids.box((20, 20, 40)), solids.box((20 + long, 20, 10), low=(0, 0, 30)))
    for _ in range(cuts):
        mesh = solids.halve(*mesh)
    (finding,) = said(mesh)
    assert finding.case == "steep"
    assert finding.measured == pytest.approx(20 * long, rel=1e-6)
    assert f"reaches {long:.1f} mm" in finding.message
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((20 + long / 2, 10, 30), abs=1e-6)


def test_a_ledge_as_short_as_strands_carry_is_clean() -> None:
    assert not said(solids.fused(solids.box((20, 20, 40)), solids.box((20.9, 20, 10), low=(0, 0, 30))))
    assert said(solids.fused(solids.box((20, 20, 40)), solids.box((21.2, 20, 10), low=(0, 0, 30))))


@pytest.mark.parametrize(("span", "weight"), [(4.8, None), (5.2, Weight.NOTE), (24.5, Weight.NOTE), (25.5, Weight.CAUTION)])
@pytest.mark.parametrize("cuts", [0, 3])
def test_a_bridge_is_told_apart_and_judged_by_its_span(span: float, weight: Weight | None, cuts: int) -> None:
    mesh = solids.cut(solids.box((60, 20, 20)), solids.box((span, 22, 10), low=(15, -1, -1)))
    for _ in range(cuts):
        mesh = solids.halve(*mesh)
    found = said(mesh)
    assert [(f.case, f.weight) for f in found] == ([] if weight is None else [("bridge", weight)])
    if found:
        assert found[0].measured == pytest.approx(span, abs=0.02)
        assert found[0].unit == "mm"


def test_a_ceiling_held_at_one_corner_is_no_bridge() -> None:
    corner = solids.fused(solids.box((30, 5, 20)), solids.box((5, 30, 20)))
    (finding,) = said(solids.fused(corner, solids.box((30, 30, 5), low=(0, 0, 15))))
    assert finding.case == "steep"


def test_an_uneven_base_is_no_overhang() -> None:
    vertices, faces = solids.box((60, 60, 20), step=5)
    vertices[(vertices[:, 2] == 0) & (vertices[:, 0] > 6), 2] = 0.4
    assert not said((vertices, faces))


def test_what_hangs_free_is_said_to_hang() -> None:
    arm = solids.fused(solids.box((30, 40, 10), low=(0, 0, 50)), solids.box((8, 8, 30), low=(11, 25, 25)))
    lamp = solids.fused(solids.box((30, 10, 60)), arm)
    hanging = [f for f in said(lamp) if f.case == "hanging"]
    assert [f.measured for f in hanging] == pytest.approx([64.0])


def test_the_roof_of_a_hollow_counts() -> None:
    """Air inside has a ceiling too: 20 mm square, bridged over 20 mm."""
    (finding,) = said(solids.joined(solids.box((40, 40, 40)), solids.flipped(solids.box((20, 20, 20), low=(10, 10, 10)))))
    assert (finding.case, finding.measured) == ("bridge", pytest.approx(20, abs=0.02))


def test_resin_has_its_own_limits() -> None:
    cone = solids.turned([(0, 0), (20 * float(np.tan(np.radians(60))), 20), (0, 20)], sides=360)
    assert said(cone)
    assert not said(cone, process="resin")


@pytest.mark.parametrize("step", [None, 3.0])
def test_blocks_and_cones_on_their_base_are_clean(step: float | None) -> None:
    assert not said(solids.box((40, 40, 40), low=(900, -900, -7), step=step))
    assert not said(solids.turned([(0, 0), (20, 0), (0, 30)]))


def test_lay_puts_a_hat_on_its_crown() -> None:
    hat = solids.turned([(0, 0), (8, 0), (8, 20), (20, 20), (20, 30), (0, 30)])
    part = part_of(hat)
    rules = {n: all_rules()[n] for n in (32, 34)}
    mended = mend(part, rules, {"lay": all_fixes()["lay"]}, Settings(steps=("lay",)))
    assert next((s.name, s.outcome, s.moved_max) for s in mended.steps) == ("lay", "done", 0.0)
    assert not mended.after.findings
    assert mended.part.vertices[:, 2].min() == pytest.approx(0, abs=1e-12)
    np.testing.assert_allclose(mended.part.place_points(part.vertices), mended.part.vertices, atol=1e-9)
    job = Job(mended.part, Settings(), (), (), Survey(mended.part))
    make = all_fixes()["lay"].function
    assert make is not None
    with pytest.raises(Declined):
        make(job)


def test_lay_keeps_a_base_down_rather_than_stand_on_a_point() -> None:
    """A ball sunk into a broad base has least overhang upside down only if the base may be given up."""
    bust = solids.fused(solids.box((30, 30, 5), low=(-15, -15, 0)), solids.ball(20, centre=(0, 0, 20)))
    assert [f.fix for f in said(bust)] == [None]


def test_lay_turns_a_rod_that_lies_askew_onto_its_end() -> None:
    a, b = np.radians(50.0), np.radians(20.0)
    turn = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]]) @ np.array(
        [[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]]
    )
    part = part_of(turned_up(solids.tube(25, 0, 60), turn))
    assert said(turned_up(solids.tube(25, 0, 60), turn))[0].fix == "lay"
    mended = mend(part, {34: all_rules()[34]}, {"lay": all_fixes()["lay"]}, Settings(steps=("lay",)))
    assert not mended.after.findings
    assert np.ptp(mended.part.vertices[:, 2]) == pytest.approx(60, abs=1e-6)


@pytest.mark.parametrize("down", [(0, 0, -1), (0, 0, 1), (1, 0, 0), (0.6, -0.48, 0.64)])
def test_a_turn_is_a_turn_and_points_down(down: tuple[float, float, float]) -> None:
    turn = turn_down(np.array(down, dtype=float))
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1)
    np.testing.assert_allclose(turn @ np.array(down), (0, 0, -1), atol=1e-12)


@pytest.mark.parametrize("shift", [0.0, 1e4])
def test_the_farthest_point_from_what_holds_up_is_found_without_asking_all(shift: float) -> None:
    rng = np.random.default_rng(4)
    points = rng.uniform(-50, 50, (20_000, 2)) * (1.0, 0.2) + shift
    for holders in (rng.uniform(-60, -20, (300, 2)) + shift, points[:50], np.array([[shift, shift]])):
        near = np.linalg.norm(points[:, None] - holders[None], axis=2)
        worst = int(near.min(axis=1).argmax())
        far, point, holder = farthest_from(points, holders)
        assert far == pytest.approx(float(near.min(axis=1).max()), abs=1e-9)
        assert (point, holder) == (worst, int(near[worst].argmin()))
    assert farthest_from(np.tile([[3.0, 4.0]], (5000, 1)), np.zeros((2, 2)))[0] == pytest.approx(5.0)
