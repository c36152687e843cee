"""Rule 30 and the measurement of walls, on solids whose thickness is known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("wing.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def said(mesh: solids.Mesh, **facts: object) -> list[Finding]:
    report = examine(part_of(mesh), {30: all_rules()[30]}, Settings(**facts))  # type: ignore[arg-type]
    assert not [r for r in report.rules if r.outcome.value in ("broke", "not run")], report.rules
    return list(report.findings)


def prism(corners: list[tuple[float, float]], length: float) -> solids.Mesh:
    """A bar along y with the flat cross-section given in x and z, counter-clockwise seen from -y."""
    n = len(corners)
    near = np.array([(x, 0.0, z) for x, z in corners])
    vertices = np.vstack((near, near + np.array([0, length, 0])))
    side = [f for i in range(n) for f in ((i, (i + 1) % n, n + (i + 1) % n), (i, n + (i + 1) % n, n + i))]
    caps = [f for i in range(1, n - 1) for f in ((0, i + 1, i), (n, n + i, n + i + 1))]
    faces = np.array(side + caps)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6
    return vertices, faces if volume > 0 else faces[:, ::-1].copy()


@pytest.mark.parametrize("step", [None, 2.0, 0.7])
@pytest.mark.parametrize(
    ("thick", "case"), [(0.3, "dropped"), (0.39, "dropped"), (0.4, "weak"), (0.79, "weak"), (0.8, None), (0.81, None)]
)
def test_a_plate_either_side_of_the_limits(thick: float, case: str | None, step: float | None) -> None:
    found = said(solids.box((30, 20, thick), low=(1000, -1000, 5), step=step))
    assert [f.case for f in found] == ([] if case is None else [case])
    if found:
        assert found[0].measured == pytest.approx(thick, abs=1e-6)
        assert found[0].weight is (Weight.STOP if case == "dropped" else Weight.CAUTION)
        assert found[0].sampled
        assert found[0].place is not None
        assert found[0].place.reach == pytest.approx(np.hypot(15, 10), rel=0.1)


def test_the_nozzle_and_the_process_set_the_limits() -> None:
    assert [f.case for f in said(solids.box((30, 20, 0.7)))] == ["weak"]
    assert [f.case for f in said(solids.box((30, 20, 0.7)), nozzle=0.8)] == ["dropped"]
    assert not said(solids.box((30, 20, 0.7)), nozzle=0.25)
    assert [(f.case, f.limit) for f in said(solids.box((30, 20, 0.7)), process="resin")] == [("weak", 1.0)]
    assert [(f.case, f.limit) for f in said(solids.box((30, 20, 0.35)), process="resin")] == [("dropped", 0.4)]


@pytest.mark.parametrize("sides", [24, 64, 200])
@pytest.mark.parametrize(("wall", "found"), [(0.75, True), (0.85, False)])
def test_a_pipe_says_the_same_however_finely_it_is_cut(sides: int, wall: float, found: bool) -> None:
    sayings = said(solids.tube(20, 20 - wall, 30, sides=sides, rings=max(sides // 12, 1)))
    assert bool(sayings) is found
    if found:
        assert len(sayings) == 1
        assert sayings[0].measured == pytest.approx(wall * np.cos(np.pi / sides), abs=0.02)


@pytest.mark.parametrize("level", [3, 4, 5])
def test_a_hollow_ball_is_one_finding(level: int) -> None:
    mesh = solids.joined(solids.ball(20, level=level), solids.flipped(solids.ball(19.4, level=level)))
    (finding,) = said(mesh)
    assert finding.measured == pytest.approx(0.6, abs=0.02)
    assert finding.place is not None
    assert finding.place.reach == pytest.approx(20, rel=0.02)


def test_a_pocket_under_two_large_faces_is_found() -> None:
    """The plate's underside is two triangles; only the pocket's floor is near it."""
    (finding,) = said(solids.cut(solids.box((60, 60, 5)), solids.box((6, 4, 5), low=(20, 33, 0.5))))
    assert (finding.case, finding.weight) == ("weak", Weight.CAUTION)
    assert finding.measured == pytest.approx(0.5, abs=1e-6)
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((23, 35, 0.25), abs=0.5)


@pytest.mark.parametrize("sides", [3, 5, 7, 12])
def test_a_wire_is_thin_whatever_its_sides(sides: int) -> None:
    wire = solids.tube(0.3, 0, 30, sides=sides, rings=3)
    (finding,) = said(wire)
    assert finding.measured <= 0.6
    post = solids.fused(solids.box((20, 20, 10)), (wire[0] + np.array([10, 10, 9]), wire[1]))
    (finding,) = said(post)
    assert finding.place is not None
    assert finding.place.centre[:2] == pytest.approx((10, 10), abs=0.3)


def test_two_thin_places_are_two_findings() -> None:
    plate = solids.box((80, 30, 5), step=2)
    for x, floor in ((10, 0.3), (60, 0.6)):
        plate = solids.cut(plate, solids.box((8, 8, 9), low=(x, 10, floor)))
    assert sorted(round(f.measured, 3) for f in said(plate)) == [0.3, 0.6]


@pytest.mark.parametrize("depth", [1.5, 6.0])
def test_a_fin_on_a_sound_block_is_found(depth: float) -> None:
    fin = solids.fused(solids.box((40, 40, 20)), solids.box((0.5, 30, depth + 1), low=(20, 5, 19)))
    (finding,) = said(fin)
    assert finding.measured == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "mesh"),
    [
        ("a block", solids.box((40, 40, 40))),
        ("a finely cut block", solids.box((40, 40, 40), step=0.9)),
        ("a ball", solids.ball(12)),
        ("a rod", solids.tube(1.0, 0, 30)),
        ("a cone", solids.turned([(0, 0), (15, 0), (0, 40)])),
        ("a pyramid", solids.turned([(0, 0), (15, 0), (0, 15)], sides=4)),
        ("a wedge of 20 degrees", prism([(0, 0), (40, 0), (40, 40 * float(np.tan(np.radians(20))))], 30)),
        ("a wedge of 45 degrees", prism([(0, 0), (40, 0), (40, 40)], 30)),
    ],
)
def test_sharp_edges_and_tips_are_no_walls(name: str, mesh: solids.Mesh) -> None:
    assert not said(mesh), name
    fine = solids.halve(*solids.halve(*mesh))
    assert not said(fine), f"{name}, cut finer"


def test_a_knife_edge_is_thin() -> None:
    """A fin that tapers by 4 degrees is under 0.8 mm for more than 11 mm: that is a wall, and it will not print."""
    (finding,) = said(prism([(0, 0), (40, 0), (40, 40 * float(np.tan(np.radians(4))))], 30))
    assert finding.case == "dropped"
    assert finding.measured < 0.1


def test_ray_thickness_of_a_wedge_is_as_the_formula_says() -> None:
    """Facts 6.23: at distance d along the wedge the ray inward from its level side is d tan(angle) long."""
    mesh = prism([(0, 0), (40, 0), (40, 40 * float(np.tan(np.radians(30))))], 30)
    survey = Survey(part_of(mesh))
    patches, walls, facets = (survey.get(n) for n in ("patches", "walls", "facets"))
    level = np.flatnonzero(facets.normal[patches.face, 2] < -0.99)
    assert len(level) > 1000
    np.testing.assert_allclose(walls.thickness[level], patches.point[level, 0] * np.tan(np.radians(30)), atol=1e-9)
    np.testing.assert_allclose(walls.taper[level], 30, atol=1e-6)


def test_patches_cover_the_skin_and_are_no_larger_than_they_say() -> None:
    survey = Survey(part_of(solids.box((50, 40, 3))))
    patches, facets = survey.get("patches"), survey.get("facets")
    covered = np.bincount(patches.face, weights=patches.area, minlength=12)
    np.testing.assert_allclose(covered, facets.area, rtol=1e-12)
    assert patches.area.max() <= np.sqrt(3) * patches.spacing**2  # an even triangle with sides of twice the spacing


def test_an_open_part_is_not_judged() -> None:
    vertices, faces = solids.box((30, 20, 0.3), step=2)
    rules = {n: r for n, r in all_rules().items() if n in (4, 30)}
    if 4 not in rules:
        pytest.skip("the rule about open edges is absent")
    report = examine(part_of((vertices, faces[1:])), rules, Settings())
    assert [f.rule for f in report.findings] == [4]
