"""Rule 8 and turn: shells that face in, cavities that rightly do, and nests of both."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, mended, part, said
from tests.scans import needs_scans, scan


def box(size: float, at: float = 0.0, inward: bool = False) -> solids.Mesh:
    """A block about a middle on the x axis."""
    mesh = solids.box((size, size, size), (at - size / 2, -size / 2, -size / 2))
    return solids.flipped(mesh) if inward else mesh


def volumes(mesh: solids.Mesh) -> list[float]:
    return sorted(float(v) for v in Survey(part(mesh)).get("shells").volume)


def test_outward_shells_are_clean() -> None:
    assert cases(solids.joined(box(20), box(20, 50)), 8) == []


def test_an_inward_shell_is_found_with_its_volume() -> None:
    (finding,) = said(box(20, inward=True), 8)
    assert (finding.case, finding.unit) == ("inside out", "mm3")
    assert finding.measured == pytest.approx(8000)


def test_a_cavity_is_right() -> None:
    assert cases(solids.joined(box(40), box(20, inward=True)), 8) == []


def test_an_inward_shell_beside_crossing_or_in_a_cavity_is_wrong() -> None:
    assert cases(solids.joined(box(40), box(20, 60, inward=True)), 8) == ["inside out"]
    assert cases(solids.joined(box(60), box(40, inward=True), box(20, inward=True)), 8) == ["inside out"]


def test_an_outward_shell_in_a_solid_or_a_cavity_is_not_inside_out() -> None:
    assert cases(solids.joined(box(60), box(20)), 8) == []
    assert cases(solids.joined(box(60), box(40, inward=True), box(20)), 8) == []


def test_a_part_reversed_with_its_cavity_is_turned_back_with_it() -> None:
    mesh = solids.joined(box(40, inward=True), box(20))
    assert cases(mesh, 8) == ["filled hollow", "inside out"]
    done = mended(mesh, "turn", numbers=(1, 7, 8))
    assert not done.after.findings
    assert volumes((done.part.vertices, done.part.faces)) == pytest.approx([-8000, 64000])


def test_only_the_outer_shell_is_reversed() -> None:
    """Its cavity faces in already, and becomes one when the outer shell is set right."""
    done = mended(solids.joined(box(40, inward=True), box(20, inward=True)), "turn", numbers=(1, 7, 8))
    assert len(done.before.findings) == 1
    assert volumes((done.part.vertices, done.part.faces)) == pytest.approx([-8000, 64000])


@pytest.mark.parametrize("signs", list(itertools.product([False, True], repeat=3)))
def test_every_nest_of_three_ends_with_an_outer_solid_and_no_more_than_single_fill_lost(signs: tuple[bool, bool, bool]) -> None:
    """After turning, no shell is inside out, and the outermost is solid: seen against an independent count of winding."""
    mesh = solids.joined(*(box(size, inward=s) for size, s in zip((60, 40, 20), signs, strict=True)))
    done = mended(mesh, "turn", numbers=(1, 7, 8))
    assert not done.after.findings
    import igl

    probes = np.array([[25.0, 0.1, 0.2], [15.0, 0.1, 0.2], [5.0, 0.1, 0.2]])
    w = np.rint(np.asarray(igl.winding_number(done.part.vertices.copy(), done.part.faces.copy(), probes)).reshape(-1))
    assert w[0] == 1
    assert (w >= 0).all()


def test_an_open_shell_is_never_judged() -> None:
    cube = solids.box((50, 50, 50), step=10)
    hole = np.arange(len(cube[1])) == 0
    mesh = cube[0] - 1e4, cube[1][~hole][:, ::-1].copy()
    assert cases(mesh, 8) == []


def test_many_shells_are_quick_and_each_is_told() -> None:
    balls = [solids.ball(2, (x * 10.0, y * 10.0, 0), level=1) for x in range(20) for y in range(20)]
    reversed_ones = [solids.flipped(b) if k % 2 else b for k, b in enumerate(balls)]
    found = said(solids.joined(*reversed_ones), 8)
    assert len(found) == 101
    assert "more small shells (100)" in next(f for f in found if f.case == "many").message


@needs_scans
def test_a_void_buried_in_a_real_part_is_a_cavity() -> None:
    """The manifest's inside-out debris shell lies within the solid: to rule 8 it is a hollow; rule 11 says that it is a flaw."""
    import trimesh

    mesh = trimesh.load(scan("defect_cheekbone_debris_shell.stl"), process=False, force="mesh")
    subject = part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)))
    assert said(subject, 8) == []
    (finding,) = said(subject, 11)
    assert finding.case == "void"
    assert finding.measured == pytest.approx(0.00834, abs=1e-4)
